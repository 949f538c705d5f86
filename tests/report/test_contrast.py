"""Text at 7:1 in both schemes.

Formula of relative luminance and contrast ratio: W3C, Web Content Accessibility Guidelines 2.2,
"relative luminance" and "contrast ratio"; 7:1 is success criterion 1.4.6 (AAA). Marks that are
not text need 3:1 (1.4.11).
"""

import re
from importlib.resources import files

import pytest

CSS = files("ringland.report").joinpath("templates/report.css").read_text(encoding="utf-8")


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _ratio(one: str, other: str) -> float:
    bright, dim = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def _schemes() -> dict[str, dict[str, str]]:
    light, dark = (
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)
    )
    return {"light": light, "dark": dark}


def test_formula_on_the_published_extremes() -> None:
    assert _ratio("#000000", "#ffffff") == pytest.approx(21.0)
    assert _ratio("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # WCAG's usual example


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("text", ["ink", "muted", "link"])
@pytest.mark.parametrize("ground", ["paper", "wash"])
def test_text_colours_reach_seven_to_one(scheme: str, text: str, ground: str) -> None:
    colours = _schemes()[scheme]
    assert _ratio(colours[text], colours[ground]) >= 7.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("mark", ["blue", "vermillion"])
def test_marks_reach_three_to_one(scheme: str, mark: str) -> None:
    colours = _schemes()[scheme]
    assert _ratio(colours[mark], colours["paper"]) >= 3.0


def test_links_in_the_contents_are_thumb_size() -> None:
    assert re.search(r"nav a \{[^}]*min-height: 48px", CSS)
