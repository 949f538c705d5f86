"""An instrument's own faults, measured.

Noise: inputs short-circuited or caps on the hoses. Skew: one signal on all inputs. Polarity: a puff
into each hose. Step: a known pressure put on and held. Equations: docs/instruments.md.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.instruments.calibration import Calibration, CalibrationKind
from ringland.instruments.protocol import LiveChannel, SetUp
from ringland.model import Channel, Recording

__all__ = [
    "CAUTIONS",
    "HOW",
    "QUIET_FIRST",
    "measure",
    "measure_noise",
    "measure_polarity",
    "measure_skew",
    "measure_step",
]

FloatArray = NDArray[np.float64]

HOW = {
    CalibrationKind.NOISE: "Engine off. Inputs short-circuited, or sensors on with caps on their "
    "hoses.",
    CalibrationKind.SKEW: "One lively signal on all inputs at once.",
    CalibrationKind.POLARITY: "Engine off. Two seconds of quiet, then one puff into each hose.",
    CalibrationKind.STEP: "Engine off. Two seconds of quiet, then put the known pressure on at "
    "once and hold it; or a step of a loudspeaker at the hose.",
}
"""What the person does."""

CAUTIONS = {
    CalibrationKind.NOISE: (
        "Engine off. Short-circuit only an input that nothing else is connected to, never a "
        "sensor's supply or another source.",
    ),
    CalibrationKind.SKEW: (
        "The signal must stay within the range of every input, and its source must be isolated "
        "from the mains.",
    ),
    CalibrationKind.POLARITY: (
        "Engine off. Puff with a rubber bulb, never with the mouth into a hose that was on an "
        "exhaust or a crankcase.",
    ),
    CalibrationKind.STEP: (
        "Engine off. Use a hand pump with a gauge and a release valve, well below the sensor's "
        "burst pressure, and wear eye protection.",
        "Release the pressure before a hose is pulled off.",
    ),
}
"""What must not happen."""

QUIET_FIRST = frozenset({CalibrationKind.POLARITY, CalibrationKind.STEP})
"""What needs the first quarter of the time to be quiet."""

_STEP_OVER_NOISE = 8.0
_SEGMENTS = 8
_LEAST_COHERENCE = 0.95
_QUIET_SHARE = 4
"""The first part of this many must be quiet."""
_RISES_WITHIN_S = 0.1


def _one(
    set_up: SetUp,
    live: LiveChannel,
    what: CalibrationKind,
    value: float,
    *,
    standard_error: float | None = None,
    unit: str | None = None,
    reference: str = "",
    readings: Mapping[str, float] | None = None,
) -> Calibration:
    return Calibration(
        what=what,
        instrument=set_up.title,
        address=set_up.instrument,
        input=live.input,
        role=live.role.value,
        measured_utc=datetime.now(UTC).isoformat(timespec="microseconds"),
        rate_hz=set_up.rate_hz,
        value=value,
        standard_error=standard_error,
        unit=live.unit if unit is None else unit,
        reference=reference,
        readings=readings or {},
        which=set_up.which,
    )


def measure_noise(recording: Recording, set_up: SetUp) -> tuple[Calibration, ...]:
    """RMS of every channel with nothing at the inputs, and the share of its power that is mains
    (near 50 and 60 Hz and their third multiples)."""
    return tuple(
        _one(set_up, live, CalibrationKind.NOISE, float(np.nanstd(channel.samples)),
             readings={"mains_share": _mains_share(channel)})
        for channel, live in zip(recording.channels, set_up.channels, strict=True)
    )  # fmt: skip


def _mains_share(channel: Channel) -> float:
    values = np.nan_to_num(channel.samples - np.nanmean(channel.samples))
    power = np.abs(np.fft.rfft(values * np.hanning(len(values)))) ** 2
    frequency = np.fft.rfftfreq(len(values), 1.0 / channel.rate_hz)
    near = np.zeros(len(power), dtype=bool)
    for line in (50.0, 60.0, 150.0, 180.0):
        near |= np.abs(frequency - line) < max(1.0, 2.0 * channel.rate_hz / len(values))
    total = float(power[1:].sum())
    return float(power[near].sum()) / total if total > 0.0 else 0.0


def measure_skew(recording: Recording, set_up: SetUp) -> tuple[Calibration, ...]:
    """Delay of every channel against the first, one and the same signal on all.

    Slope of the phase of the cross-spectrum over frequency, weighted by coherence, in pieces whose
    scatter gives the standard error. Raises SettingError where a channel does not follow the first.
    """
    first, reference = recording.channels[0], set_up.channels[0].input
    out = []
    for channel, live in zip(recording.channels, set_up.channels, strict=True):
        if channel is first:
            out.append(_one(set_up, live, CalibrationKind.SKEW, 0.0, unit="s", reference=reference))
            continue
        delays, coherence = _delays_s(first.samples, channel.samples, first.rate_hz)
        if coherence < _LEAST_COHERENCE:
            raise SettingError(
                f"{channel.name} does not see the signal that {first.name} sees.",
                got=f"{100.0 * coherence:.0f} % in common",
                allowed=f"{100.0 * _LEAST_COHERENCE:.0f} % or more",
                remedy="Put one lively signal on all inputs, none clipping, and record again.",
            )
        error = float(np.std(delays, ddof=1)) / np.sqrt(len(delays))
        out.append(
            _one(set_up, live, CalibrationKind.SKEW, float(np.mean(delays)),
                 standard_error=float(error), unit="s", reference=reference)
        )  # fmt: skip
    return tuple(out)


def _delays_s(a: FloatArray, b: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    length = len(a) // _SEGMENTS
    if length < 64:
        raise SettingError(
            "The recording is too short to measure the skew.",
            got=f"{len(a)} samples",
            allowed=f"{64 * _SEGMENTS} or more",
        )
    window = np.hanning(length)
    pairs = []
    for k in range(_SEGMENTS):
        x = np.nan_to_num(a[k * length : (k + 1) * length] - np.nanmean(a))
        y = np.nan_to_num(b[k * length : (k + 1) * length] - np.nanmean(b))
        pairs.append((np.fft.rfft(x * window), np.fft.rfft(y * window)))
    cross = np.sum([np.conj(x) * y for x, y in pairs], axis=0)
    power_x = np.sum([np.abs(x) ** 2 for x, _ in pairs], axis=0)
    power_y = np.sum([np.abs(y) ** 2 for _, y in pairs], axis=0)
    coherence = np.abs(cross) ** 2 / np.maximum(power_x * power_y, 1e-300)
    strong = (power_x > 1e-4 * np.max(power_x)) & (coherence > 0.5)
    strong[0] = False
    share = float(np.abs(cross)[1:].sum() / np.sqrt(power_x[1:].sum() * power_y[1:].sum()))
    omega = 2.0 * np.pi * np.fft.rfftfreq(length, 1.0 / rate_hz)
    delays = []
    for x, y in pairs:
        piece = np.conj(x) * y
        weight = np.where(strong, np.abs(piece), 0.0) + 1e-300
        phase = np.angle(piece)
        near = np.abs(omega) * 1.0 / rate_hz < np.pi  # a delay below one sample does not wrap
        use = strong & near
        top = float(np.sum(weight[use] * omega[use] * phase[use]))
        delays.append(-top / float(np.sum(weight[use] * omega[use] ** 2)) if use.any() else 0.0)
    return np.asarray(delays), share


def measure_polarity(recording: Recording, set_up: SetUp) -> tuple[Calibration, ...]:
    """Sign of the first clear movement of each channel when pressure is put on it.

    The first quarter of the recording must be quiet. Raises SettingError where nothing moves.
    """
    out = []
    for channel, live in zip(recording.channels, set_up.channels, strict=True):
        values, _, first = _moved(channel)
        width = max(3, round(0.005 * channel.rate_hz))
        sign = 1.0 if values[first : first + width].mean() > 0 else -1.0
        out.append(_one(set_up, live, CalibrationKind.POLARITY, sign, unit="1"))
    return tuple(out)


def _moved(channel: Channel) -> tuple[FloatArray, float, int]:
    """Samples about their quiet level, the quiet's standard deviation, and where they move."""
    quarter = len(channel.samples) // _QUIET_SHARE
    values = np.asarray(channel.samples - np.nanmedian(channel.samples[:quarter]))
    quiet = float(np.nanstd(values[:quarter]))
    moved = np.flatnonzero(np.abs(values) > max(_STEP_OVER_NOISE * quiet, 1e-12))
    if not len(moved):
        raise SettingError(
            f"{channel.name} did not move.",
            allowed=f"a movement {_STEP_OVER_NOISE:.0f} times above the noise",
            remedy="Wait two seconds, then blow, tap or put the pressure on once.",
        )
    if moved[0] < quarter:
        raise SettingError(
            f"{channel.name} was not quiet at the beginning.",
            got=f"a movement after {moved[0] / channel.rate_hz:.2f} s",
            allowed="the first quarter of the time without any",
            remedy="Leave the hose alone at first, and begin again.",
        )
    return values, quiet, int(moved[0])


