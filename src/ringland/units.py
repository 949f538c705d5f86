"""The only place where a unit is read or converted.

Inside Ringland every quantity is in the unit that `Unit.si` names: SI, except "rpm" for crank
speed, "deg" for angle and "1" for ratios. Conversion happens where data come in and where numbers
are shown. Factors: NIST SP 811 (2008), Appendix B, "conventional" columns of liquid.

Gauge and absolute pressures convert by the same factor; which of the two a channel holds is not
a unit and is not changed here.
"""

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from ringland.errors import SettingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "Unit",
    "from_si",
    "grouped",
    "parse_quantity",
    "parse_unit",
    "percent",
    "percent_kept_together",
    "to_si",
    "try_unit",
]

Values = TypeVar("Values", float, "NDArray[np.float64]")


@dataclass(frozen=True)
class Unit:
    """A unit: value in `si` = value in `symbol` * `factor` + `offset`."""

    symbol: str
    quantity: str
    si: str
    factor: float
    offset: float = 0.0

    def to_si(self, values: Values) -> Values:
        """Values in this unit, converted to `si`; works on floats and on arrays."""
        return values * self.factor + self.offset

    def from_si(self, values: Values) -> Values:
        """Values in `si`, converted to this unit; works on floats and on arrays."""
        return (values - self.offset) / self.factor

    def difference_to_si(self, values: Values) -> Values:
        """A difference of two values in this unit (no offset: 9 degF apart is 5 K apart)."""
        return values * self.factor


_GRAVITY = 9.80665  # m/s2, standard
_POUND_FORCE = 0.45359237 * _GRAVITY
_INCH = 0.0254

# quantity, SI unit, then: factor, offset, symbol, other spellings
_TABLE: tuple[tuple[str, str, tuple[tuple[float, float, str, tuple[str, ...]], ...]], ...] = (
    (
        "pressure",
        "Pa",
        (
            (1.0, 0.0, "Pa", ("pascal", "N/m2", "N/m^2", "N/m²")),
            (1e2, 0.0, "hPa", ()),
            (1e3, 0.0, "kPa", ("kilopascal", "kPag", "kPaa")),
            (1e6, 0.0, "MPa", ("N/mm2", "N/mm²")),
            (1e5, 0.0, "bar", ("barg", "bara", "bar(g)", "bar(a)")),
            (1e2, 0.0, "mbar", ("millibar",)),
            (_POUND_FORCE / _INCH**2, 0.0, "psi", ("psig", "psia", "lbf/in2", "lbf/in²")),
            (25.4 * 13.5951 * _GRAVITY, 0.0, "inHg", ("in Hg", '"Hg', "in.Hg", "inches Hg")),
            (25.4 * _GRAVITY, 0.0, "inH2O", ("in H2O", "inWC", "inH₂O", '"H2O', "inches H2O")),
            (13.5951 * _GRAVITY, 0.0, "mmHg", ("mm Hg",)),
            (10 * _GRAVITY, 0.0, "cmH2O", ("cm H2O", "cmH₂O")),
            (_GRAVITY, 0.0, "mmH2O", ("mm H2O", "mmWC", "mmH₂O")),
            (101325.0 / 760.0, 0.0, "Torr", ()),
            (101325.0, 0.0, "atm", ()),
        ),
    ),
    (
        "temperature",
        "K",
        (
            (1.0, 0.0, "K", ("kelvin",)),
            (1.0, 273.15, "degC", ("°C", "C", "deg C", "celsius", "℃")),
            (5.0 / 9.0, 459.67 * 5.0 / 9.0, "degF", ("°F", "F", "deg F", "fahrenheit", "℉")),
        ),
    ),
    (
        "length",
        "m",
        (
            (1.0, 0.0, "m", ("metre", "meter")),
            (1e-2, 0.0, "cm", ()),
            (1e-3, 0.0, "mm", ()),
            (1e3, 0.0, "km", ("kilometre", "kilometer")),
            (_INCH, 0.0, "in", ("inch", "inches")),
            (0.3048, 0.0, "ft", ("foot", "feet")),
            (1609.344, 0.0, "mile", ("mi", "miles")),
        ),
    ),
    (
        "time",
        "s",
        (
            (1.0, 0.0, "s", ("sec", "second", "seconds")),
            (1e-3, 0.0, "ms", ("msec", "millisecond", "milliseconds")),
            (1e-6, 0.0, "us", ("µs", "μs", "usec", "microsecond", "microseconds")),
            (1e-9, 0.0, "ns", ("nanosecond", "nanoseconds")),
            (60.0, 0.0, "min", ("minute", "minutes")),
            (3600.0, 0.0, "h", ("hour", "hours", "hr")),
        ),
    ),
    (
        "frequency",
        "Hz",
        (
            (1.0, 0.0, "Hz", ("hertz", "S/s", "Sa/s", "1/s")),
            (1e3, 0.0, "kHz", ("kS/s", "kSa/s")),
            (1e6, 0.0, "MHz", ("MS/s", "MSa/s")),
        ),
    ),
    (
        "rotational speed",
        "rpm",
        ((1.0, 0.0, "rpm", ("r/min", "1/min", "rev/min")), (60.0, 0.0, "r/s", ("rev/s", "rps"))),
    ),
    (
        "angle",
        "deg",
        ((1.0, 0.0, "deg", ("°", "degree", "degrees")), (180.0 / math.pi, 0.0, "rad", ("radian",))),
    ),
    (
        "voltage",
        "V",
        (
            (1.0, 0.0, "V", ("volt", "volts")),
            (1e-3, 0.0, "mV", ("millivolt", "millivolts")),
            (1e-6, 0.0, "uV", ("µV", "μV")),
            (1e3, 0.0, "kV", ()),
        ),
    ),
    (
        "current",
        "A",
        ((1.0, 0.0, "A", ("amp", "amps", "ampere")), (1e-3, 0.0, "mA", ()), (1e3, 0.0, "kA", ())),
    ),
    ("ratio", "1", ((1.0, 0.0, "1", ()), (1e-2, 0.0, "%", ("percent", "per cent")))),
    (
        "area",
        "m2",
        (
            (1.0, 0.0, "m2", ("m²", "m^2")),
            (1e-6, 0.0, "mm2", ("mm²", "mm^2")),
            (1e-4, 0.0, "cm2", ("cm²",)),
        ),
    ),
    (
        "volume",
        "m3",
        (
            (1.0, 0.0, "m3", ("m³", "m^3")),
            (1e-3, 0.0, "L", ("litre", "liter")),
            (1e-6, 0.0, "cm3", ("cc", "cm³", "cm^3", "mL")),
            (_INCH**3, 0.0, "in3", ("cu in", "in³", "cid")),
        ),
    ),
    (
        "speed",
        "m/s",
        (
            (1.0, 0.0, "m/s", ()),
            (1.0 / 3.6, 0.0, "km/h", ("kph", "kmh")),
            (1609.344 / 3600.0, 0.0, "mph", ()),
        ),
    ),
)


