"""Faults: the text form, the limits, and what each changes."""

import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.errors import SettingError
from ringland.model import EngineSpec
from ringland.simulator import layout
from ringland.simulator.faults import FAULT_KINDS, Fault, Scope, apply_faults, parse_fault
from ringland.simulator.parameters import (
    CylinderParameters,
    EngineParameters,
    SimulatedEngine,
    simulated_engine,
)
from ringland.simulator.run import simulate

FOUR = simulated_engine(EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0)))


def example(kind: str, severity: float | None = None) -> Fault:
    declared = FAULT_KINDS[kind]
    cylinders = {Scope.CYLINDER: (2,), Scope.PAIR: (2, 3), Scope.ENGINE: ()}[declared.scope]
    middle = math.sqrt(max(declared.least, 1e-3) * declared.most)
    return Fault(kind, cylinders, middle if severity is None else severity)


def test_columns_of_the_arrays_are_the_fields_in_order() -> None:
    for number, field in enumerate(fields(CylinderParameters)):
        assert getattr(layout, field.name.upper()) == number, field.name
    for number, field in enumerate(fields(EngineParameters)):
        assert getattr(layout, field.name.upper()) == number, field.name


def test_every_promised_failure_mode_is_there() -> None:
    assert {
        "misfire", "weak_burn", "late_burn", "rich", "lean", "injector_dribble", "ring_leak",
        "stuck_ring", "scored_bore", "exhaust_valve_leak", "inlet_valve_leak",
        "worn_exhaust_lobe", "worn_inlet_lobe", "broken_exhaust_spring", "broken_inlet_spring",
        "valve_timing_shift", "neighbour_leak", "low_compression", "crankcase_vent_blocked",
        "crankcase_vent_leak", "exhaust_restriction", "exhaust_leak", "intake_leak_cylinder",
        "intake_leak_plenum",
    } <= set(FAULT_KINDS)  # fmt: skip


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_fault_changes_the_engine_and_nothing_but_its_own_cylinders(kind: str) -> None:
    faulty = apply_faults(FOUR, (example(kind),))
    assert faulty != FOUR
    scope = FAULT_KINDS[kind].scope
    untouched = [1, 3, 4] if scope == Scope.CYLINDER else []
    for number in untouched:
        assert faulty.cylinders[number - 1] == FOUR.cylinders[number - 1]
    if scope == Scope.CYLINDER:
        assert faulty.engine == FOUR.engine


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_engine_runs_with_every_fault_at_its_worst(kind: str) -> None:
    worst = example(kind, FAULT_KINDS[kind].most)
    result = simulate(FOUR, seconds=0.3, settle_s=0.7, faults=(worst,))
    for values in (
        result.speed_rpm,
        result.exhaust_flow_kg_s,
        result.crankcase_pressure_pa,
        result.plenum_pressure_pa,
        result.exhaust_temperature_k,
    ):
        assert np.isfinite(values).all()
    assert (result.plenum_pressure_pa > 5e3).all()
    assert result.faults[0].failure_mode == kind


@pytest.mark.parametrize(
    ("text", "kind", "cylinders", "severity", "window"),
    [
        ("ring_leak:3:4mm2", "ring_leak", (3,), 4.0, (0.0, math.inf)),
        ("misfire:1,4:20%", "misfire", (1, 4), 0.2, (0.0, math.inf)),
        ("misfire:2:1@1.5-3s", "misfire", (2,), 1.0, (1.5, 3.0)),
        ("neighbour_leak:2+3:4mm2", "neighbour_leak", (2, 3), 4.0, (0.0, math.inf)),
        ("exhaust_restriction:0.9", "exhaust_restriction", (), 0.9, (0.0, math.inf)),
        ("valve_timing_shift:-10deg", "valve_timing_shift", (), -10.0, (0.0, math.inf)),
        ("late_burn:1:12@2-", "late_burn", (1,), 12.0, (2.0, math.inf)),
    ],
)
def test_text_form(
    text: str, kind: str, cylinders: tuple[int, ...], severity: float, window: tuple[float, float]
) -> None:
    fault = parse_fault(text)
    assert (fault.kind, fault.cylinders, fault.severity) == (kind, cylinders, severity)
    assert (fault.onset_s, fault.offset_s) == window
    assert parse_fault(fault.text()) == fault


@given(st.sampled_from(sorted(FAULT_KINDS)), st.floats(0.05, 0.95))
def test_text_round_trip(kind: str, share: float) -> None:
    declared = FAULT_KINDS[kind]
    severity = float(f"{declared.least + share * (declared.most - declared.least):g}")
    fault = example(kind, severity)
    assert parse_fault(fault.text()) == fault


@pytest.mark.parametrize(
    "text",
    ["", "ring", "ring_leak:3", "ring_leak:x:4mm2", "ring_leak:3:4deg", "ring_leak:3:400mm2",
     "misfire:3:200%", "misfire:1:0.5@later", "exhaust_restriction:1:0.9", "ring_leak:3:-1"],
)  # fmt: skip
def test_wrong_text_says_what_is_allowed(text: str) -> None:
    with pytest.raises(SettingError) as error:
        parse_fault(text)
    assert error.value.allowed


@pytest.mark.parametrize(
    "fault",
    [Fault("ring_leak", (7,), 1.0), Fault("ring_leak", (), 1.0), Fault("neighbour_leak", (2,), 1.0),
     Fault("no_such_thing", (1,), 1.0)],
)  # fmt: skip
def test_fault_that_does_not_fit_the_engine(fault: Fault) -> None:
    with pytest.raises(SettingError):
        apply_faults(FOUR, (fault,))


def test_several_faults_add() -> None:
    both = apply_faults(FOUR, (parse_fault("ring_leak:2:1mm2"), parse_fault("ring_leak:2:2mm2")))
    assert both.cylinders[1].ring_leak_m2 == pytest.approx(3e-6)
    assert isinstance(both, SimulatedEngine)
