"""Each cylinder against simulated engines: is its part of the pulses that of a sound one?

See docs/theory/symptoms.md, section 2.
"""

from math import isfinite

from ringland.model import CaseEvidence, Estimate, State, Symptom

__all__ = [
    "AGAINST_SIMULATED",
    "SIMULATED_ALARM_RATE",
    "SIMULATED_ALERT_RATE",
    "simulated_symptoms",
]

AGAINST_SIMULATED = "against_simulated_engines"
"""Stands in a symptom where the others have a metric."""

SIMULATED_ALARM_RATE, SIMULATED_ALERT_RATE = 0.005, 0.05
"""How often the worst cylinder of a sound engine is in alarm, in alert or alarm, on these alone."""


def simulated_symptoms(cases: CaseEvidence) -> tuple[Symptom, ...]:
    """One symptom for every firing position."""
    alert, alarm = cases.limits
    found = []
    for position, bits in enumerate(cases.faulty, start=1):
        state, sentence = _judged(position, bits, alert, alarm, cases.by_crank_alone)
        if cases.against and state in (State.ALERT, State.ALARM):
            sentence += f" Held against {cases.against}, when this engine passed for sound."
        found.append(
            Symptom(
                AGAINST_SIMULATED,
                position,
                state,
                bits,
                alert,
                alarm if isfinite(alarm) else None,
                None,
                "simulated engines",
                sentence,
                bits.reason or "",
            )
        )
    return tuple(found)


def _judged(
    position: int, bits: Estimate, alert: float, alarm: float, by_crank: bool
) -> tuple[State, str]:
    """`by_crank`: nothing but the crank's speed was judged."""
    if bits.value is None or bits.low is None:
        return State.NOT_JUDGED, f"Position {position}: not judged, because {bits.reason}."
    if bits.value <= alert and by_crank:
        return (
            State.NORMAL,
            f"Position {position}: it drives the crank like a cylinder of sound simulated engines.",
        )
    if bits.value <= alert:
        return (
            State.NORMAL,
            f"Position {position}: its pulses are like those of sound simulated engines.",
        )
    state = State.ALARM if bits.low > alarm else State.ALERT
    often = 2.0 ** min(bits.value, 20.0)
    shown = f"{float(f'{often:.2g}'):g}"  # 1.5, 12, 340
    more = "more than a million" if bits.value >= 20.0 else f"about {shown}"
    if by_crank:
        return state, (
            f"Position {position}: what it does to the crank is {more} times likelier from a "
            "faulty cylinder than from a sound one (simulated engines)."
        )
    return state, (
        f"Position {position}: its pulses are {more} times likelier from a faulty cylinder than "
        "from a sound one (simulated engines)."
    )
