"""Overlay arrays against a case counted by hand, and a drawing that holds every mark."""

import re
from functools import partial

import numpy as np
import pytest

from ringland.figures import overlay
from ringland.figures.svg import inline_svg
from ringland.model import Assignment, ChannelRole, CylinderSet, Reference
from ringland.severity import CycleOverlay

TWIN = (
    Assignment(1, 0.0, 1, 0.99, True, "trigger"),
    Assignment(2, 360.0, 2, 0.99, True, "trigger"),
)


def shown() -> CycleOverlay:
    """A measured bump at 90 degrees, simulated at 450."""
    angle = np.arange(0.0, 720.0, 2.0, dtype=np.float64)
    measured = np.where(angle == 90.0, 1.0, 0.0)
    simulated = np.where(angle == 450.0, 2.0, 0.0)
    return CycleOverlay(
        "exhaust", ChannelRole.EXHAUST, "V", 40, angle, measured, measured - 0.1, measured + 0.1,
        simulated, simulated - 0.2, simulated + 0.2, np.zeros(360),
    )  # fmt: skip


def cylinders() -> CylinderSet:
    return CylinderSet((), (), (), TWIN, (), ())


def test_each_strip_starts_at_its_own_firing_top_dead_centre() -> None:
    prepared = overlay.prepare(
        shown(), cylinders(), faulty=(2,), reference=Reference.CYLINDER, cycle_deg=720.0
    )
    first, second = prepared.strips
    assert (first.label, second.label) == ("cyl 1", "cyl 2")
    assert (first.faulty, second.faulty) == (False, True)
    assert prepared.angle_deg[int(np.argmax(first.measured))] == 90.0
    assert prepared.angle_deg[int(np.argmax(second.measured))] == 450.0
    assert prepared.angle_deg[int(np.argmax(second.simulated))] == 90.0
    assert prepared.strokes[0] == (0.0, "expansion")


def test_an_arbitrary_zero_has_no_strokes() -> None:
    prepared = overlay.prepare(
        shown(), cylinders(), faulty=(), reference=Reference.ARBITRARY, cycle_deg=720.0
    )
    assert prepared.strokes == ()
    assert "arbitrary" in prepared.angle_label


def test_arrays_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        shown().measured[0] = 1.0


def test_the_drawing_names_every_mark_and_the_place_of_the_fault() -> None:
    prepared = overlay.prepare(
        shown(), cylinders(), faulty=(2,), reference=Reference.CYLINDER, cycle_deg=720.0
    )
    svg = inline_svg(
        "o", overlay.size_in(prepared), partial(overlay.compose, prepared=prepared), title="t"
    )
    for words in ("simulated with the fault", "measured", "simulated, sound", "fault here"):
        assert re.search(words, svg)
