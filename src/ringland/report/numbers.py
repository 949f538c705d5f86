"""How a number is written: the interval to two significant figures, the value rounded to it.

Rounding follows GUM (JCGM 100:2008) 7.2.6: at most two significant digits on the uncertainty, and
the value to the same place. Here the uncertainty is the whole width of the interval.
"""

import math
from dataclasses import dataclass

from ringland.model import Estimate, natural_frequency
from ringland.units import grouped, percent

__all__ = [
    "WrittenEstimate",
    "decimals_for_width",
    "write_estimate",
    "write_number",
    "write_odds",
    "write_plain",
    "write_span",
]

MINUS = "\N{MINUS SIGN}"
FIXED_SPACE = "\N{NO-BREAK SPACE}"
EXACT = "exact"
_LARGEST_DECIMALS = 9
# (SI unit, size below which the plain unit is kept) -> shown unit and factor.
_LARGER_UNITS = {"Pa": ("kPa", 1e-3, 1000.0), "s": ("s", 1.0, math.inf)}
_PLAIN_NAMES = {"deg": "°", "mm2": "mm²", "m2": "m²"}


@dataclass(frozen=True)
class WrittenEstimate:
    """An estimate as text. `value` and `interval` carry no unit; `unit` may be empty.

    When the value is not known `value` is an en dash and `reason` says why.
    """

    value: str
    interval: str
    unit: str
    reason: str | None = None

    @property
    def text(self) -> str:
        """All of it in one line: "66 % (62 to 71 %)" or "not known: reason"."""
        if self.reason is not None:
            return f"not known: {self.reason}"
        if self.interval == EXACT:
            return f"{self.with_unit(self.value)} ({EXACT})"
        return f"{self.with_unit(self.value)} ({self.with_unit(self.interval)})"

    def with_unit(self, number: str) -> str:
        """A number of this estimate with its unit, kept on one line."""
        gap = "" if self.unit in ("", "°") else FIXED_SPACE
        return f"{number}{gap}{self.unit}"


def decimals_for_width(width: float, digits: int = 2) -> int:
    """Decimal places that leave `digits` significant figures on an interval of this width.

    Negative for widths of 100 and more (1 digit: of 10 and more), as in `round`.
    """
    if not math.isfinite(width) or width <= 0:
        return _LARGEST_DECIMALS
    places = digits - 1 - math.floor(math.log10(width))
    # 0.0996 to two figures is 0.10: rounding up may cross a power of ten.
    if round(width, places) >= 10.0 ** (digits - places):
        places -= 1
    return min(places, _LARGEST_DECIMALS)


def write_number(value: float, decimals: int) -> str:
    """A number with that many decimals (negative: rounded to tens, hundreds), a true minus sign."""
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def write_plain(value: float) -> str:
    """A number without an interval: three figures, never an exponent below a million million."""
    size = abs(value)
    if 999.5 <= size < 1e12:
        text = grouped(value)
    elif 1e-4 <= size < 999.5 or size == 0.0:
        text = f"{value:.3g}"
    else:
        text = f"{value:.2e}"
    return text.replace("-", MINUS)


def _scaled(estimate: Estimate, percent: bool) -> tuple[float, float, float, str]:
    """Value, low, high in the unit shown, and that unit. Call only on a known estimate."""
    value, low, high = (
        float(n) for n in (estimate.value, estimate.low, estimate.high) if n is not None
    )
    factor, unit = 1.0, _shown_unit(estimate.unit, percent)
    if unit == "%":
        factor = 100.0
    elif estimate.unit in _LARGER_UNITS:
        larger, larger_factor, threshold = _LARGER_UNITS[estimate.unit]
        if max(abs(low), abs(high)) >= threshold:
            factor, unit = larger_factor, larger
    return value * factor, low * factor, high * factor, unit


def _shown_unit(unit: str, percent: bool) -> str:
    if unit == "1":
        return "%" if percent else ""
    return _PLAIN_NAMES.get(unit, unit)


def write_estimate(estimate: Estimate, digits: int = 2, *, percent: bool = True) -> WrittenEstimate:
    """Value and interval as text; bare numbers (unit "1") as per cent unless told otherwise."""
    if not estimate.known:
        unit = _shown_unit(estimate.unit, percent)
        return WrittenEstimate("–", "", unit, estimate.reason or "no reason was recorded")
    value, low, high, unit = _scaled(estimate, percent)
    if high == low:
        return WrittenEstimate(write_plain(value), EXACT, unit)
    places = decimals_for_width(high - low, digits)
    interval = f"{write_number(low, places)} to {write_number(high, places)}"
    return WrittenEstimate(write_number(value, places), interval, unit)


def write_span(start_s: float, stop_s: float) -> str:
    """A part of a recording: "1.25 to 1.40 s", or one moment when it is shorter than shown."""
    if stop_s - start_s < 0.01:
        return f"{start_s:.2f}{FIXED_SPACE}s"
    return f"{start_s:.2f} to {stop_s:.2f}{FIXED_SPACE}s"


def write_odds(probability: float) -> str:
    """A probability as a natural frequency first, per cent second: "8 in 10 (80 %)"."""
    per_cent = percent(probability)
    if probability >= 0.995:
        per_cent = f"over 99{FIXED_SPACE}%"
    elif probability < 0.005:
        per_cent = f"under 1{FIXED_SPACE}%"
    return f"{natural_frequency(probability)} ({per_cent})"