def measure_step(
    recording: Recording, set_up: SetUp, known_pa: float | None = None
) -> tuple[Calibration, ...]:
    """Height, rise from 10 to 90 % and, where it falls back, the lower corner of every channel,
    from a pressure put on at once and held; per Pa when its height `known_pa` is given.

    The rise is that of step, hose and sensor together: the slowest of them. Raises SettingError
    where nothing moves or the first quarter is not quiet.
    """
    out = []
    for channel, live in zip(recording.channels, set_up.channels, strict=True):
        values, quiet, first = _moved(channel)
        size, readings = _answer_to_step(values, first, channel.rate_hz)
        if known_pa is not None:
            readings["known_pa"], readings["per_pa"] = known_pa, size / known_pa
        out.append(
            _one(set_up, live, CalibrationKind.STEP, size, standard_error=quiet, readings=readings)
        )
    return tuple(out)


def _answer_to_step(
    values: FloatArray, first: int, rate_hz: float
) -> tuple[float, dict[str, float]]:
    """Signed height, and the times in it. Equations (2) and (3) of docs/instruments.md."""
    sign = 1.0 if values[first] > 0.0 else -1.0
    after = np.nan_to_num(sign * values[max(first - round(_RISES_WITHIN_S * rate_hz), 0) :])
    start = first - max(first - round(_RISES_WITHIN_S * rate_hz), 0)
    peak = start + int(np.argmax(after[start : start + round(_RISES_WITHIN_S * rate_hz)]))
    height = float(after[peak])
    low = _last_below(after[: peak + 1], 0.1 * height)
    high = _first_above(after[: peak + 1], 0.9 * height)
    readings = {"rise_s": max(high - low, 0.0) / rate_hz}
    fallen = np.flatnonzero(after[peak:] < height / np.e)
    if len(fallen):
        at = float(fallen[0])
        readings["corner_hz"] = rate_hz / (2.0 * np.pi * at)
    return sign * height, readings


