"""Raw readings of follow-up tests to physical quantities, and to answers.

Leak-down: two compressible orifices in series, the tester's own and the leak, both at the
temperature of the air (isothermal between them). Compression: gauge pressure scales with the
barometer. Standard atmosphere: ISO 2533:1975.
"""

import math
from dataclasses import dataclass

from ringland.errors import SettingError

__all__ = [
    "CompressionRule",
    "compression_at_sea_level_pa",
    "compression_is_low",
    "flow_function",
    "leak_area_m2",
    "leak_flow_kg_s",
    "leakdown_reading",
    "misfire_average",
    "misfire_share",
    "orifice_area_m2",
    "standard_pressure_pa",
]

GAMMA = 1.4
AIR_GAS_CONSTANT = 287.053
TEST_AIR_K = 288.15
SEA_LEVEL_PA = 101_325.0


def flow_function(pressure_ratio: float, gamma: float = GAMMA) -> float:
    """Mass flow parameter m sqrt(R T0) / (A p0) of an orifice, ratio = p / p0 (isentropic flow).

    Constant below the critical ratio (choked), 0 when the ratio is 1 or more.
    """
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    ratio = max(pressure_ratio, critical)
    if ratio >= 1.0:
        return 0.0
    term = ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma)
    return math.sqrt(2.0 * gamma / (gamma - 1.0) * term)


def orifice_area_m2(diameter_m: float) -> float:
    """Area of a round hole."""
    return math.pi * diameter_m**2 / 4.0


def leak_area_m2(
    loss: float, orifice_m: float, supply_pa: float, ambient_pa: float = SEA_LEVEL_PA
) -> float:
    """Area of the leak (discharge coefficient 1) behind a leak-down reading.

    `loss`: share of the supply gauge pressure that is lost, 0 to below 1 (35 % is 0.35);
    `orifice_m`: diameter of the tester's orifice; `supply_pa`: regulated gauge pressure.
    The same leak reads differently on another tester; the area is what stays.
    """
    _check_reading(loss, orifice_m, supply_pa)
    if loss == 0.0:
        return 0.0
    upstream = supply_pa + ambient_pa
    inside = supply_pa * (1.0 - loss) + ambient_pa
    if inside <= ambient_pa:
        return math.inf
    through_orifice = upstream * flow_function(inside / upstream)
    through_leak = inside * flow_function(ambient_pa / inside)
    return orifice_area_m2(orifice_m) * through_orifice / through_leak


def leakdown_reading(
    area_m2: float, orifice_m: float, supply_pa: float, ambient_pa: float = SEA_LEVEL_PA
) -> float:
    """The loss (share of supply gauge pressure) a tester would show for a leak of this area."""
    low, high = 0.0, 1.0 - 1e-12
    for _ in range(200):
        middle = 0.5 * (low + high)
        if leak_area_m2(middle, orifice_m, supply_pa, ambient_pa) < area_m2:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def leak_flow_kg_s(
    loss: float, orifice_m: float, supply_pa: float, ambient_pa: float = SEA_LEVEL_PA
) -> float:
    """Mass flow of air through the tester at this reading."""
    _check_reading(loss, orifice_m, supply_pa)
    upstream = supply_pa + ambient_pa
    ratio = (supply_pa * (1.0 - loss) + ambient_pa) / upstream
    area = orifice_area_m2(orifice_m)
    return area * upstream * flow_function(ratio) / math.sqrt(AIR_GAS_CONSTANT * TEST_AIR_K)


def _check_reading(loss: float, orifice_m: float, supply_pa: float) -> None:
    if not 0.0 <= loss < 1.0:
        raise SettingError(
            "A leak-down reading must be a share of the supply pressure.",
            got=f"{loss:g}",
            allowed="0 to below 1 (35 % is 0.35)",
        )
    if not 1e-4 <= orifice_m <= 1e-2 or not 1e4 <= supply_pa <= 2e6:
        raise SettingError(
            "The leak-down tester is not a likely one.",
            got=f"orifice {orifice_m * 1e3:g} mm, supply {supply_pa / 1e5:g} bar",
            allowed="orifice 0.1 to 10 mm, supply 0.1 to 20 bar",
        )


def standard_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere, ISO 2533:1975, up to 11000 m geopotential."""
    if not -2000.0 <= altitude_m <= 11_000.0:
        raise SettingError(
            "The altitude is out of range.", got=f"{altitude_m:g} m", allowed="-2000 to 11000 m"
        )
    lapse, temperature = 0.0065, 288.15
    exponent = 9.80665 / (287.05287 * lapse)
    return float(SEA_LEVEL_PA * (1.0 - lapse * altitude_m / temperature) ** exponent)


def compression_at_sea_level_pa(
    gauge_pa: float, *, altitude_m: float | None = None, barometer_pa: float | None = None
) -> float:
    """A compression gauge reading as it would be at sea level.

    Gauge pressure is p0 (ratio^n - 1), linear in the barometer p0. Give the altitude or, better,
    the barometer (absolute, not reduced to sea level).
    """
    if (altitude_m is None) == (barometer_pa is None):
        raise SettingError("Give the altitude or the barometer, one of the two.")
    ambient = barometer_pa if barometer_pa is not None else standard_pressure_pa(altitude_m or 0.0)
    if not 3e4 <= ambient <= 1.2e5:
        raise SettingError(
            "The barometer reading is out of range.",
            got=f"{ambient / 1e3:g} kPa",
            allowed="30 to 120 kPa, absolute",
        )
    return gauge_pa * SEA_LEVEL_PA / ambient


@dataclass(frozen=True)
class CompressionRule:
    """An engine maker's rule: lowest at least `least_ratio` of the highest, and none below
    `least_pa` (gauge, as read). Makers differ (75 %; 70 % and 690 kPa; 10 to 15 % spread):
    it is a setting."""

    least_ratio: float = 0.75
    least_pa: float | None = None


def compression_is_low(
    gauge_pa: float, highest_pa: float, rule: CompressionRule | None = None
) -> bool:
    """True when a cylinder's reading is below the maker's rule."""
    rule = rule or CompressionRule()
    too_low = rule.least_pa is not None and gauge_pa < rule.least_pa
    return too_low or gauge_pa < rule.least_ratio * highest_pa


def misfire_average(counts: tuple[float, ...]) -> tuple[float, ...]:
    """Service 06 test 0B after each driving cycle: 0.1 current + 0.9 previous, from zero."""
    previous, averages = 0.0, []
    for count in counts:
        previous = 0.1 * count + 0.9 * previous
        averages.append(previous)
    return tuple(averages)


def misfire_share(misfires: int, revolutions: float, cylinders: int, strokes: int = 4) -> float:
    """Misfires over firing events (not revolutions): N/2 events a revolution, four-stroke."""
    events = revolutions * cylinders / (2.0 if strokes == 4 else 1.0)
    if events <= 0:
        raise SettingError("There were no firing events.", got=f"{revolutions:g} revolutions")
    return misfires / events
