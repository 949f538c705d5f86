"""Hum from the mains at 50 or 60 Hz and its multiples."""

import math
from dataclasses import dataclass

import numpy as np

from ringland.model import Estimate, QualityFinding, Verdict
from ringland.quality._repetition import find_repetition
from ringland.quality._types import (
    ChannelFacts,
    FloatArray,
    Limit,
    Subject,
    exact,
    not_checked,
    with_unit,
)

__all__ = ["LIMITS", "check", "line_amplitude"]

SHARE_SUSPECT = Limit(0.1, "1", "hum over everything else, both RMS")
SHARE_UNUSABLE = Limit(2.0, "1", "hum over everything else beyond which pulses drown")
LEAST_DURATION = Limit(1.0, "s", "shortest recording in which the line can be told")
ABOVE_FLOOR = Limit(6.0, "1", "line over the median of its surroundings to count as a line")
HANN_WIDTH = Limit(2.0, "1", "half width of a line in bins with the window used", "harris1978")
ENGINE_NEAR = Limit(0.025, "1", "an engine line this near, as a share of its frequency, may be it")
STEADY = Limit(0.05, "1", "power beside the line over power in it, beyond which it wanders")
LIMITS = (
    STEADY,
    SHARE_SUSPECT,
    SHARE_UNUSABLE,
    LEAST_DURATION,
    ABOVE_FLOOR,
    HANN_WIDTH,
    ENGINE_NEAR,
)
_MAINS_HZ = (50.0, 60.0)
_MULTIPLES = (1, 2, 3, 4, 5)
_MAINS_TOLERANCE = 0.01


@dataclass(frozen=True)
class _Line:
    frequency_hz: float
    amplitude: float


def line_amplitude(
    amplitude: FloatArray, bin_hz: float, target_hz: float, tolerance_hz: float
) -> _Line | None:
    """The line nearest in strength to a target, None when nothing stands out there.

    Between bins the Hann window's own shape is used: with a the ratio of the larger neighbour to
    the peak, the offset is (2 a - 1) / (1 + a) bins and the amplitude the peak times
    pi d (1 - d^2) / sin(pi d). Source: Harris, Proc. IEEE 66 (1978) 51.
    """
    low = math.floor((target_hz - tolerance_hz) / bin_hz)
    high = math.ceil((target_hz + tolerance_hz) / bin_hz)
    if low < 2 or high + 2 >= amplitude.size:
        return None
    k = low + int(np.argmax(amplitude[low : high + 1]))
    peak, before, after = (float(amplitude[i]) for i in (k, k - 1, k + 1))
    if not peak > max(before, after):
        return None
    around = np.r_[amplitude[max(1, k - 12) : k - 2], amplitude[k + 3 : k + 13]]
    if around.size and peak < ABOVE_FLOOR.value * float(np.median(around)):
        return None
    side, sign = (after, 1.0) if after >= before else (before, -1.0)
    a = side / peak
    d = min(0.5, max(0.0, (2.0 * a - 1.0) / (1.0 + a)))
    gain = 1.0 if d < 1e-6 else math.pi * d * (1.0 - d * d) / math.sin(math.pi * d)
    line_hz = (k + sign * d) * bin_hz
    if abs(line_hz - target_hz) > tolerance_hz:
        return None
    return _Line(line_hz, peak * gain)


