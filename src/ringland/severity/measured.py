"""The recording's side: harmonics of the averaged cycle of each channel, with their noise."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringland.cylinders.cranked import turned_by_starter
from ringland.model import (
    Analysis,
    AngleSignal,
    ChannelRole,
    Condition,
    CycleSet,
    EngineSpec,
    Reference,
)
from ringland.model._arrays import FloatArray, IntArray
from ringland.severity.emulator import HARMONICS, spectrum
from ringland.severity.path import CRANKCASE, EXHAUST, PathPrior, path_covariance

__all__ = ["MeasuredChannel", "measured_channels", "why_not"]

ComplexArray = NDArray[np.complex128]

_FEWEST_CYCLES = 5
_FEWEST_HARMONICS = 4
_MOST_HARMONICS = 40
_CLEAR = 0.5  # noise power over power: above this a harmonic is left out
_PASCAL_GAIN = 0.15  # a channel in pascals has this standard deviation of the log gain
_ARBITRARY_STEP_DEG = 6.0


@dataclass(frozen=True, eq=False)
class MeasuredChannel:
    """Harmonics `harmonic` (k,) of one channel's averaged cycle.

    `line` (k,) complex, `noise` (k,) variance of each by the scatter over cycles; `row` of the
    source it hears; `covariance` (2 k, 2 k) of the path's logarithm; `delay_s` (d,) possible
    delays with the logarithm of their prior; `cycle_hz`; `gain_sd` as in `path_covariance`.
    """

    signal: AngleSignal
    row: int
    prior: PathPrior
    cycle_hz: float
    harmonic: IntArray
    line: ComplexArray
    noise: FloatArray
    covariance: FloatArray
    delay_s: FloatArray
    delay_prior: FloatArray
    gain_sd: float | None = None

    @property
    def frequency_hz(self) -> FloatArray:
        """(k,)."""
        return np.asarray(self.harmonic * self.cycle_hz)


def why_not(analysis: Analysis) -> str | None:
    """Why no physical estimate can be made of this recording at all, or None."""
    if analysis.cylinders is None or analysis.cycles is None:
        return analysis.not_judged or "the engine cycle was not found"
    condition = analysis.recording.condition
    if condition is Condition.SNAP or turned_by_starter(condition, analysis.cycles):
        return "severity is fitted at idle or a held speed, not cranking or in a snap test"
    if not measured_channels(analysis):
        return "no exhaust or crankcase channel has enough clear cycles"
    return None


def measured_channels(analysis: Analysis) -> tuple[MeasuredChannel, ...]:
    """Every exhaust and crankcase channel that can be compared with the simulation."""
    if analysis.cylinders is None or analysis.cycles is None:
        return ()
    engine, cycles = analysis.engine, analysis.cycles
    made = [_channel(s, engine, cycles) for s in analysis.cylinders.signals]
    return tuple(c for c in made if c is not None)


def _channel(signal: AngleSignal, engine: EngineSpec, cycles: CycleSet) -> MeasuredChannel | None:
    outlets = engine.outlet_count
    rows = {ChannelRole.EXHAUST: 0, ChannelRole.EXHAUST_2: 1, ChannelRole.CRANKCASE: outlets}
    row = rows.get(signal.role)
    if row is None or (signal.role is ChannelRole.EXHAUST_2 and outlets < 2):
        return None
    speed = cycles.mean_speed_rpm.value
    whole = signal.values[np.isfinite(signal.values).all(axis=1)]
    if speed is None or len(whole) < _FEWEST_CYCLES:
        return None
    prior = CRANKCASE if signal.role is ChannelRole.CRANKCASE else _with_length(engine)
    cycle_hz = 6.0 * speed / engine.cycle_deg
    count = int(min(prior.highest_hz / cycle_hz, _MOST_HARMONICS, HARMONICS))
    harmonic = np.arange(1, count + 1)
    lines = spectrum(whole)[:, 1 : count + 1]
    mean, noise = lines.mean(axis=0), _variance_of_mean(lines)
    clear = noise < _CLEAR * np.abs(mean) ** 2
    if int(clear.sum()) < _FEWEST_HARMONICS:
        return None
    delay_s, delay_prior = _delays(prior, cycles.reference, engine.cycle_deg, cycle_hz)
    gain = _PASCAL_GAIN if signal.unit == "Pa" and prior is CRANKCASE else None
    return MeasuredChannel(
        signal, row, prior, cycle_hz, harmonic[clear], mean[clear], noise[clear],
        path_covariance(harmonic[clear] * cycle_hz, prior, gain_sd=gain), delay_s, delay_prior,
        gain,
    )  # fmt: skip


def _with_length(engine: EngineSpec) -> PathPrior:
    """The exhaust path; with a known length its delay is known within a quarter (eq 4)."""
    if engine.exhaust_path_m is None:
        return EXHAUST
    travel_s = engine.exhaust_path_m / 450.0
    return replace(EXHAUST, delay_s=travel_s + 0.003, delay_sd_s=0.15 * travel_s + 0.002)


def _variance_of_mean(lines: ComplexArray) -> FloatArray:
    """Variance of the mean, the larger of the plain one and that of pairs of cycles."""
    cycles = len(lines)
    plain = lines.var(axis=0, ddof=1) / cycles
    if cycles < 8:
        return np.asarray(plain)
    pairs = lines[: cycles // 2 * 2].reshape(cycles // 2, 2, -1).mean(axis=1)
    return np.asarray(np.maximum(plain, pairs.var(axis=0, ddof=1) / len(pairs)))


def _delays(
    prior: PathPrior, reference: Reference, cycle_deg: float, cycle_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Delays to try and the logarithm of their prior; where the zero of the crank angle is open,
    every angle it could have."""
    if reference is Reference.ARBITRARY:
        turn = np.arange(0.0, cycle_deg, _ARBITRARY_STEP_DEG)
        return prior.delay_s + turn / cycle_deg / cycle_hz, np.zeros(len(turn))
    z = np.linspace(-3.0, 3.0, 41)
    delay, log_prior = prior.delay_s + prior.delay_sd_s * z, -0.5 * z**2
    if reference is Reference.REVOLUTION:
        turn_s = 360.0 / cycle_deg / cycle_hz
        return np.concatenate([delay, delay + turn_s]), np.tile(log_prior, 2)
    return delay, log_prior
