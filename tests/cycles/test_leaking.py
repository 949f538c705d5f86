"""The speed of an engine with a leak, from its pulses alone and with nothing said of how it ran."""

from dataclasses import replace

import pytest

from ringland.cycles import find_cycles
from ringland.engines import layout
from ringland.model import Condition
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate


@pytest.mark.parametrize(
    ("layout_id", "cylinder"), [("I6-153624", 3), ("I5-12453", 2), ("V8-90-18436572", 4)]
)
def test_a_leak_is_not_taken_for_a_slower_engine(layout_id: str, cylinder: int) -> None:
    """Once a cycle a push in the crankcase, far above what the cylinders share there: the exhaust,
    in which all cylinders are heard alike, decides. Truth: the simulator's own speed."""
    spec = layout(layout_id).engine
    result = simulate(
        simulated_engine(spec), seconds=6.0, faults=(Fault("ring_leak", (cylinder,), 4.0),)
    )
    hookup = replace(HookUp(), trigger=None)
    recording = record(result, hookup, recorder=Recorder(rate_hz=10_000.0, snr_db=25.0))
    found = find_cycles(replace(recording, condition=Condition.UNKNOWN), described(spec, hookup))
    assert not isinstance(found, str)
    true = float(result.speed_rpm.mean())
    assert found.mean_speed_rpm.value == pytest.approx(true, rel=0.01)
