"""Cases: drawn from a seed, of the engine that was described, named by the whole analysis."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ringland.engines import layout
from ringland.errors import SettingError
from ringland.model import EngineSpec, Fuel
from ringland.pipeline import analyse
from ringland.reference.build import _loss, build_reference, find_reference, fit_head
from ringland.reference.cases import draw_case, neighbours_in_bank, simulated_examples
from ringland.reference.learn import keep_examples, load_examples
from ringland.simulator.faults import parse_fault
from ringland.simulator.hookup import described, record
from ringland.simulator.hookup_random import random_hookup
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate

SIX = replace(layout("I6-153624").engine, fuel=Fuel.DIESEL)


def test_a_case_follows_from_its_seed() -> None:
    one, same = (draw_case(np.random.default_rng(5)) for _ in range(2))
    assert one == same
    assert one != draw_case(np.random.default_rng(6))


def test_what_is_described_is_kept() -> None:
    for seed in range(8):
        case = draw_case(np.random.default_rng(seed), SIX, held_rpm=1500.0)
        assert case.held_rpm == 1500.0
        assert case.engine.spec.firing_order == SIX.firing_order
        assert case.engine.spec.fuel is Fuel.DIESEL
        petrol_only = {"rich", "intake_leak_cylinder"}
        assert not petrol_only & {f.kind for f in case.faults}


def test_neighbours_are_in_one_bank() -> None:
    """V6 with banks 1-2-3 and 4-5-6 or alike: four pairs, none across."""
    engine = layout("V6-60-142536").engine
    pairs = neighbours_in_bank(engine)
    assert len(pairs) == 4
    assert engine.banks is not None
    assert all(engine.banks[a - 1] == engine.banks[b - 1] for a, b in pairs)


def test_examples_are_kept_as_they_were(tmp_path: Path) -> None:
    examples = simulated_examples(2, SIX)
    path = tmp_path / "cases.npz"
    keep_examples(examples, path)
    back = load_examples(path)
    assert [e.faults for e in back] == [e.faults for e in examples]
    for one, other in zip(examples, back, strict=True):
        np.testing.assert_allclose(one.values, other.values, rtol=2e-3, atol=1e-3)


@pytest.mark.parametrize(
    ("fault", "modes"),
    [
        ("ring_leak:4:6mm2", ("ring_leak", "scored_bore")),
        ("misfire:2:60%", ("ignition_misfire",)),
        ("exhaust_valve_leak:5:4mm2", ("exhaust_valve_leak", "inlet_valve_leak")),
    ],
)
def test_a_large_fault_is_named(fault: str, modes: tuple[str, ...]) -> None:
    """Closed loop on the simulator: an exhaust as they are, a large fault, the whole analysis."""
    wanted = parse_fault(fault)
    engine = layout("I6-153624").engine
    engine = replace(engine, fuel=Fuel.PETROL)
    sound = with_healthy_spread(simulated_engine(engine), seed=11)
    result = simulate(sound, seconds=8.0, faults=(wanted,), seed=12)
    hookup = random_hookup(np.random.default_rng(1), engine)
    recording = record(result, hookup, recorder=Recorder(rate_hz=10_000.0, snr_db=25.0), seed=1)
    found = analyse(recording, described(engine, hookup)).diagnosis
    assert found is not None
    assert found.causes[0].failure_mode in modes
    assert found.causes[0].cylinder == wanted.cylinders[0]
    assert found.causes[0].probability > 0.5


def test_a_reference_of_one_engine(tmp_path: Path) -> None:
    """Built once, found again, parts gone; never worse than the general one on cases left out."""
    told: list[tuple[int, int]] = []
    built = build_reference(
        SIX, tmp_path, cases=30, progress=lambda done, total: told.append((done, total))
    )
    assert told[-1] == (30, 30)
    assert built.loss_after_bits <= built.loss_before_bits
    assert sum(row.recordings for row in built.found) <= built.recordings
    assert not list(tmp_path.glob("part-*"))
    found = find_reference(replace(SIX, name="another name"), tmp_path)
    assert found is not None and found.head is not None
    np.testing.assert_array_equal(found.head, built.network.head)
    assert find_reference(SIX, tmp_path, speed_rpm=1500.0) is None
    assert find_reference(replace(SIX, fuel=Fuel.PETROL), tmp_path) is None


def test_engines_that_cannot_be_simulated_say_so(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="No reference"):
        build_reference(EngineSpec("one", 1, (1,), (0.0,)), tmp_path)


def test_the_last_layer_is_fitted_where_the_slope_vanishes() -> None:
    """The penalised loss is convex: at its least the slope of the loss is minus the penalty's."""
    rng = np.random.default_rng(3)
    counts = np.full(40, 3)
    hidden = rng.standard_normal((120, 5))
    target = np.zeros((120, 2))
    target[np.arange(0, 120, 6), 1] = 1.0
    general = rng.standard_normal((5, 2))
    head = fit_head(general, hidden, target, counts, 10.0)
    _, slope = _loss(head, hidden, target, counts)
    np.testing.assert_allclose(slope, -10.0 * (head - general), atol=2e-3)
