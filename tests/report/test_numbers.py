"""How numbers are written, against the worked rounding of the GUM."""

import pytest

from ringland.model import Estimate, unknown
from ringland.report.numbers import (
    decimals_for_width,
    write_estimate,
    write_number,
    write_odds,
    write_plain,
)

NBSP = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("width", "decimals"),
    [(9.0, 1), (12.0, 0), (0.47, 2), (0.0996, 2), (0.996, 1), (9.96, 0), (99.6, -1), (340.0, -1)],
)
def test_two_significant_figures_on_the_width(width: float, decimals: int) -> None:
    assert decimals_for_width(width) == decimals


def test_gum_example_rounding() -> None:
    # JCGM 100:2008, 7.2.6: y = 10.057 62 ohm with uncertainty 27 milliohm becomes 10.058 ohm.
    # One digit more in the uncertainty (two figures of 0.027) fixes the third decimal.
    written = write_estimate(Estimate(10.05762, 10.05762 - 0.0135, 10.05762 + 0.0135, "ohm"))
    assert written.value == "10.058"


@pytest.mark.parametrize(
    ("estimate", "text"),
    [
        (Estimate(0.664, 0.62, 0.71, "1"), f"66.4{NBSP}% (62.0 to 71.0{NBSP}%)"),
        (Estimate(0.66, 0.60, 0.72, "1"), f"66{NBSP}% (60 to 72{NBSP}%)"),
        (Estimate(1234.0, 1100.0, 1400.0, "Pa"), f"1.23{NBSP}kPa (1.10 to 1.40{NBSP}kPa)"),
        (Estimate(9.41, 7.6, 11.2, "deg"), "9.4° (7.6 to 11.2°)"),
        (Estimate(-0.001, -1.0, 1.0, "deg"), "0.0° (\N{MINUS SIGN}1.0 to 1.0°)"),
        (Estimate(3.1, 2.2, 4.4, "mm2"), f"3.1{NBSP}mm² (2.2 to 4.4{NBSP}mm²)"),
        (Estimate(780.0, 780.0, 780.0, "rpm"), f"780{NBSP}rpm (exact)"),
    ],
)
def test_whole_estimates(estimate: Estimate, text: str) -> None:
    assert write_estimate(estimate).text == text


def test_counts_are_not_ratios() -> None:
    written = write_estimate(Estimate(660.0, 660.0, 660.0, "1"), percent=False)
    assert written.text == "660 (exact)"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (48400.0, f"48{NBSP}400"),
        (0.1, "0.1"),
        (-12.5, "\N{MINUS SIGN}12.5"),
        (0.0, "0"),
        (2e-7, "2.00e\N{MINUS SIGN}07"),
        (999.6, f"1{NBSP}000"),
    ],
)
def test_plain_numbers(value: float, text: str) -> None:
    assert write_plain(value) == text


def test_unknown_always_says_why() -> None:
    written = write_estimate(unknown("Pa", "sensor unplugged"))
    assert written.value == "–"
    assert written.text == "not known: sensor unplugged"


def test_numbers_have_a_true_minus_and_no_minus_zero() -> None:
    assert write_number(-1.25, 1) == "\N{MINUS SIGN}1.2"
    assert write_number(-0.01, 1) == "0.0"
    assert write_number(1234.0, -2) == "1200"


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (0.78, f"8 in 10 (78{NBSP}%)"),
        (0.02, f"2 in 100 (2{NBSP}%)"),
        (0.97, f"97 in 100 (97{NBSP}%)"),
        (0.001, f"less than 1 in 100 (under 1{NBSP}%)"),
        (0.999, f"more than 99 in 100 (over 99{NBSP}%)"),
        (0.94, f"9 in 10 (94{NBSP}%)"),
        (0.06, f"6 in 100 (6{NBSP}%)"),
    ],
)
def test_probabilities_as_natural_frequencies_first(probability: float, text: str) -> None:
    assert write_odds(probability) == text
