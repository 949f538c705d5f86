"""The severity of a simulated fault, found again through a path nobody told of."""

import time
from dataclasses import replace

import numpy as np
import pytest

from ringland.engines import layout
from ringland.errors import SettingError, UnusableRecording
from ringland.model import (
    Analysis,
    Cause,
    Condition,
    Diagnosis,
    Estimate,
    Fuel,
    Geometry,
    Recording,
    unknown,
)
from ringland.pipeline import analyse
from ringland.severity import (
    WhatIf,
    fit_severity,
    prepare_what_if,
    what_if,
    what_if_cycles,
    with_severity,
)
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import described, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

LEAK_MM2 = 5.0
CYLINDER = 3
ENGINE = replace(
    layout("I4-1342").engine,
    fuel=Fuel.PETROL,
    geometry=Geometry(bore_m=0.084, stroke_m=0.09, rod_m=0.145, compression_ratio=10.3),
)


def made(faults: tuple[Fault, ...], seed: int = 5) -> Analysis:
    """A recording of the engine with faults, through a random exhaust and tube, analysed."""
    engine = with_healthy_spread(simulated_engine(ENGINE), seed=seed)
    result = simulate(engine, condition="idle", seconds=9.0, faults=faults, seed=seed)
    rng = np.random.default_rng(seed)
    hookup = random_hookup(rng, ENGINE)
    recording = record(result, hookup, recorder=random_recorder(rng), seed=seed)
    return analyse(recording, described(ENGINE, hookup), diagnose=False)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return made((Fault("ring_leak", (CYLINDER,), LEAK_MM2),))


@pytest.fixture(scope="module")
def prepared(analysis: Analysis) -> WhatIf:
    return prepare_what_if(analysis, Fault("ring_leak", (CYLINDER,), LEAK_MM2))


def cause(mode: str, position: int | None, unit: str) -> Cause:
    cylinder = None if position is None else ENGINE.firing_order[position - 1]
    return Cause(mode, mode, position, cylinder, 0.8, unknown(unit, "not measured yet"))


def within(estimate: Estimate, truth: float) -> bool:
    assert estimate.low is not None
    assert estimate.high is not None
    return estimate.low <= truth <= estimate.high


def test_leak_area_is_found_within_its_interval_and_a_factor_of_one_and_a_half(
    prepared: WhatIf,
) -> None:
    found = prepared.estimate
    assert found.value is not None
    assert found.unit == "mm2"
    assert found.coverage == 0.90
    assert within(found, LEAK_MM2)
    assert LEAK_MM2 / 1.5 < found.value < LEAK_MM2 * 1.5


def test_probabilities_sum_to_one(prepared: WhatIf) -> None:
    assert prepared.fit.probability.sum() == pytest.approx(1.0, abs=1e-12)
    assert (prepared.fit.probability >= 0.0).all()


def test_the_gain_and_polarity_of_nothing_but_the_recorder_change_nothing(
    analysis: Analysis, prepared: WhatIf
) -> None:
    assert analysis.cylinders is not None
    louder = tuple(
        replace(
            s, values=7.0 * s.values, mean=7.0 * s.mean, low=7.0 * s.low, high=7.0 * s.high,
            standard_error=7.0 * s.standard_error,
        )
        for s in analysis.cylinders.signals
    )  # fmt: skip
    changed = replace(analysis, cylinders=replace(analysis.cylinders, signals=louder))
    from ringland.severity.fit import fit_fault
    from ringland.severity.measured import measured_channels

    again = fit_fault(measured_channels(changed), prepared.cycles).estimate
    assert again.value == pytest.approx(prepared.estimate.value, rel=0.03)  # the gain has a prior


def test_unknown_geometry_widens_the_interval(analysis: Analysis, prepared: WhatIf) -> None:
    untold = replace(analysis, engine=replace(analysis.engine, geometry=None))
    fit = fit_severity(untold, cause("ring_leak", 2, "mm2"))
    assert ENGINE.firing_order[1] == CYLINDER
    known = prepared.estimate
    assert fit.estimate.known
    assert fit.estimate.high is not None
    assert fit.estimate.low is not None
    assert known.high is not None
    assert known.low is not None
    assert fit.estimate.high / fit.estimate.low > known.high / known.low
    assert any("not described" in note for note in fit.notes)
    assert fit.overlays
    assert within(fit.estimate, LEAK_MM2)


