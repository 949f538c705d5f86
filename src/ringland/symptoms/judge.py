"""From metric values to states."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringland.model import (
    COMPRESSION_METRICS,
    CaseEvidence,
    Estimate,
    MetricDefinition,
    MetricTable,
    MetricValue,
    State,
    Symptom,
    SymptomTable,
)
from ringland.symptoms.aftermath import without_aftermath
from ringland.symptoms.own_cylinders import FEWEST_COMPARED, Deviation, deviations
from ringland.symptoms.simulated import (
    SIMULATED_ALARM_RATE,
    SIMULATED_ALERT_RATE,
    simulated_symptoms,
)
from ringland.symptoms.witness import with_witness
from ringland.units import percent

__all__ = ["ALARM_RATE", "ALERT_RATE", "judge_symptoms"]

ALARM_RATE = 0.005
"""Probability that a sound engine shows any alarm in the whole table."""

ALERT_RATE = 0.05
"""Probability that a sound engine shows any alert or alarm in the whole table."""

_LIMIT_METRICS = ("exhaust_misfire_rate",)
# These follow other metrics or say little by themselves: they may raise an alert, not an alarm.
_ALERT_AT_MOST = ("exhaust_suction", "exhaust_cycle_scatter", "crankcase_pull")


def judge_symptoms(
    metrics: MetricTable, cases: CaseEvidence | None = None, *, not_running: str = ""
) -> SymptomTable:
    """State of every metric of every firing position, and of every position held against simulated
    engines where there are `cases`. `not_running`: why nothing but compressions is judged,
    where the starter turned the engine."""
    cells: list[tuple[MetricDefinition, Deviation]] = []
    symptoms: list[Symptom] = []
    for definition in metrics.definitions:
        for channel in dict.fromkeys(v.channel for v in metrics.of_metric(definition.id)):
            values = tuple(v for v in metrics.of_metric(definition.id) if v.channel == channel)
            if not_running and definition.id not in COMPRESSION_METRICS:
                symptoms.extend(_not_judged(definition, v, 0, not_running) for v in values)
                continue
            if definition.id in _LIMIT_METRICS:
                symptoms.extend(_against_limit(definition, value) for value in values)
                continue
            found = deviations(definition, values)
            cells.extend((definition, deviation) for deviation in found)
            judged = {id(d.value) for d in found}
            symptoms.extend(
                _not_judged(definition, value, len(values))
                for value in values
                if id(value) not in judged
            )
    symptoms.extend(_holm(cells))
    symptoms = list(_without_crowds(symptoms))
    alarm_rate, alert_rate = ALARM_RATE, ALERT_RATE
    if cases is not None:
        symptoms.extend(simulated_symptoms(cases))
        alarm_rate += SIMULATED_ALARM_RATE
        alert_rate += SIMULATED_ALERT_RATE
    symptoms = list(with_witness(symptoms))
    channel_of = {(v.metric, v.firing_position): v.channel for v in metrics.values}
    return SymptomTable(without_aftermath(symptoms, channel_of), alarm_rate, alert_rate)


def _without_crowds(symptoms: list[Symptom]) -> tuple[Symptom, ...]:
    """Where many cylinders deviate alike, none is condemned by comparison with the others.

    Two banks of unequal pipe length look like that on a sound engine.
    """
    alarms: dict[str, int] = {}
    cells: dict[str, int] = {}
    for symptom in symptoms:
        if symptom.compared_with == "own cylinders" and symptom.state is not State.NOT_JUDGED:
            cells[symptom.metric] = cells.get(symptom.metric, 0) + 1
            alarms[symptom.metric] = alarms.get(symptom.metric, 0) + (symptom.state is State.ALARM)
    crowded = {m for m, n in alarms.items() if n > max(1.0, cells[m] / 3.0)}
    return tuple(
        replace(
            s,
            state=State.ALERT,
            reason="so many cylinders differ that they cannot be judged against one another; "
            "banks or pipes of unequal length do this on a sound engine",
        )
        if s.metric in crowded and s.state is State.ALARM and s.compared_with == "own cylinders"
        else s
        for s in symptoms
    )


def _holm(cells: list[tuple[MetricDefinition, Deviation]]) -> list[Symptom]:
    """States by Holm's step-down procedure, and by size.

    Alerts over all cells; alarms over the cells of metrics that may raise one.
    """
    everywhere = _stepped_down([d.p_value for _, d in cells])
    leading = [i for i, (definition, _) in enumerate(cells) if definition.id not in _ALERT_AT_MOST]
    alarming = np.ones(len(cells))
    alarming[leading] = _stepped_down([cells[i][1].p_value for i in leading])
    return [
        _symptom(definition, deviation, float(alarm_p), float(alert_p))
        for (definition, deviation), alarm_p, alert_p in zip(
            cells, alarming, everywhere, strict=True
        )
    ]


def _stepped_down(p_values: list[float]) -> NDArray[np.float64]:
    """Holm-adjusted p-values."""
    count = len(p_values)
    adjusted = np.ones(count)
    running = 0.0
    for rank, index in enumerate(np.argsort(p_values, kind="stable")):
        running = max(running, min(1.0, (count - rank) * p_values[index]))
        adjusted[index] = running
    return adjusted


def _symptom(
    definition: MetricDefinition, found: Deviation, alarm_p: float, alert_p: float
) -> Symptom:
    # an alarm must be large for certain: its lower end still beyond the alert limit
    surely = found.towards - 1.645 * found.towards_error
    if (
        alarm_p < ALARM_RATE
        and found.towards >= definition.alarm_deviation
        and surely >= definition.alert_deviation
    ):
        state = State.ALARM
    elif alert_p < ALERT_RATE and found.towards >= definition.alert_deviation:
        state = State.ALERT
    else:
        state = State.NORMAL
    return Symptom(
        definition.id,
        found.value.firing_position,
        state,
        found.deviation,
        definition.alert_deviation,
        definition.alarm_deviation,
        found.p_value,
        "own cylinders",
        _sentence(definition, found, state),
    )


def _sentence(definition: MetricDefinition, found: Deviation, state: State) -> str:
    position = found.value.firing_position
    value = found.deviation.value or 0.0
    side = "above" if value > 0 else "below"
    size = percent(abs(value)) if definition.unit == "1" else f"{abs(value):.1f} {definition.unit}"
    if state is State.NORMAL:
        return f"Position {position}: {definition.title.lower()} is like the others."
    return f"Position {position}: {definition.title.lower()} is {size} {side} the others."


def _against_limit(definition: MetricDefinition, value: MetricValue) -> Symptom:
    """A rate held against a limit of its own: certain when its interval lies beyond it."""
    estimate = value.estimate
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return _not_judged(definition, value, 0)
    state = State.NORMAL
    if estimate.low > definition.alarm_deviation:
        state = State.ALARM
    elif estimate.low > definition.alert_deviation:
        state = State.ALERT
    sentence = (
        f"Position {value.firing_position}: no missing pulse was counted."
        if estimate.value == 0.0
        else f"Position {value.firing_position}: the pulse is missing in "
        f"{percent(estimate.value)} of cycles "
        f"({percent(estimate.low)} to {percent(estimate.high)})."
    )
    return Symptom(
        definition.id,
        value.firing_position,
        state,
        estimate,
        definition.alert_deviation,
        definition.alarm_deviation,
        None,
        "limit",
        sentence,
    )


def _not_judged(
    definition: MetricDefinition, value: MetricValue, cells: int, why: str = ""
) -> Symptom:
    reason = (
        value.estimate.reason
        or why
        or (
            "there is no other cylinder on this channel to compare with"
            if cells < FEWEST_COMPARED
            else "no value"
        )
    )
    return Symptom(
        definition.id,
        value.firing_position,
        State.NOT_JUDGED,
        Estimate(None, None, None, definition.unit, reason=reason),
        definition.alert_deviation,
        definition.alarm_deviation,
        None,
        "own cylinders",
        f"Position {value.firing_position}: {definition.title.lower()} not judged, because "
        f"{reason}.",
        reason,
    )
