"""Hum from the mains at 50 or 60 Hz and its multiples."""

from ringland.model import Estimate, QualityFinding, Verdict
from ringland.quality._hum import (
    ABOVE_FLOOR,
    ENGINE_NEAR,
    LEAST_DURATION,
    SHARE_SUSPECT,
    STEADY,
    line_amplitude,
)
from ringland.quality._types import (
    ChannelFacts,
    Hum,
    Limit,
    Subject,
    exact,
    not_checked,
    with_unit,
)

__all__ = ["LIMITS", "check", "line_amplitude"]

SHARE_UNUSABLE = Limit(2.0, "1", "hum over everything else beyond which pulses drown")
HANN_WIDTH = Limit(2.0, "1", "half width of a line in bins with the window used", "harris1978")
LIMITS = (
    STEADY,
    SHARE_SUSPECT,
    SHARE_UNUSABLE,
    LEAST_DURATION,
    ABOVE_FLOOR,
    HANN_WIDTH,
    ENGINE_NEAR,
)


def check(subject: Subject) -> QualityFinding:
    """RMS of the lines at multiples of the mains over the RMS of the rest."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    hum = facts.hum
    if hum is None:
        return not_checked(subject, "the recording is too short or too slow to tell hum")
    share, limit = hum.share, SHARE_SUSPECT.value
    if share <= limit:
        return subject.finding(
            Verdict.OK, "No mains hum to speak of.", measured=exact(share, "1"), limit=limit
        )
    measured = Estimate(share, 0.95 * share, 1.05 * share, "1")
    if _engine_line_there(subject, facts, hum):
        return subject.finding(
            Verdict.NOT_CHECKED,
            f"Not checked: the line at {hum.mains_hz:.0f} Hz may be mains hum or the engine "
            "itself, which has a line there at this speed.",
            action="If in doubt, change the engine speed by a tenth and record again: hum stays "
            "where it is.",
            measured=measured,
            limit=limit,
        )
    return subject.finding(
        Verdict.UNUSABLE if share > SHARE_UNUSABLE.value else Verdict.SUSPECT,
        f"Mains hum at {hum.mains_hz:.0f} Hz, amplitude "
        f"{with_unit(hum.amplitude, facts.channel.unit)}.",
        action="Run the laptop and recorder from their batteries, keep the cable away from mains "
        "leads and lamps, check the screen of the cable.",
        measured=measured,
        limit=limit,
    )


def _engine_line_there(subject: Subject, facts: ChannelFacts, hum: Hum) -> bool:
    """True when the strongest line is where the rest of the signal has a line, or may have one."""
    rest = hum.rest
    if hum.wanders or rest is None or not rest.found:
        return True  # nothing else repeats, so it may well be the engine
    weak = rest.correlation < 0.5
    if not weak and hum.rest_wanders:
        return False  # the engine's own lines are smeared and this one is not
    whole = facts.periodic
    if whole is not None and weak and _is_multiple(hum.line_hz, whole.rate_hz, facts):
        return True
    rates = [rest.rate_hz]
    cycle_hz = subject.recording.cycle_rate_hz
    if cycle_hz is not None:
        rates.append(cycle_hz)
    if any(_is_multiple(hum.line_hz, rate, facts) for rate in rates):
        return True
    unknown = () if cycle_hz is not None else (2, 3, 4)
    return any(_is_multiple(hum.line_hz, rest.rate_hz / n, facts, near=0.005) for n in unknown)


def _is_multiple(
    line_hz: float, rate_hz: float, facts: ChannelFacts, near: float = ENGINE_NEAR.value
) -> bool:
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    off = abs(line_hz - round(line_hz / rate_hz) * rate_hz)
    return off < max(2.0 * bin_hz, near * line_hz)
