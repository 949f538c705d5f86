"""Declarations: complete, consistent, documented."""

from pathlib import Path

import numpy as np
import pytest

from ringland.metrics import DEFINITIONS, measure_metrics
from ringland.metrics._values import over_cycles
from ringland.model import CylinderSet, MetricDefinition

DOCS = Path(__file__).parents[2] / "docs"
HEADINGS = ["What it measures", "Equation", "Expectation", "Limits", "Literature"]


def test_ids_are_unique() -> None:
    ids = [d.id for d in DEFINITIONS]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("one", DEFINITIONS, ids=lambda d: d.id)
def test_limits_make_sense(one: MetricDefinition) -> None:
    assert one.valid_low < one.valid_high
    assert 0.0 < one.alert_deviation < one.alarm_deviation
    assert one.healthy_spread < one.alert_deviation
    assert one.fewest_cycles >= 1


@pytest.mark.parametrize("one", DEFINITIONS, ids=lambda d: d.id)
def test_each_has_a_page_with_the_same_headings(one: MetricDefinition) -> None:
    text = (DOCS / "metrics" / f"{one.id}.md").read_text("utf-8")
    found = [line[3:] for line in text.splitlines() if line.startswith("## ")]
    assert found == HEADINGS
    assert one.title in text
    for number in (one.healthy_spread, one.alert_deviation, one.alarm_deviation):
        assert f"{number:g}" in text, number
    if one.citation == "heuristic":
        assert "own heuristic" in text.casefold()
    else:
        assert f"[@{one.citation}]" in text


def test_nothing_measured_gives_an_empty_table() -> None:
    found = measure_metrics(CylinderSet((), (), (), (), (), ()))
    assert found.values == ()
    assert found.definitions == ()


def test_error_of_a_median_covers_the_truth() -> None:
    """90 % intervals of the median of normal values hold the truth in about 90 % of trials."""
    rng = np.random.default_rng(5)
    one = DEFINITIONS[0]
    inside = 0
    for _ in range(400):
        estimate = over_cycles(one, "p", 1, 1.0 + 0.1 * rng.standard_normal(40)).estimate
        assert estimate.low is not None
        assert estimate.high is not None
        inside += estimate.low <= 1.0 <= estimate.high
    assert 0.84 < inside / 400 < 0.96


def test_too_few_cycles_are_a_reason_not_a_value() -> None:
    one = DEFINITIONS[0]
    found = over_cycles(one, "p", 1, np.array([1.0, np.nan]))
    assert not found.estimate.known
    assert str(one.fewest_cycles) in (found.estimate.reason or "")
