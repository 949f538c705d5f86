"""The unknown path from the engine to a sensor: gain, delay, slope and echoes, in closed form.

Equations: docs/theory/severity.md. The path is a linear system; at a steady speed it is one complex
number per harmonic of the cycle, and its logarithm g is taken as a Gaussian process over frequency.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.model._arrays import FloatArray

__all__ = ["CRANKCASE", "EXHAUST", "REFERENCE_HZ", "PathPrior", "path_covariance", "path_mean"]

ComplexArray = NDArray[np.complex128]

REFERENCE_HZ = 30.0
_ANY_GAIN = 6.0  # standard deviation of the logarithm of the gain: any sensor, any unit


@dataclass(frozen=True)
class PathPrior:
    """What is assumed of a path before a recording is seen.

    log H(f) = gain + slope log(f / 30 Hz) + j phase + echoes(f) - 2 pi j f delay. `echo` is the
    standard deviation of the modulus of the echo term and `echo_s` the mean lag of the echoes;
    frequencies above `highest_hz` are left out. Spreads of random hook-ups of the simulator.
    """

    slope: float
    slope_sd: float
    phase: float
    phase_sd: float
    echo: float
    echo_s: float
    delay_s: float
    delay_sd_s: float
    highest_hz: float


EXHAUST = PathPrior(0.2, 0.5, 1.15, 0.5, 1.1, 0.025, 0.0112, 0.0033, 150.0)
CRANKCASE = PathPrior(0.0, 0.2, 0.1, 0.25, 0.25, 0.008, 0.0015, 0.0012, 80.0)


def path_mean(frequency_hz: FloatArray, prior: PathPrior) -> FloatArray:
    """Prior mean of (Re g, Im g), (2 n,)."""
    size = prior.slope * np.log(np.asarray(frequency_hz) / REFERENCE_HZ)
    return np.concatenate([size, np.full(len(size), prior.phase)])


def path_covariance(
    frequency_hz: FloatArray,
    prior: PathPrior,
    *,
    at_hz: FloatArray | None = None,
    gain_sd: float | None = None,
) -> FloatArray:
    """Covariance of (Re g, Im g), (2 n, 2 n), at these frequencies (n,), delay left out (eq 4).

    With `at_hz` (m,): between those and these, (2 m, 2 n). `gain_sd` of the logarithm of the gain,
    None for any gain.

    Echoes come later than what they echo: the kernel r^2 / (1 + 2 pi j (f - f') T) has them at
    exponentially distributed lags of mean T, and ties the phase of g to its modulus.
    """
    f = np.asarray(frequency_hz)
    at = f if at_hz is None else np.asarray(at_hz)
    echo = prior.echo**2 / (1.0 + 2j * np.pi * (at[:, None] - f[None, :]) * prior.echo_s)
    half_re, half_im = 0.5 * echo.real, 0.5 * echo.imag
    gain = _ANY_GAIN if gain_sd is None else gain_sd
    size = gain**2 + prior.slope_sd**2 * np.outer(
        np.log(at / REFERENCE_HZ), np.log(f / REFERENCE_HZ)
    )
    return np.block([[half_re + size, -half_im], [half_im, half_re + prior.phase_sd**2]])
