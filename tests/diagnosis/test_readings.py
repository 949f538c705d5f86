"""Readings of follow-up tests against published and independently computed values."""

import math

import pytest

from ringland.diagnosis.readings import (
    CompressionRule,
    compression_at_sea_level_pa,
    compression_is_low,
    flow_function,
    leak_area_m2,
    leak_flow_kg_s,
    leakdown_reading,
    misfire_average,
    misfire_share,
    orifice_area_m2,
    standard_pressure_pa,
)
from ringland.errors import SettingError

PSI = 6894.757293168
INCH = 0.0254


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [
        (1.0, 0.0),
        (0.99, 0.140662),
        (0.9, 0.422581),
        (0.7, 0.638317),
        (0.5283, 0.684731),
        (0.2, 0.684731),
    ],
)
def test_flow_function(ratio: float, expected: float) -> None:
    """Compressible orifice equation, Heywood (1988) App. C eqs C.8/C.9."""
    assert flow_function(ratio) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("orifice_in", "reading", "area_mm2", "flow_g_s"),
    [
        (0.040, 79, 0.1729, 0.2660),
        (0.040, 75, 0.3946, 0.5809),
        (0.040, 70, 0.5729, 0.7966),
        (0.040, 60, 0.8582, 1.0523),
        (0.040, 40, 1.3961, 1.2535),
        (0.040, 20, 2.2127, 1.2603),
        (0.060, 78, 0.5530, 0.8414),
        (0.060, 60, 1.9310, 2.3677),
        (0.060, 20, 4.9787, 2.8356),
    ],
)
def test_leak_area(orifice_in: float, reading: float, area_mm2: float, flow_g_s: float) -> None:
    """Differential test, 80 psi, orifices of FAA AC 43.13-1B para 8-14 (0.040 in below 5 in bore,
    0.060 in from there); areas by two orifices in series, computed independently; tolerance 0.5 %
    (real testers +-10 %)."""
    loss = 1 - reading / 80
    area = leak_area_m2(loss, orifice_in * INCH, 80 * PSI)
    assert area * 1e6 == pytest.approx(area_mm2, rel=5e-3)
    assert area * 1e6 == pytest.approx(area_mm2, abs=1e-4)
    flow = leak_flow_kg_s(loss, orifice_in * INCH, 80 * PSI)
    assert flow * 1e3 == pytest.approx(flow_g_s, rel=1e-3)


def test_orifice_areas() -> None:
    """0.040 in and 0.060 in: geometry; ratio 2.25."""
    assert orifice_area_m2(0.040 * INCH) * 1e6 == pytest.approx(0.810732, abs=1e-6)
    assert orifice_area_m2(0.060 * INCH) * 1e6 == pytest.approx(1.824147, abs=1e-6)


@pytest.mark.parametrize(
    ("orifice_m", "supply_psi", "percent"),
    [
        (0.040 * INCH, 80, 25.0),
        (0.060 * INCH, 80, 5.86),
        (0.040 * INCH, 100, 24.224),
        (0.040 * INCH, 40, 28.88),
        (1.0e-3, 100, 25.485),
        (1.5e-3, 100, 6.032),
    ],
)
def test_per_cent_is_a_property_of_the_tester(
    orifice_m: float, supply_psi: float, percent: float
) -> None:
    """The same leak of 0.8582 mm2 on six testers (two orifices in series, computed independently;
    tolerance 0.1 percentage points)."""
    area = leak_area_m2(0.25, 0.040 * INCH, 80 * PSI)
    assert area * 1e6 == pytest.approx(0.8582, abs=1e-4)
    assert 100 * leakdown_reading(area, orifice_m, supply_psi * PSI) == pytest.approx(
        percent, abs=0.02
    )


@pytest.mark.parametrize(("altitude_m", "psi"), [(0, 60.0), (1500, 60.514), (3000, 60.956)])
def test_leakdown_hardly_depends_on_altitude(altitude_m: float, psi: float) -> None:
    """60/80 at sea level read higher up (same model + ISO 2533; tolerance 0.05 psi)."""
    area = leak_area_m2(0.25, 0.040 * INCH, 80 * PSI)
    loss = leakdown_reading(area, 0.040 * INCH, 80 * PSI, standard_pressure_pa(altitude_m))
    assert 80 * (1 - loss) == pytest.approx(psi, abs=0.01)


@pytest.mark.parametrize(
    ("altitude_m", "pressure_pa"),
    [
        (-500, 107477.5),
        (0, 101325.0),
        (304.8, 97716.6),
        (1000, 89874.6),
        (1524, 84307.3),
        (3000, 70108.5),
        (11000, 22632.0),
    ],
)
def test_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    """ISO 2533:1975 table (tolerance 0.01 %)."""
    assert standard_pressure_pa(altitude_m) == pytest.approx(pressure_pa, rel=1e-4)


@pytest.mark.parametrize(("altitude_m", "psi"), [(1524, 133.13), (3000, 110.71)])
def test_compression_gauge_scales_with_the_barometer(altitude_m: float, psi: float) -> None:
    """160 psi at sea level: p0 (ratio^n - 1) is linear in p0 (tolerance 0.1 psi)."""
    assert compression_at_sea_level_pa(psi * PSI, altitude_m=altitude_m) / PSI == pytest.approx(
        160.0, abs=0.05
    )


def test_compression_needs_one_of_altitude_and_barometer() -> None:
    with pytest.raises(SettingError):
        compression_at_sea_level_pa(1e6)
    with pytest.raises(SettingError):
        compression_at_sea_level_pa(1e6, altitude_m=0, barometer_pa=1e5)
    with pytest.raises(SettingError):
        compression_at_sea_level_pa(1e6, barometer_pa=1013.25)


def test_maker_rules_differ() -> None:
    """75 % (Ford, Land Rover service texts); 70 % and none below 690 kPa (GM: 150 psi -> 105 psi,
    1035 kPa -> 725 kPa, rounded from 724.5)."""
    general = CompressionRule(0.70, 690e3)
    assert compression_is_low(104.9 * PSI, 150 * PSI, general)
    assert not compression_is_low(105.1 * PSI, 150 * PSI, general)
    assert general.least_ratio * 1035 == pytest.approx(724.5)
    assert compression_is_low(680e3, 700e3, general)
    assert compression_is_low(109 * PSI, 150 * PSI)
    assert not compression_is_low(113 * PSI, 150 * PSI)


def test_misfire_facts() -> None:
    """Service 06 test 0B: 0.1 current + 0.9 previous (maker texts Honda 2012, Ford 2005); share is
    per firing event: 20 misfires in 1000 revolutions of a V6 are 0.67 % (Mitsubishi 2003)."""
    assert misfire_average((100, 0, 0)) == pytest.approx((10.0, 9.0, 8.1))
    assert 100 * misfire_share(20, 1000, 6) == pytest.approx(0.6667, abs=1e-4)
    assert misfire_share(40, 1000, 4) == pytest.approx(0.02)
    assert misfire_share(40, 200, 8) == pytest.approx(0.05)
    assert misfire_share(500, 1000, 4) == pytest.approx(0.25)


def test_bad_readings_are_refused() -> None:
    with pytest.raises(SettingError):
        leak_area_m2(35.0, 1e-3, 7e5)
    with pytest.raises(SettingError):
        leak_area_m2(0.35, 1.0, 7e5)
    assert leak_area_m2(0.0, 1e-3, 7e5) == 0.0
    assert math.isfinite(leak_area_m2(0.999, 1e-3, 7e5))
