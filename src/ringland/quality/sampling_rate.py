"""Is the recording fast enough for the speed and the number of cylinders."""

from ringland.model import ChannelRole, QualityFinding, Verdict
from ringland.quality._facts import RATE_RANGE_HZ
from ringland.quality._types import Limit, RecordingFacts, Subject, exact, not_checked

__all__ = ["LIMITS", "check"]

NYQUIST = Limit(
    2.0, "1", "samples per firing below which the firing line itself is folded", "shannon1949"
)
HARMONICS = Limit(12.8, "1", "samples per firing that show five multiples of it (2.56 x 5)")
LIMITS = (NYQUIST, HARMONICS)


def check(subject: Subject) -> QualityFinding:
    """Samples per firing."""
    facts = subject.facts
    assert facts is not None
    rate = facts.channel.rate_hz
    if not facts.rate_ok:
        return subject.finding(
            Verdict.UNUSABLE,
            f"A sampling rate of {rate:g} per second cannot be right.",
            action=f"State the true rate, between {RATE_RANGE_HZ[0]:g} and {RATE_RANGE_HZ[1]:g} "
            "samples per second.",
        )
    firing_hz = _firing_hz(subject)
    if firing_hz is None or not firing_hz > 0.0:
        return not_checked(subject, "neither the speed nor a pulse rate is known yet")
    measured = exact(rate / firing_hz, "1")
    if rate < NYQUIST.value * firing_hz:
        verdict, message = Verdict.UNUSABLE, "fewer than two samples per firing"
    elif rate < HARMONICS.value * firing_hz:
        verdict, message = Verdict.SUSPECT, "too few samples per firing to see the pulse's shape"
    else:
        return subject.finding(
            Verdict.OK,
            f"{rate / firing_hz:.0f} samples per firing.",
            measured=measured,
            limit=HARMONICS.value,
        )
    return subject.finding(
        verdict,
        f"Recorded too slowly: {message} ({rate / firing_hz:.3g}).",
        action=f"Record at {10 * HARMONICS.value * firing_hz:.2g} samples per second or more.",
        measured=measured,
        limit=HARMONICS.value,
    )


def _firing_hz(subject: Subject) -> float | None:
    recording: RecordingFacts = subject.recording
    cycle_hz = recording.cycle_rate_hz
    if cycle_hz is not None and recording.engine is not None:
        return cycle_hz * recording.engine.cylinders
    facts = subject.facts
    if facts is None or facts.periodic is None or subject.role is ChannelRole.UNASSIGNED:
        return None
    return facts.periodic.rate_hz