def test_the_simulated_cycle_at_the_fitted_severity_explains_the_measured_one(
    prepared: WhatIf,
) -> None:
    best = prepared.estimate.value
    assert best is not None
    for shown in what_if(prepared, best):
        left = np.mean((shown.measured - shown.simulated) ** 2)
        assert left < 0.15 * np.mean(shown.measured**2), shown.channel
        assert (shown.simulated_low <= shown.simulated).all()
        assert (shown.measured_low <= shown.measured_high).all()


def test_a_slider_is_answered_in_time(prepared: WhatIf) -> None:
    what_if_cycles(prepared, 1.0)
    started = time.process_time()
    for severity in (0.0, 2.0, 5.0, 9.0):
        curves = what_if_cycles(prepared, severity)
    assert (time.process_time() - started) / 4 < 0.150
    assert set(curves) == {"exhaust", "crankcase"}
    assert all(np.isfinite(c).all() and len(c) == 360 for c in curves.values())


def test_more_leak_moves_the_curve_further_from_sound(prepared: WhatIf) -> None:
    sound = np.array(what_if_cycles(prepared, 0.0)["crankcase"])
    moved = [
        float(np.std(np.array(what_if_cycles(prepared, s)["crankcase"]) - sound))
        for s in (0.5, 2.0, 5.0, 10.0)
    ]
    assert moved == sorted(moved)


def test_with_severity_fills_the_leading_cause_and_says_so(analysis: Analysis) -> None:
    leading = cause("ring_leak", 2, "mm2")
    other = replace(cause("inlet_valve_leak", 4, "mm2"), probability=0.1)
    told = replace(
        analysis, diagnosis=Diagnosis((leading, other), healthy=0.05, none_of_these=0.05)
    )
    done = with_severity(told)
    assert done.diagnosis is not None
    assert within(done.diagnosis.causes[0].severity, LEAK_MM2)
    assert done.diagnosis.causes[1] is other
    assert done.provenance.steps[-1].name == "severity.with_severity"
    assert told.diagnosis is not None
    assert not told.diagnosis.causes[0].severity.known


def test_misfires_are_counted_not_fitted(analysis: Analysis) -> None:
    assert analysis.cylinders is not None
    count = next(m for m in analysis.cylinders.misfires if m.firing_position == 2)
    fit = fit_severity(analysis, cause("ignition_misfire", 2, "1"))
    assert fit.estimate == count.rate
    assert fit.method == "counted"


@pytest.mark.parametrize(
    ("mode", "position", "said"),
    [
        ("gasket_to_coolant", 2, "no simulation"),
        ("ring_leak", None, "place"),
    ],
)
def test_what_cannot_be_fitted_says_why(
    analysis: Analysis, mode: str, position: int | None, said: str
) -> None:
    fit = fit_severity(analysis, cause(mode, position, "mm2"))
    assert not fit.estimate.known
    assert said in (fit.estimate.reason or "")
    assert fit.overlays == ()


def test_cranking_is_not_fitted(analysis: Analysis) -> None:
    recording = analysis.recording.with_condition(Condition.CRANKING)
    fit = fit_severity(replace(analysis, recording=recording), cause("ring_leak", 2, "mm2"))
    assert "cranking" in (fit.estimate.reason or "")


def test_a_recording_without_cycles_is_refused() -> None:
    empty = analyse(Recording(channels=()), ENGINE)
    with pytest.raises(UnusableRecording):
        prepare_what_if(empty, Fault("ring_leak", (1,), 2.0))
    assert not fit_severity(empty, cause("ring_leak", 2, "mm2")).estimate.known


def test_a_cylinder_that_is_not_there_is_refused(analysis: Analysis) -> None:
    with pytest.raises(SettingError, match="no cylinder"):
        prepare_what_if(analysis, Fault("ring_leak", (9,), 2.0))


def test_progress_rises_to_one_and_may_stop_the_work(analysis: Analysis) -> None:
    class StoppedError(Exception):
        pass

    seen: list[float] = []

    def stop(done: float) -> None:
        seen.append(done)
        if done > 0.1:
            raise StoppedError

    with pytest.raises(StoppedError):
        prepare_what_if(analysis, Fault("ring_leak", (1,), 2.0), progress=stop)
    assert seen == sorted(seen)
    assert seen[-1] < 0.2
