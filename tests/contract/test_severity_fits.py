"""The size of a fault: in plain words in the report, with its curves in the JSON and back."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from jsonschema import Draft202012Validator

from ringland.model import Analysis, ChannelRole, CycleOverlay, Estimate, SeverityFit, unknown
from ringland.output import as_json, json_text
from ringland.report.blocks import Paragraph, Picture, Points
from ringland.report.saved import analysis_from_json
from ringland.report.severity import severity_section

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "analysis.schema.json"


def fitted(area_mm2: float = math.pi) -> SeverityFit:
    """A ring leak; pi mm2 is a hole of 2 mm: pi d^2 / 4."""
    angle = np.arange(0.0, 720.0, 2.0)
    curve = np.sin(np.radians(angle))
    shown = CycleOverlay(
        "Ch A", ChannelRole.CRANKCASE, "Pa", 12, angle,
        curve, curve - 0.1, curve + 0.1, 0.9 * curve, curve - 0.2, curve + 0.2, 0.5 * curve,
    )  # fmt: skip
    size = Estimate(area_mm2, 2.0, 5.0, "mm2", 0.90)
    return SeverityFit("ring_leak", 2, None, size, "fitted", (shown,), ("The fuel was taken.",))


def sentences(analysis: Analysis) -> list[str]:
    section = severity_section(analysis)
    return [text for b in section.blocks if isinstance(b, Points) for text in b.items]


def test_nobody_asked(whole: Analysis) -> None:
    (block,) = severity_section(whole).blocks
    assert isinstance(block, Paragraph) and "it was not asked for" in block.text
    assert as_json(whole)["severity_fits"] == []


def test_the_size_in_plain_words(whole: Analysis) -> None:
    said = [
        s.replace("\N{NO-BREAK SPACE}", " ") for s in sentences(replace(whole, fits=(fitted(),)))
    ]
    assert any(s.startswith("Leak area, if this is the fault: 3.1 mm²") for s in said)
    assert "The true size lies between 2.0 mm² and 5.0 mm² in 9 of 10 such cases." in said
    assert "As large as a round hole 2.0 mm across." in said
    assert "The fuel was taken." in said


def test_the_cycles_are_drawn_over_each_other(whole: Analysis) -> None:
    section = severity_section(replace(whole, fits=(fitted(),)))
    assert sum(isinstance(b, Picture) for b in section.blocks) == 1


def test_what_could_not_be_found_says_why(whole: Analysis) -> None:
    fit = SeverityFit("ring_leak", None, None, unknown("mm2", "the place is not known"))
    assert sentences(replace(whole, fits=(fit,))) == [
        "How large it is could not be found: the place is not known."
    ]


def test_through_json_and_back(whole: Analysis) -> None:
    analysis = replace(whole, fits=(fitted(),))
    content = json.loads(json_text(as_json(analysis)))
    schema = json.loads(SCHEMA_FILE.read_text("utf-8"))
    assert [e.message for e in Draft202012Validator(schema).iter_errors(content)] == []
    (back,) = analysis_from_json(content).fits
    assert (back.failure_mode, back.firing_position, back.method) == ("ring_leak", 2, "fitted")
    assert back.estimate == fitted().estimate
    np.testing.assert_allclose(
        back.overlays[0].simulated, fitted().overlays[0].simulated, rtol=1e-4, atol=1e-9
    )
