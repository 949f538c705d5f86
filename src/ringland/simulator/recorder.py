"""From a voltage to numbers: anti-alias filter, clock, noise, hum, range, counts, drop-outs.

Signal-to-noise ratio here is 10 log10(AC power of the channel after sensor and anti-alias filter /
power of the added noise), both over the recorded band 0 to rate / 2. Equations:
docs/theory/sensors.md.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError

__all__ = ["Digitised", "Recorder", "digitise", "range_for"]

Array = NDArray[np.float64]

_ANTI_ALIAS_ORDER = 4
_RANGE_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Recorder:
    """A recorder and the electrical surroundings of its inputs.

    `full_scale`: half-span of the range in the channel's unit; None: the smallest 1-2-5 range that
    takes `headroom` times the peak. `bits` of the converter over both polarities.
    `anti_alias_fraction`: corner over rate. `offset_fraction` of full scale. `hum_fraction`:
    amplitude of the fundamental over the channel's RMS, with `hum_harmonics` (order, share).
    `jitter_s`: standard deviation of each sampling instant. `clock_error`: relative rate error that
    nobody knows of. `drop_outs_s`: (start, length) during which the last value is repeated.
    `snr_db` of the pulse channels, None for no added noise; `wired_snr_db` of trigger, teeth and
    current. `noise_slope`: noise power falls as f^-slope (0 white, 1 pink).
    """

    rate_hz: float = 20_000.0
    bits: int = 16
    full_scale: float | None = None
    headroom: float = 1.3
    anti_alias_fraction: float = 0.4
    offset_fraction: float = 0.0
    hum_fraction: float = 0.0
    hum_hz: float = 50.0
    hum_harmonics: tuple[tuple[int, float], ...] = ((1, 1.0), (3, 0.3), (5, 0.1))
    jitter_s: float = 0.0
    clock_error: float = 0.0
    drop_outs_s: tuple[tuple[float, float], ...] = ()
    snr_db: float | None = None
    wired_snr_db: float | None = 40.0
    noise_slope: float = 0.0

    def __post_init__(self) -> None:
        if not (self.rate_hz > 0.0 and 1 <= self.bits <= 32 and self.headroom > 0.0):
            raise SettingError(
                "a recorder cannot have these settings",
                got=f"{self.rate_hz} Hz, {self.bits} bits, headroom {self.headroom}",
                allowed="rate above 0, 1 to 32 bits, headroom above 0",
            )


@dataclass(frozen=True, eq=False)
class Digitised:
    """Samples with the range and the size of one count, all in the channel's unit."""

    samples: Array
    full_scale: tuple[float, float]
    resolution: float


def range_for(peak: float, headroom: float) -> float:
    """Smallest half-span out of 1, 2, 5 times a power of ten that takes `headroom * peak`."""
    wanted = max(abs(peak) * headroom, 1e-9)
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next((step * decade for step in _RANGE_STEPS if step * decade >= wanted), 10.0 * decade)


def _anti_aliased(signal: Array, rate_hz: float, corner_hz: float) -> Array:
    if corner_hz >= 0.45 * rate_hz:
        return signal
    from scipy.signal import butter, sosfilt, sosfilt_zi

    stages = butter(_ANTI_ALIAS_ORDER, corner_hz, fs=rate_hz, output="sos")
    return np.asarray(sosfilt(stages, signal, zi=sosfilt_zi(stages) * signal[0])[0])


def _cubic(signal: Array, position: Array) -> Array:
    """Catmull-Rom interpolation of `signal` at fractional sample numbers."""
    last = len(signal) - 1
    whole = np.clip(np.floor(position).astype(np.int64), 0, max(last - 1, 0))
    t = position - whole
    p0 = signal[np.maximum(whole - 1, 0)]
    p1 = signal[whole]
    p2 = signal[np.minimum(whole + 1, last)]
    p3 = signal[np.minimum(whole + 2, last)]
    return np.asarray(
        p1
        + 0.5
        * t
        * (p2 - p0 + t * (2.0 * p0 - 5.0 * p1 + 4.0 * p2 - p3 + t * (3.0 * (p1 - p2) + p3 - p0)))
    )


def _noise(count: int, slope: float, rng: np.random.Generator) -> Array:
    """Unit-power noise with power density f^-slope."""
    white = rng.standard_normal(count)
    if slope == 0.0:
        return white
    spectrum = np.fft.rfft(white)
    spectrum[1:] *= np.arange(1, len(spectrum)) ** (-slope / 2.0)
    spectrum[0] = 0.0
    shaped = np.fft.irfft(spectrum, count)
    return np.asarray(shaped / max(float(shaped.std()), 1e-300))


def _hum(time_s: Array, recorder: Recorder, rng: np.random.Generator) -> Array:
    total = np.zeros(len(time_s))
    for order, share in recorder.hum_harmonics:
        phase = rng.uniform(0.0, 2.0 * math.pi)
        total += share * np.sin(2.0 * math.pi * order * recorder.hum_hz * time_s + phase)
    return total


def _hold(samples: Array, rate_hz: float, spans_s: tuple[tuple[float, float], ...]) -> Array:
    held = samples.copy()
    for start_s, length_s in spans_s:
        first = max(1, round(start_s * rate_hz))
        held[first : round((start_s + length_s) * rate_hz)] = held[min(first, len(held)) - 1]
    return held


def digitise(
    signal: Array,
    rate_hz: float,
    recorder: Recorder,
    *,
    snr_db: float | None,
    rng: np.random.Generator,
) -> Digitised:
    """Record a continuous signal given as samples (n,) at `rate_hz`.

    The result has floor(duration * recorder.rate_hz) samples; full scale and resolution are in the
    signal's unit.
    """
    filtered = _anti_aliased(
        np.asarray(signal, dtype=np.float64),
        rate_hz,
        recorder.anti_alias_fraction * recorder.rate_hz,
    )
    count = math.floor(len(filtered) / rate_hz * recorder.rate_hz)
    time_s = np.arange(count) / (recorder.rate_hz * (1.0 + recorder.clock_error))
    if recorder.jitter_s > 0.0:
        time_s = time_s + recorder.jitter_s * rng.standard_normal(count)
    samples = _cubic(filtered, np.clip(time_s * rate_hz, 0.0, len(filtered) - 1.0))
    power = float(samples.std())
    if recorder.hum_fraction > 0.0:
        samples = samples + recorder.hum_fraction * power * _hum(time_s, recorder, rng)
    if snr_db is not None:
        scale = power * 10.0 ** (-snr_db / 20.0)
        samples = samples + scale * _noise(count, recorder.noise_slope, rng)
    peak = float(np.abs(samples).max(initial=0.0))
    full = recorder.full_scale or range_for(peak, recorder.headroom)
    samples = samples + recorder.offset_fraction * full
    step = 2.0 * full / 2**recorder.bits
    counts = np.clip(
        np.round(samples / step), -(2 ** (recorder.bits - 1)), 2 ** (recorder.bits - 1) - 1
    )
    held = _hold(counts * step, recorder.rate_hz, recorder.drop_outs_s)
    return Digitised(held, (-full, full - step), step)
