"""Units against published factors.

Source of the factors: NIST Special Publication 811 (2008), Appendix B.8 and B.9 (from memory);
"exact" marks factors that are definitions (international inch, pound, mile; standard gravity).
"""

import math

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.units import Unit, from_si, parse_quantity, parse_unit, to_si, try_unit

NIST = [
    ("psi", 6894.757, "Pa", 1e-6),  # NIST SP 811 B.8, psi
    ("psi", 6894.757293168, "Pa", 1e-12),  # from the exact inch, pound and standard gravity
    ("inHg", 3386.389, "Pa", 1e-6),  # NIST SP 811 B.8, inch of mercury, conventional
    ("inH2O", 249.08891, "Pa", 1e-6),  # NIST SP 811 B.8, inch of water, conventional
    ("mmHg", 133.322387, "Pa", 1e-6),  # NIST SP 811 B.8, millimetre of mercury, conventional
    ("mmH2O", 9.80665, "Pa", 1e-12),  # NIST SP 811 B.8, millimetre of water, conventional
    ("cmH2O", 98.0665, "Pa", 1e-12),  # NIST SP 811 B.8, centimetre of water, conventional
    ("Torr", 133.3224, "Pa", 1e-6),  # NIST SP 811 B.8, torr
    ("atm", 101325.0, "Pa", 0.0),  # exact
    ("bar", 1e5, "Pa", 0.0),  # exact
    ("mbar", 100.0, "Pa", 0.0),  # exact
    ("kPa", 1000.0, "Pa", 0.0),  # exact
    ("mile", 1609.344, "m", 0.0),  # exact
    ("km", 1000.0, "m", 0.0),  # exact
    ("in", 0.0254, "m", 0.0),  # exact
    ("mph", 0.44704, "m/s", 1e-12),  # exact
    ("ms", 1e-3, "s", 0.0),
    ("us", 1e-6, "s", 0.0),
    ("kHz", 1e3, "Hz", 0.0),
    ("mV", 1e-3, "V", 0.0),
    ("mA", 1e-3, "A", 0.0),
    ("in3", 1.638706e-5, "m3", 1e-6),  # NIST SP 811 B.8, cubic inch
    ("rad", 57.29578, "deg", 1e-6),  # NIST SP 811 B.8, radian in degrees
    ("%", 0.01, "1", 0.0),
]


@pytest.mark.parametrize(("unit", "factor", "si", "tolerance"), NIST)
def test_published_factors(unit: str, factor: float, si: str, tolerance: float) -> None:
    assert parse_unit(unit).si == si
    assert to_si(1.0, unit) == pytest.approx(factor, rel=tolerance, abs=0.0)


@pytest.mark.parametrize(
    ("value", "unit", "kelvin"),
    [
        (32.0, "degF", 273.15),  # NIST SP 811 B.9: T/K = (t/degF + 459.67)/1.8
        (212.0, "degF", 373.15),
        (-40.0, "degF", 233.15),
        (-459.67, "degF", 0.0),
        (0.0, "degC", 273.15),  # NIST SP 811 B.9: T/K = t/degC + 273.15
    ],
)
def test_temperature(value: float, unit: str, kelvin: float) -> None:
    assert to_si(value, unit) == pytest.approx(kelvin, abs=1e-9)
    assert from_si(kelvin, unit) == pytest.approx(value, abs=1e-9)


def test_handbook_pairs() -> None:
    assert from_si(to_si(1.0, "bar"), "psi") == pytest.approx(14.503774, rel=1e-6)
    assert from_si(to_si(5.5, "inH2O"), "kPa") == pytest.approx(1.37, abs=0.005)
    assert from_si(to_si(30.0, "inH2O"), "kPa") == pytest.approx(7.473, abs=0.0005)


def test_a_difference_has_no_offset() -> None:
    assert parse_unit("degF").difference_to_si(9.0) == pytest.approx(5.0)
    assert parse_unit("degC").difference_to_si(1.0) == 1.0


@pytest.mark.parametrize(
    ("spelling", "symbol"),
    [
        ("PSI", "psi"),
        ("psig", "psi"),
        ("kpa", "kPa"),
        ("[kPa]", "kPa"),
        ("(V)", "V"),
        (" in Hg ", "inHg"),
        ("INHG", "inHg"),
        ("in H2O", "inH2O"),
        ("°C", "degC"),
        ("µs", "us"),
        ("MBAR", "mbar"),
        ("RPM", "rpm"),
        ("hz", "Hz"),
        ("miles", "mile"),
        ("S/s", "Hz"),
    ],
)
def test_spellings(spelling: str, symbol: str) -> None:
    unit = try_unit(spelling)
    assert unit is not None
    assert unit.symbol == symbol


@pytest.mark.parametrize("name", ["", "[]", "furlong", "MV", "mpa", "mhz", "MS", "MA", "5", "V V"])
def test_unknown_or_ambiguous_is_none_and_an_error(name: str) -> None:
    assert try_unit(name) is None
    with pytest.raises(SettingError, match="not known") as caught:
        parse_unit(name)
    assert caught.value.got == repr(name)
    assert "kPa" in str(caught.value.allowed)


def test_milli_is_not_mega() -> None:
    assert to_si(1.0, "MPa") == 1e6
    assert to_si(1.0, "MHz") == 1e6


def test_a_unit_of_another_quantity() -> None:
    with pytest.raises(SettingError, match="not a unit of pressure") as caught:
        to_si(1.0, "V", "pressure")
    assert "inH2O" in str(caught.value.allowed)
    assert "mile" not in str(caught.value.allowed)


@pytest.mark.parametrize(
    ("text", "value", "symbol"),
    [
        ("5.5 inH2O", 1369.989, "inH2O"),
        ("820rpm", 820.0, "rpm"),
        ("1e3 kPa", 1e6, "kPa"),
        ("-40 °F", 233.15, "degF"),
        (" .5 V ", 0.5, "V"),
    ],
)
def test_quantities(text: str, value: float, symbol: str) -> None:
    found, unit = parse_quantity(text)
    assert found == pytest.approx(value, rel=1e-6)
    assert unit.symbol == symbol


@pytest.mark.parametrize("text", ["", "kPa", "five kPa", "nan kPa", "inf V", "5", "5 furlongs"])
def test_not_a_quantity(text: str) -> None:
    with pytest.raises(SettingError):
        parse_quantity(text)


def test_arrays_and_round_trip() -> None:
    values = np.array([0.0, 1.0, -2.5])
    for name in ("psi", "degF", "ms", "mile"):
        there = to_si(values, name)
        assert there.shape == values.shape
        np.testing.assert_allclose(from_si(there, name), values, rtol=0, atol=1e-12)


def test_si_units_convert_to_themselves() -> None:
    for si in ("Pa", "K", "m", "s", "Hz", "rpm", "deg", "V", "A", "1", "m2", "m3", "m/s"):
        unit = parse_unit(si)
        assert unit == Unit(si, unit.quantity, si, 1.0)
        assert math.isclose(unit.to_si(3.0), 3.0, rel_tol=0, abs_tol=0)