# Case tells these from another unit a thousand or a thousand million times as large.
_CASE_MATTERS = frozenset({"m", "mA", "mV", "ms", "MHz", "MPa", "MS/s", "MSa/s"})


def _spelled() -> tuple[dict[str, Unit], dict[str, Unit]]:
    """Every spelling as written, and those that stay unambiguous when case is ignored."""
    exact: dict[str, Unit] = {}
    for quantity, si, rows in _TABLE:
        for factor, offset, symbol, others in rows:
            unit = Unit(symbol, quantity, si, factor, offset)
            exact.update({_squeezed(name): unit for name in (symbol, *others)})
    folded: dict[str, set[Unit]] = {}
    for name in exact.keys() - _CASE_MATTERS:
        unit = exact[name]
        folded.setdefault(name.casefold(), set()).add(unit)
    return exact, {name: units.pop() for name, units in folded.items() if len(units) == 1}


def _squeezed(name: str) -> str:
    """Without blanks."""
    return "".join(name.split())


_EXACT, _FOLDED = _spelled()


def try_unit(name: str) -> Unit | None:
    """The unit with this spelling, or None. Brackets around it are allowed: "[kPa]", "(V)".

    Case is ignored except where it could stand for another size ("mV" is not "MV").
    """
    bare = _squeezed(name)
    if bare[:1] + bare[-1:] in ("[]", "()"):
        bare = bare[1:-1]
    return _EXACT.get(bare) or _FOLDED.get(bare.casefold())


def parse_unit(name: str, quantity: str | None = None) -> Unit:
    """The unit with this spelling.

    Raises SettingError when it is not known, or is not a unit of `quantity` when that is given.
    """
    unit = try_unit(name)
    if unit is not None and quantity in (None, unit.quantity):
        return unit
    kinds = [q for q, _, _ in _TABLE if quantity in (None, q)]
    known = {q: ", ".join(symbol for _, _, symbol, _ in rows) for q, _, rows in _TABLE}
    raise SettingError(
        f"This is not a unit of {quantity}." if unit and quantity else "This unit is not known.",
        got=repr(name),
        allowed="; ".join(f"{q}: {known[q]}" for q in kinds) or f"no unit of {quantity} is known",
        remedy="Write the unit as one of these.",
    )


def to_si(value: Values, unit: str, quantity: str | None = None) -> Values:
    """`value` in `unit`, converted to SI. Raises SettingError for an unknown unit."""
    return parse_unit(unit, quantity).to_si(value)


def from_si(value: Values, unit: str, quantity: str | None = None) -> Values:
    """`value` in SI, converted to `unit`. Raises SettingError for an unknown unit."""
    return parse_unit(unit, quantity).from_si(value)


def parse_quantity(text: str, quantity: str | None = None) -> tuple[float, Unit]:
    """A number with its unit, such as "5.5 inH2O" or "820 rpm": (value in SI, the unit).

    Raises SettingError when the number or the unit cannot be read, or the number is not finite.
    """
    stripped = text.strip()
    length = next((n for n in range(len(stripped), 0, -1) if _number(stripped[:n]) is not None), 0)
    value = _number(stripped[:length])
    if value is None or not math.isfinite(value):
        raise SettingError(
            "This does not start with a number.",
            got=repr(text),
            allowed="a number and a unit, such as '5.5 kPa'",
        )
    unit = parse_unit(stripped[length:], quantity)
    return unit.to_si(value), unit


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


_PERCENT = re.compile(r"(?<=\d) ?%(?!\w)")
_FIXED_SPACE = "\N{NO-BREAK SPACE}"


def grouped(value: float, decimals: int = 0) -> str:
    """A number with its thousands apart, by a space that does not break: "412 048". A comma would
    be a decimal sign in other languages."""
    return f"{value:,.{decimals}f}".replace(",", _FIXED_SPACE)


def percent(share: float, decimals: int = 0, *, sign: bool = False) -> str:
    """A share (1 is the whole) in per cent, as it is written everywhere: "36 %" with a space that
    does not break. `sign`: with a plus, too."""
    return f"{100.0 * share:{'+' if sign else ''}.{decimals}f}{_FIXED_SPACE}%"


def percent_kept_together(text: str) -> str:
    """The text with every percentage as `percent` writes it: for sentences about to be shown, among
    them those of older analyses."""
    return _PERCENT.sub(f"{_FIXED_SPACE}%", text) if "%" in text else text
