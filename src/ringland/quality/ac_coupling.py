"""The low corner of an AC-coupled sensor or input, from the noise between the lines."""

import numpy as np

from ringland.model import Estimate, QualityFinding, Verdict
from ringland.quality._types import ChannelFacts, FloatArray, Limit, Subject, not_checked

__all__ = ["LIMITS", "check", "fit_corner"]

CORNER = Limit(
    0.5,
    "1",
    "low corner over the cycle rate: at the cycle rate the phase is then "
    "27 deg early and a tenth of the size is gone (first-order high-pass)",
)
LEAST_BINS = Limit(24.0, "1", "fewest spectrum bins below the first line for a fit")
TOP_ORDER = Limit(5.0, "1", "multiple of the cycle rate up to which noise is looked at")
WHITE = Limit(0.35, "1", "how far a sixth of the band may be off once the corner is undone")
LIMITS = (CORNER, LEAST_BINS, TOP_ORDER, WHITE)


def check(subject: Subject) -> QualityFinding:
    """Fit f^2 / (f^2 + fc^2) to the power between 0 and the first line of the pulses."""
    facts = subject.facts
    assert facts is not None
    cycle_hz = subject.recording.cycle_rate_hz
    if facts.nothing is not None or cycle_hz is None:
        return not_checked(subject, facts.nothing or "it takes the engine and its speed")
    frequency, power = _between_lines(facts, cycle_hz)
    if frequency.size < LEAST_BINS.value:
        return not_checked(subject, "the recording is too short; ten seconds are needed")
    corner = fit_corner(frequency, power)
    limit = CORNER.value * cycle_hz
    if corner.value is None:
        return subject.finding(Verdict.OK, f"{corner.reason}.", measured=corner, limit=limit)
    if corner.value <= limit:
        return subject.finding(
            Verdict.OK,
            f"Low corner at {corner.value:.2g} Hz, slow enough for this speed.",
            measured=corner,
            limit=limit,
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"The input holds back everything slower than {corner.value:.2g} Hz, and the engine cycle "
        f"is {cycle_hz:.2g} Hz: pulses sag and come early.",
        action="Set the recorder input to DC, or record at a higher speed.",
        measured=corner,
        limit=limit,
    )


def _between_lines(facts: ChannelFacts, cycle_hz: float) -> tuple[FloatArray, FloatArray]:
    """Bins that no line of the engine reaches: below the first multiple of the cycle rate, and the
    middle third between the first ones (a wandering speed smears the lines more the higher they
    are)."""
    count = int(np.searchsorted(facts.frequency_hz, TOP_ORDER.value * cycle_hz))
    frequency = facts.frequency_hz[:count]
    order = frequency / cycle_hz
    middle = np.abs(order - np.floor(order) - 0.5) < 1.0 / 6.0
    clear = (order < 0.6) | (middle & (order < TOP_ORDER.value))
    clear[:3] = False
    return frequency[clear], np.square(facts.line_amplitude[:count][clear])


def fit_corner(frequency: FloatArray, power: FloatArray) -> Estimate:
    """Corner of a first-order high-pass in white noise, by Whittle's likelihood.

    `frequency`, `power` (b,). Unknown when a power law describes the noise as well, when what
    remains without the corner is not white, or when the corner lies below the second or above 0.4
    of the last bin. The 90 % interval is where the likelihood has fallen by 2.706 / 2 (chi-square,
    one degree) times 1.5, the noise bandwidth of the Hann window in bins, because neighbouring
    bins are not independent (Harris, Proc. IEEE 66 (1978) 51).
    """
    if not np.all(power > 0.0):
        return Estimate(
            None, None, None, "Hz", reason="No noise between the lines to see a low corner by"
        )
    power = power / power.mean()
    corners = np.geomspace(0.5 * frequency[0], frequency[-1], 121)
    shape = frequency**2 / (frequency**2 + corners[:, np.newaxis] ** 2)
    loss = _whittle(shape, power)
    slopes = np.linspace(-3.0, 3.0, 61)
    straight = _whittle((frequency / frequency[-1]) ** slopes[:, np.newaxis], power)
    best = int(np.argmin(loss))
    corner = float(corners[best])
    inside_band = 2.0 * frequency[0] <= corner <= 0.4 * frequency[-1]
    better = loss[best] <= straight.min() - 2.0 * 1.5
    if not (inside_band and better and _is_white(power / shape[best])):
        return Estimate(
            None, None, None, "Hz", reason=f"No low corner found above {2 * frequency[0]:.2g} Hz"
        )
    inside = corners[loss <= loss[best] + 0.5 * 2.706 * 1.5]
    return Estimate(corner, float(inside[0]), float(inside[-1]), "Hz")


def _is_white(power: FloatArray) -> bool:
    """True when the means of six parts of the band agree, as they do once the high-pass is undone;
    lines smeared by the speed, and scatter from cycle to cycle, leave bumps."""
    parts = np.array([part.mean() for part in np.array_split(power, 6)]) / power.mean()
    scatter = np.sqrt(1.5 * 6.0 / power.size)
    return bool(np.abs(parts - 1.0).max() <= max(WHITE.value, 4.0 * scatter))


def _whittle(shape: FloatArray, power: FloatArray) -> FloatArray:
    """Negative log likelihood of each shape (row), its level chosen best."""
    level = np.mean(power / shape, axis=1)
    result: FloatArray = np.log(shape).sum(axis=1) + power.size * np.log(level)
    return result
