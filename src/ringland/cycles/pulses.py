"""Find the engine cycle from the pulses alone."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ringland.cycles.comb import Ridge, candidate_ridges
from ringland.cycles.octave import LineSpectrum, cycle_log_evidence, line_spectrum
from ringland.cycles.track import PhaseTrack, track_phase
from ringland.model import ChannelRole, Condition, EngineSpec, Recording
from ringland.signals import block_decimate, detrend_line, fill_gaps, running_mean

__all__ = [
    "SPEED_RANGE_RPM",
    "PreparedChannels",
    "PulseCycle",
    "find_pulse_cycle",
    "prepare_channels",
]

FloatArray = NDArray[np.float64]

# Speed each condition allows (low, high) and where it usually is (median, log standard deviation).
# Idle 600-900 and cranking 100-300 rpm: common practice, no source; the ranges are wider.
SPEED_RANGE_RPM: dict[Condition, tuple[float, float, float, float]] = {
    Condition.IDLE: (350.0, 1700.0, 780.0, 0.28),
    Condition.HELD: (700.0, 6500.0, 1800.0, 0.55),
    Condition.CRANKING: (60.0, 480.0, 210.0, 0.35),
    Condition.SNAP: (350.0, 7000.0, 1600.0, 0.6),
    Condition.UNKNOWN: (60.0, 6500.0, 1200.0, 0.75),
}

_WORK_RATE_HZ = 4000.0
_PULSE_ROLES = (
    ChannelRole.EXHAUST,
    ChannelRole.EXHAUST_2,
    ChannelRole.CRANKCASE,
    ChannelRole.INTAKE,
    ChannelRole.STARTER_CURRENT,
    ChannelRole.SOUND,
    ChannelRole.UNASSIGNED,
)
_RATIOS = tuple(
    sorted(
        {1.0 / k for k in range(1, 17)}
        | {float(k) for k in range(2, 17)}
        | {2 / 3, 3 / 2, 3 / 4, 4 / 3}
    )
)
"""Tracked periods to one firing interval, whatever the engine; also k / N for N cylinders."""
_FEWEST_CYCLES = 2.0
_HINT_LOG_SD = 0.04
_HARMONICS_WEIGHED = 12.0  # lines up to this multiple of the clearest comb decide the octave


@dataclass(frozen=True)
class PulseCycle:
    """The cycle as the pulses tell it: phase in cycles against time (arbitrary zero).

    `angle_se_deg`: standard error of the crank angle. `log_odds`: log evidence over the next best
    speed. `channels`: names of the channels used.
    """

    time_s: FloatArray
    cycle_phase: FloatArray
    angle_se_deg: float
    log_odds: float
    runner_up_rpm: float | None
    channels: tuple[str, ...]

    @property
    def cycle_hz(self) -> float:
        """Mean number of cycles per second."""
        turns = self.cycle_phase[-1] - self.cycle_phase[0]
        return float(turns / (self.time_s[-1] - self.time_s[0]))


def find_pulse_cycle(
    recording: Recording, engine: EngineSpec, *, prepared: "PreparedChannels | str | None" = None
) -> PulseCycle | str:
    """Track the cycle from the pressure channels, or say why that is not possible.

    `prepared`: what `prepare_channels` gave for the same recording, so that it is not done again.
    """
    prepared = prepare_channels(recording, engine) if prepared is None else prepared
    if isinstance(prepared, str):
        return prepared
    rate_hz, patterns = prepared.rate_hz, prepared.patterns
    low, high, middle, spread = SPEED_RANGE_RPM[recording.condition]
    if recording.speed_hint_rpm is not None:
        middle, spread = recording.speed_hint_rpm, _HINT_LOG_SD
        low, high = max(low, middle * 0.75), min(max(high, middle * 1.2), middle * 1.33)
    per_rpm = engine.cylinders / (60.0 * engine.revolutions_per_cycle)
    repeats = min(_repeats(angles, cycle_deg) for angles, cycle_deg in patterns)
    asked = _Asked(
        recording.condition,
        engine.cylinders,
        per_rpm,
        (low * per_rpm * repeats / engine.cylinders, high * per_rpm),
        (low, high),
        (middle, spread),
        len(prepared.signals[0]) / rate_hz / 60.0 / engine.revolutions_per_cycle,
    )
    best, found = _search(prepared, asked)
    if best is None:
        return (
            "no firing rhythm between "
            f"{low:.0f} and {high:.0f} rpm lasts two engine cycles in this recording"
        )
    evidence, track, ratio = best
    runner_up = _runner_up(found, asked.speed_rpm(track.period_hz / ratio))
    if evidence < _FLOOR_EVIDENCE:
        return "the channels hold no regular pulses that stand out of the noise"
    periods_per_cycle = ratio * engine.cylinders
    return PulseCycle(
        track.time_s + prepared.start_s,
        track.phase / periods_per_cycle,
        track.phase_se * engine.cycle_deg / periods_per_cycle,
        evidence - runner_up[0] if runner_up else np.inf,
        runner_up[1] if runner_up else None,
        prepared.names,
    )


@dataclass(frozen=True)
class _Asked:
    """What the search is held to: band of firing frequency, range and prior of speed, and how
    many cycles one rpm makes in the recording."""

    condition: Condition
    cylinders: int
    firing_hz_per_rpm: float
    band_hz: tuple[float, float]
    range_rpm: tuple[float, float]
    prior_rpm: tuple[float, float]
    cycles_per_rpm: float

    def speed_rpm(self, firing_hz: float) -> float:
        """Crank speed at a firing frequency."""
        return firing_hz / self.firing_hz_per_rpm

    def firing_hz(self, speed_rpm: float) -> float:
        """Firing frequency at a crank speed."""
        return speed_rpm * self.firing_hz_per_rpm


_Best = tuple[float, PhaseTrack, float]
"""Evidence, track, and tracked periods to one firing interval."""

_Held = tuple[float, float, _Best]
"""Evidence, speed, and the same evidence with the track."""


def _search(
    prepared: "PreparedChannels", asked: _Asked
) -> tuple[_Best | None, list[tuple[float, float]]]:
    """Best (evidence, track, tracked periods to one firing interval), and (evidence, speed) of all.

    The phase is followed in the first two channels; all prepared channels give evidence.
    """
    rate_hz, tracked = prepared.rate_hz, prepared.signals[:2]
    steady = asked.condition is not Condition.SNAP
    likeliest = _fastest_clear(candidate_ridges(tracked, rate_hz, *asked.band_hz, fine=False))
    if likeliest is not None:
        track = track_phase(tracked, rate_hz, likeliest, asked.cylinders, quick=True)
        if track is not None and _follows_well(track, steady):
            highest_hz = _HARMONICS_WEIGHED * track.period_hz
            held = _weighed([track], prepared, asked, highest_hz, alone=True)
            found = [(evidence, speed) for evidence, speed, _ in held]
            best = max((one[2] for one in held), key=lambda one: one[0], default=None)
            if best is not None and _beyond_doubt(best, found, asked):
                return best, found
    # two channels may pull a track apart that one of them alone would hold
    each = [(signal,) for signal in tracked] if len(tracked) > 1 else []
    tracks = [
        track
        for signals in (tracked, *each)
        for ridge in candidate_ridges(signals, rate_hz, *asked.band_hz)[:_MOST_RIDGES]
        if (track := track_phase(signals, rate_hz, ridge, asked.cylinders)) is not None
        and _runs_smoothly(track, steady)
    ]
    return _weighed_far_enough(_steadiest_first(tracks), prepared, asked)


def _weighed_far_enough(
    tracks: list[PhaseTrack], prepared: "PreparedChannels", asked: _Asked
) -> tuple[_Best | None, list[tuple[float, float]]]:
    """What the lines up to a multiple of the steadiest comb say; where the condition was not said,
    the speed from those up to the same multiple of the fastest firing that is still in question.

    With a bad cylinder the steadiest comb may be the cycle itself. A few of its lines fit an engine
    that turns at a third of the speed as well: only those beyond tell the two apart. Which track
    follows that speed best is still told by the low lines, as high ones fit a track better that has
    slipped by a pulse than one that wavers a little. A slower engine is never made of a faster one:
    high lines that lie between those of the firing may be anything that the engine turns.
    """
    if not tracks:
        return None, []
    highest_hz = _HARMONICS_WEIGHED * tracks[0].period_hz
    held = first = _weighed(tracks, prepared, asked, highest_hz)
    if not held:
        return None, []
    most, speed, likeliest = max(held, key=_evidence)
    for _ in range(_MOST_LOOKS if asked.condition is Condition.UNKNOWN else 0):
        least = most - _IN_QUESTION * abs(most)
        fastest_rpm = max(rpm for evidence, rpm, _ in held if evidence >= least)
        wanted_hz = _HARMONICS_WEIGHED * asked.firing_hz(fastest_rpm)
        if wanted_hz <= _HARDLY_HIGHER * highest_hz:
            break
        highest_hz = wanted_hz
        again = _weighed(tracks, prepared, asked, highest_hz)
        leading = max(again, key=_evidence)
        if math.log(leading[1] / speed) < -_SAME_SPEED:
            break
        held, (most, speed, likeliest) = again, leading
    found = [(evidence, rpm) for evidence, rpm, _ in held]
    alike = [one for one in first if abs(math.log(one[1] / speed)) < _SAME_SPEED]
    _, track, ratio = _steadiest(alike) if alike else likeliest
    return (most, track, ratio), found


def _evidence(one: _Held) -> float:
    return one[0]


def _weighed(
    tracks: list[PhaseTrack],
    prepared: "PreparedChannels",
    asked: _Asked,
    highest_hz: float,
    *,
    alone: bool = False,
) -> list[_Held]:
    """Evidence of every cycle length that the condition allows, on every track, from lines up to
    `highest_hz`.

    `alone`: no track is looked at besides these.
    """
    held: list[_Held] = []
    rate_hz = prepared.rate_hz
    highest_hz = min(0.4 * rate_hz, highest_hz)
    weighed = []
    for track in tracks:
        spectra = tuple(
            line_spectrum(s, rate_hz, track, highest_hz, alone=alone) for s in prepared.signals
        )
        own = [e for e in (_held_against(spectra, track, ratio, prepared, asked)
                           for ratio in _ratios(asked.cylinders)) if e is not None]  # fmt: skip
        weighed.append((track, spectra, own))
    likeliest = [(track, max(own)[2]) for track, _, own in weighed if own]
    for track, spectra, own in weighed:
        # What speaks for one speed on one track is only to be compared with what speaks for others
        # on the same: each is asked about the favourites of the others too.
        for other, ratio in likeliest if len(weighed) > 1 else ():
            times = None if other is track else _times_as_fast(track, other)
            if times is not None:
                more = _held_against(spectra, track, ratio * times, prepared, asked)
                own.extend(() if more is None else (more,))
        held.extend((evidence, speed, (evidence, track, ratio)) for evidence, speed, ratio in own)
    return held


def _steadiest(held: list[_Held]) -> _Best:
    """Of the tracks that speak for the likeliest speed nearly as clearly, the steadiest."""
    most, speed, _ = max(held, key=lambda one: one[0])
    alike = (
        best
        for evidence, other, best in held
        if abs(math.log(other / speed)) < _SAME_SPEED and most - evidence <= _AS_CLEAR * abs(most)
    )
    return min(alike, key=lambda best: _unsteadiness_s(best[1]))


def _held_against(
    spectra: tuple[LineSpectrum, ...],
    track: PhaseTrack,
    ratio: float,
    prepared: "PreparedChannels",
    asked: _Asked,
) -> tuple[float, float, float] | None:
    """(Evidence, speed, ratio) for so many tracked periods to one firing interval; None where the
    condition or the length of the recording does not allow the speed."""
    speed = asked.speed_rpm(track.period_hz / ratio)
    within = asked.range_rpm[0] <= speed <= asked.range_rpm[1]
    if not within or asked.cycles_per_rpm * speed < _FEWEST_CYCLES:
        return None
    evidence = cycle_log_evidence(
        spectra, prepared.patterns, ratio * asked.cylinders, prepared.exhaust_count
    )
    middle, spread = asked.prior_rpm
    evidence -= 0.5 * (math.log(speed / middle) / spread) ** 2
    if asked.condition is Condition.UNKNOWN and speed < _RUNS_FROM_RPM:
        evidence -= _NOT_SAID
    return evidence, speed, ratio


def _times_as_fast(track: PhaseTrack, other: PhaseTrack) -> float | None:
    """Periods of one track to one of the other; None where they do not follow the same rotation."""
    first = max(track.time_s[0], other.time_s[0])
    inside = (other.time_s >= first) & (other.time_s <= track.time_s[-1])
    phase = other.phase[inside]
    if phase.size < 3:
        return None
    own = np.interp(other.time_s[inside], track.time_s, track.phase)
    times, start = np.polyfit(phase, own, 1)
    apart = float(np.std(own - start - times * phase))
    return float(times) if apart < _SAME_ROTATION * max(times, 1.0) else None


@lru_cache(maxsize=16)
def _ratios(cylinders: int) -> tuple[float, ...]:
    """Every ratio worth a look: the comb tracked may be any harmonic of the cycle."""
    parts = {k / cylinders for k in range(1, cylinders)}
    known = np.array(sorted(parts | set(_RATIOS)))
    apart = np.append(True, np.diff(known) > 1e-9)
    return tuple(known[apart].tolist())


def _runner_up(found: list[tuple[float, float]], speed: float) -> tuple[float, float] | None:
    """The best (evidence, speed) at another speed."""
    return max((f for f in found if abs(math.log(f[1] / speed)) > 0.1), default=None)


def _fastest_clear(ridges: tuple[Ridge, ...]) -> Ridge | None:
    """The highest of the clear combs.

    The period of a lower one may hold several pulses, and where these are alike its track can slip
    by one of them unseen.
    """
    clear = (r for r in ridges if r.contrast > _CLEAR_SHARE * ridges[0].contrast)
    return max(clear, key=lambda r: float(r.frequency_hz.mean()), default=None)


def _follows_well(track: PhaseTrack, steady: bool) -> bool:
    """Whether a track is so good that no other start would do better."""
    calm = track.shift_sd < _CALM and track.likeness > _ALIKE
    return calm and _runs_smoothly(track, steady)


def _beyond_doubt(best: _Best, found: list[tuple[float, float]], asked: _Asked) -> bool:
    """Whether the evidence of one good track, its period one firing interval, leaves no need to
    look at the others."""
    evidence, track, ratio = best
    if ratio != 1.0:
        return False
    other = _runner_up(found, asked.speed_rpm(track.period_hz / ratio))
    ahead = np.inf if other is None else evidence - other[0]
    return bool(evidence > _CLEAR_EVIDENCE and ahead > _CLEAR_ODDS)


_CLEAR_SHARE = 0.5  # contrast over that of the best comb from which one is clear
_CALM = 0.05  # scatter of its pulses, in periods, below which a track is calm
_ALIKE = 0.8  # likeness above which its pulses are alike
_CLEAR_EVIDENCE = 30.0
_CLEAR_ODDS = 10.0  # logarithm
_FLOOR_EVIDENCE = 12.0
_QUICKEST_CHANGE = 1.6  # of the firing interval from one firing to the next
_WIDEST_RANGE = 1.57  # slowest over quickest firing interval of a recording, the throttle held
_SAME_ROTATION = 0.1  # periods by which two tracks of one rotation may differ
_MOST_RIDGES = 6
# A running engine with one bad cylinder looks like one that turns N times slower, all of whose
# cylinders are alike; nobody cranks an engine and does not say so, unless it is plainly seen.
_RUNS_FROM_RPM = 400.0
_IN_QUESTION = 0.4  # share of the best evidence that a speed may lack and still be looked at again
_HARDLY_HIGHER = 1.2
_MOST_LOOKS = 4
_NOT_SAID = 15.0  # logarithm
_SAME_SPEED = 0.03  # logarithm
_AS_CLEAR = 0.1  # share of its evidence that a steadier track may lack
_ROUNDING = 1e-11  # what is left of a straight line after it was taken out, over its height
_SAME_GAP_DEG = 8.0  # gaps that differ by less look even
_LIKE_THE_BEST = 0.7  # likeness of pulses, over that of the best track, that the first must have


def _steadiest_first(tracks: list[PhaseTrack]) -> list[PhaseTrack]:
    """The tracks, that one first which has the quietest pulses, alike.

    A track at a fraction of the firing frequency (9/4, say) can be as steady as the right one, with
    a pulse of its own for each of its cylinders; but then its pulses are unlike one another. So are
    those of an engine with a bad cylinder: the evidence decides, and the first track only says up
    to which frequency there is anything to weigh.
    """
    most = max((track.likeness for track in tracks), default=0.0)

    def hardly(track: PhaseTrack) -> tuple[bool, float]:
        return track.likeness <= _LIKE_THE_BEST * most, track.shift_sd / track.period_hz

    return sorted(tracks, key=hardly)


def _lasts_s(track: PhaseTrack) -> FloatArray:
    """Duration of every whole period."""
    whole = np.arange(np.ceil(track.phase[0]), track.phase[-1])
    lasts: FloatArray = np.diff(np.interp(whole, track.phase, track.time_s))
    return lasts


def _unsteadiness_s(track: PhaseTrack) -> float:
    """Scatter of the pulses about a track, and what its periods differ by from one to the next."""
    changes = np.diff(_lasts_s(track))
    bent_s = math.sqrt(float(np.mean(changes**2))) if changes.size else 0.0
    return math.hypot(track.shift_sd / track.period_hz, bent_s)


def _runs_smoothly(track: PhaseTrack, steady: bool) -> bool:
    """Whether neighbouring periods last about alike (and all of them, where the throttle was held):
    an engine has inertia, a lost track leaps."""
    lasts = _lasts_s(track)
    if steady and len(lasts) and lasts.max() > _WIDEST_RANGE * lasts.min():
        return False
    ratio = lasts[1:] / lasts[:-1]
    return bool(np.all((ratio < _QUICKEST_CHANGE) & (ratio > 1.0 / _QUICKEST_CHANGE)))


@dataclass(frozen=True)
class PreparedChannels:
    """Decimated, levelled channels on one clock: `signals` (n,) each at `rate_hz` from `start_s`.

    `patterns`: firing angles each can hear, and the cycle length. The first `exhaust_count` are
    exhaust channels.
    """

    names: tuple[str, ...]
    signals: tuple[FloatArray, ...]
    rate_hz: float
    start_s: float
    patterns: tuple[tuple[FloatArray, float], ...]
    exhaust_count: int


def prepare_channels(recording: Recording, engine: EngineSpec) -> PreparedChannels | str:
    """Decimated, levelled channels on one clock, with the firing angles each can hear."""
    channels = [c for role in _PULSE_ROLES for c in recording.channels if c.role is role]
    channels = [c for c in channels if len(c.samples) >= 16]
    if not channels:
        return "no pressure, current or sound channel to find the cycle from"
    # exhaust channels tell most; others only when there is none
    pulses = [c for c in channels if c.role in (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)]
    others = [c for c in channels if c not in pulses and c.role is not ChannelRole.UNASSIGNED]
    chosen = (pulses + others or channels)[:3]
    start = max(c.start_s for c in chosen)
    stop = min(c.start_s + c.duration_s for c in chosen)
    names, signals, patterns = [], [], []
    exhaust_count = 0
    work_rate = min(_WORK_RATE_HZ, *(c.rate_hz for c in chosen))
    for channel in chosen:
        factor = max(1, int(channel.rate_hz / work_rate))
        small = block_decimate(channel.samples, factor)
        if not np.isfinite(small.sum()):
            small = block_decimate(fill_gaps(channel.samples)[0], factor)
        rate = channel.rate_hz / factor
        offset = channel.start_s + (factor - 1) / 2.0 / channel.rate_hz
        count = int((stop - start) * work_rate + 1e-3)  # a rounding error is not a sample less
        if factor == channel.rate_hz / work_rate and abs(offset - start) < 0.5 / rate:
            signal = small[:count]
        else:
            at = start + np.arange(count) / work_rate
            signal = np.interp(at, offset + np.arange(len(small)) / rate, small)
        width = max(3, int(work_rate * 60.0 / 60.0))
        level = detrend_line(signal)
        if len(level) > 2 * width:
            level -= running_mean(level, width)
        size = float(np.median(np.abs(level), overwrite_input=True))
        if not np.isfinite(size) or size <= _ROUNDING * float(np.abs(signal).max(initial=0.0)):
            continue
        # a burst (a touched sensor) may not outvote the engine
        np.clip(level, -12.0 * size, 12.0 * size, out=level)
        level /= size
        names.append(channel.name)
        exhaust_count += channel in pulses
        signals.append(np.ascontiguousarray(level))
        patterns.append((_heard_angles(channel.role, engine), engine.cycle_deg))
    if not signals:
        return "every channel is flat"
    shortest = min(len(s) for s in signals)
    return PreparedChannels(
        tuple(names),
        tuple(s[:shortest] for s in signals),
        work_rate,
        start,
        tuple(patterns),
        exhaust_count,
    )


def _repeats(angles_deg: FloatArray, cycle_deg: float) -> int:
    """How often a firing pattern repeats itself within the cycle: N for even firing, 1 for none."""
    count = len(angles_deg)
    for repeats in range(count, 1, -1):
        if count % repeats == 0:
            gaps = (np.roll(angles_deg, -count // repeats) - angles_deg) % cycle_deg
            if np.abs(gaps - cycle_deg / repeats).max() < _SAME_GAP_DEG:
                return repeats
    return 1


def _heard_angles(role: ChannelRole, engine: EngineSpec) -> FloatArray:
    """Firing angles of the cylinders that this channel hears."""
    outlet = {ChannelRole.EXHAUST: 1, ChannelRole.EXHAUST_2: 2}.get(role)
    if outlet is None or engine.outlet_count == 1:
        return np.asarray(engine.firing_angles_deg)
    positions = engine.positions_on_outlet(outlet)
    return np.asarray([engine.firing_angles_deg[p - 1] for p in positions])