def check(subject: Subject) -> QualityFinding:
    """RMS of the lines at multiples of the mains over the RMS of the rest."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    if facts.duration_s < LEAST_DURATION.value or facts.slow_rate_hz < 130.0:
        return not_checked(subject, "the recording is too short or too slow to tell hum")
    worst_hz, worst, lines = 0.0, 0.0, []
    for mains_hz in _MAINS_HZ:
        found = _lines(facts, mains_hz)
        size = math.sqrt(sum(0.5 * line.amplitude**2 for line in found))
        if size > worst:
            worst_hz, worst, lines = mains_hz, size, found
    total = float(np.sqrt(np.mean(np.square(facts.scan.slow - facts.scan.slow.mean()))))
    rest = math.sqrt(max(total * total - worst * worst, 0.0))
    share = worst / max(rest, 1e-9 * worst, 1e-300)
    first = next((line for line in lines if abs(line.frequency_hz - worst_hz) < 1.0), None)
    if share <= SHARE_SUSPECT.value:
        return subject.finding(
            Verdict.OK,
            "No mains hum to speak of.",
            measured=exact(share, "1"),
            limit=SHARE_SUSPECT.value,
        )
    measured = Estimate(share, 0.95 * share, 1.05 * share, "1")
    if _engine_line_there(subject, lines):
        return subject.finding(
            Verdict.NOT_CHECKED,
            f"Not checked: the line at {worst_hz:.0f} Hz may be mains hum or the engine itself, "
            "which has a line there at this speed.",
            action="If in doubt, change the engine speed by a tenth and record again: hum stays "
            "where it is.",
            measured=measured,
            limit=SHARE_SUSPECT.value,
        )
    size = first.amplitude if first is not None else worst * math.sqrt(2.0)
    return subject.finding(
        Verdict.UNUSABLE if share > SHARE_UNUSABLE.value else Verdict.SUSPECT,
        f"Mains hum at {worst_hz:.0f} Hz, amplitude {with_unit(size, facts.channel.unit)}.",
        action="Run the laptop and recorder from their batteries, keep the cable away from mains "
        "leads and lamps, check the screen of the cable.",
        measured=measured,
        limit=SHARE_SUSPECT.value,
    )


def _lines(facts: ChannelFacts, mains_hz: float) -> list[_Line]:
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    found = []
    for multiple in _MULTIPLES:
        target = multiple * mains_hz
        line = line_amplitude(
            facts.line_amplitude, bin_hz, target, max(_MAINS_TOLERANCE * target, 0.5 * bin_hz)
        )
        if line is not None:
            found.append(line)
        elif multiple == 1:
            return []  # hum without its first line is too rare to be worth false alarms
    return found


def _without(facts: ChannelFacts, lines: list[_Line]) -> FloatArray:
    """The slow copy, swing 1, with the lines taken out by least squares."""
    rest = (facts.scan.slow - facts.scan.slow.mean()) / facts.scan.swing
    w = 2.0 * np.pi / facts.slow_rate_hz * np.arange(rest.size)
    for line in lines:
        turn = np.exp(1j * w * line.frequency_hz)
        rest = rest - 2.0 * np.real(np.mean(rest * np.conj(turn)) * turn)
    return np.asarray(rest, dtype=np.float64)


def _restless(facts: ChannelFacts, line: _Line) -> float:
    """Power just beside a line over that in it; an engine's line wanders, the mains do not."""
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    power = np.square(facts.line_amplitude)
    off = np.abs(facts.frequency_hz - line.frequency_hz)
    inside = off <= max(2.5 * bin_hz, 0.1)
    beside = ~inside & (off <= max(8.0 * bin_hz, ENGINE_NEAR.value * line.frequency_hz))
    around = off <= max(30.0 * bin_hz, 0.1 * line.frequency_hz)
    floor = float(np.median(power[around])) / 0.693
    excess = float(power[beside].sum()) - floor * int(beside.sum())
    return max(0.0, excess) / max(float(power[inside].sum()), 1e-300)


def _engine_line_there(subject: Subject, lines: list[_Line]) -> bool:
    """True when the strongest line is where the rest of the signal has a line, or may have one."""
    facts = subject.facts
    assert facts is not None
    strongest = max(lines, key=lambda line: line.amplitude)
    if _restless(facts, strongest) > STEADY.value:
        return True
    rest = find_repetition(_without(facts, lines), facts.slow_rate_hz)
    if rest is None or not rest.found:
        return True  # nothing else repeats, so it may well be the engine
    if rest.correlation >= 0.5 and _own_line_wanders(facts, rest.rate_hz, lines):
        return False  # the engine's own lines are smeared and this one is not
    line_hz = strongest.frequency_hz
    whole = facts.periodic
    weak = rest.correlation < 0.5
    if whole is not None and weak and _is_multiple(line_hz, whole.rate_hz, facts):
        return True
    rates = [rest.rate_hz]
    cycle_hz = subject.recording.cycle_rate_hz
    if cycle_hz is not None:
        rates.append(cycle_hz)
    if any(_is_multiple(line_hz, rate, facts) for rate in rates):
        return True
    unknown = () if cycle_hz is not None else (2, 3, 4)
    return any(_is_multiple(line_hz, rest.rate_hz / n, facts, near=0.005) for n in unknown)


def _own_line_wanders(facts: ChannelFacts, rate_hz: float, lines: list[_Line]) -> bool:
    """True when the strongest of the first multiples of the rate, away from hum, is smeared."""
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    best: _Line | None = None
    for multiple in range(1, 7):
        target = multiple * rate_hz
        if any(abs(target - line.frequency_hz) < 0.06 * target for line in lines):
            continue
        near = np.abs(facts.frequency_hz - target) <= max(2.0 * bin_hz, 0.01 * target)
        if near.any():
            k = int(np.flatnonzero(near)[np.argmax(facts.line_amplitude[near])])
            line = _Line(k * bin_hz, float(facts.line_amplitude[k]))
            if best is None or line.amplitude > best.amplitude:
                best = line
    strongest = max(lines, key=lambda line: line.amplitude)
    if best is None or best.frequency_hz > 1.5 * strongest.frequency_hz:
        return False  # higher lines are smeared more: no fair comparison
    return _restless(facts, best) > 4.0 * STEADY.value


def _is_multiple(
    line_hz: float, rate_hz: float, facts: ChannelFacts, near: float = ENGINE_NEAR.value
) -> bool:
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    off = abs(line_hz - round(line_hz / rate_hz) * rate_hz)
    return off < max(2.0 * bin_hz, near * line_hz)