def _last_below(values: FloatArray, level: float) -> float:
    """Where the last rise through `level` is, between samples."""
    below = np.flatnonzero(values <= level)
    if not len(below) or below[-1] + 1 >= len(values):
        return float(below[-1]) if len(below) else 0.0
    i = int(below[-1])
    return i + float((level - values[i]) / (values[i + 1] - values[i]))


def _first_above(values: FloatArray, level: float) -> float:
    """Where `level` is first reached, between samples."""
    above = np.flatnonzero(values >= level)
    i = int(above[0])
    if i == 0:
        return 0.0
    return i - 1 + float((level - values[i - 1]) / (values[i] - values[i - 1]))


def measure(
    what: CalibrationKind, recording: Recording, set_up: SetUp, *, known_pa: float | None = None
) -> tuple[Calibration, ...]:
    """Any of the four. Raises SettingError."""
    if what is CalibrationKind.STEP:
        return measure_step(recording, set_up, known_pa)
    return _MEASURES[what](recording, set_up)


_MEASURES: dict[CalibrationKind, Callable[[Recording, SetUp], tuple[Calibration, ...]]] = {
    CalibrationKind.NOISE: measure_noise,
    CalibrationKind.SKEW: measure_skew,
    CalibrationKind.POLARITY: measure_polarity,
}
