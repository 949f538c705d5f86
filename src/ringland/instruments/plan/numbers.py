"""Rates, durations and precision. Equation numbers: docs/theory/plan.md."""

import math

from ringland.errors import SettingError
from ringland.model import EngineSpec, Estimate, unknown

__all__ = [
    "CYCLE_SCATTER",
    "angle_rate_hz",
    "cycle_rate_hz",
    "cycles_for",
    "cycles_to_meet",
    "half_width",
    "rate_for_bandwidth_hz",
    "round_rate_hz",
    "smallest_fault",
    "upper_rate_when_none",
]

CYCLE_SCATTER = 0.10
"""Cycle-to-cycle scatter of one sound cylinder's strength (own heuristic, as in the check of
enough cycles)."""
SOUND_SPREAD = 0.065
"""Spread between sound cylinders, as declared for exhaust pulse strength."""
ALERT_LIMIT = 0.2
"""Least deviation that raises an alert, as declared for exhaust pulse strength."""
CELLS_PER_CYLINDER = 7
"""Metrics of exhaust and crankcase that share the false-alarm rate."""
FALSE_ALARM = 0.05
MAD_EFFICIENCY = 0.37
"""Efficiency of the median absolute deviation, normal scatter."""
MEDIAN = math.pi / 2.0
"""Variance of a median over that of a mean, normal scatter."""
Z90 = 1.6448536269514722
POWER_Z = 1.2815515655446004
"""Normal quantile of 0.9: seen 9 times in 10."""

_GUARD = 2.56
_STEPS = (1.0, 2.0, 5.0)


def cycle_rate_hz(engine: EngineSpec, speed_rpm: float) -> float:
    """Working cycles per second (1)."""
    return speed_rpm / 60.0 / engine.revolutions_per_cycle


def rate_for_bandwidth_hz(bandwidth_hz: float) -> float:
    """Least rate for a bandwidth with room for the anti-alias filter (3): 2.56 B, where 2 B is the
    sampling theorem's own limit (Shannon 1949)."""
    return _GUARD * bandwidth_hz


def angle_rate_hz(speed_rpm: float, resolution_deg: float) -> float:
    """Rate at which the crank turns by `resolution_deg` from sample to sample (4)."""
    return 6.0 * speed_rpm / resolution_deg


def round_rate_hz(rate_hz: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    decade = 10.0 ** math.floor(math.log10(rate_hz))
    for step in (*_STEPS, 10.0):
        if step * decade >= rate_hz * (1.0 - 1e-12):
            return step * decade
    return 10.0 * decade


def half_width(cycles: float, scatter: float = CYCLE_SCATTER) -> float:
    """Half of the 90 % interval of a cylinder's strength, the median over the cycles (5)."""
    return Z90 * scatter * math.sqrt(MEDIAN / cycles)


def cycles_for(wanted_half_width: float, scatter: float = CYCLE_SCATTER) -> int:
    """Cycles for a half width: (5) solved. Raises SettingError for one that is not positive."""
    if not 0.0 < wanted_half_width < 10.0:
        raise SettingError(
            "The precision asked for cannot be planned.",
            got=f"{100.0 * wanted_half_width:g} %",
            allowed="above 0 %, for example 5 %",
            remedy="Give half of the interval you want for one cylinder, in per cent.",
        )
    return max(3, math.ceil(MEDIAN * (Z90 * scatter / wanted_half_width) ** 2 - 1e-9))


def smallest_fault(cycles: float, cylinders: int, scatter: float = CYCLE_SCATTER) -> Estimate:
    """Deviation of one cylinder from the others that raises an alert 9 times in 10 (6, 7)."""
    if cylinders < 3:
        return unknown("1", "fewer than three cylinders: there are no others to compare with")
    from scipy.special import stdtrit

    error2 = MEDIAN * scatter**2 / cycles
    own = SOUND_SPREAD**2 + error2
    spread = math.sqrt(own * (1.0 + MEDIAN / (cylinders - 1)))
    # judged against what the few other cylinders show: as many degrees of freedom as cylinders
    surprising = float(stdtrit(cylinders, 1.0 - FALSE_ALARM / (CELLS_PER_CYLINDER * cylinders)))
    # and that spread is itself a guess: robust spreads vary by sqrt(1 / (2 * 0.37 (N - 1))), of
    # which only the wider half is ever used
    unsure = surprising**2 / (4.0 * MAD_EFFICIENCY * (cylinders - 1))
    value = max(surprising * spread, ALERT_LIMIT) + POWER_Z * spread * math.sqrt(1.0 + unsure)
    return Estimate(value, value, value, "1")


def upper_rate_when_none(cycles: int, confidence: float = 0.95) -> float:
    """Rate of a rare event at which none in so many cycles has probability 1 - confidence (8)."""
    return -math.expm1(math.log1p(-confidence) / cycles)


def cycles_to_meet(rate: float, confidence: float = 0.95) -> int:
    """Cycles after which an event of this rate has been met at least once (8)."""
    return math.ceil(math.log1p(-confidence) / math.log1p(-rate) - 1e-9)
