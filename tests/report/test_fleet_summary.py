"""The fleet summary from plain rows: order kept, costs as ranges, trends drawn."""

import re
from datetime import date
from io import BytesIO

import numpy as np
from pypdf import PdfReader

from ringland.figures.trend import TrendPoint, prepare
from ringland.model import Estimate, State, unknown
from ringland.report import render_document, render_pdf
from ringland.report.fleet_summary import FleetLine, FleetTrend, fleet_document

MADE = date(2026, 9, 14)
LINES = (
    FleetLine(
        "Bus 12", State.ALARM, "Rings in cylinder 3 get worse.",
        Estimate(820.0, 410.0, 1230.0, "currency"), 30.0, 9.5, bring_in=True,
        last_seen="3 May 2026",
    ),
    FleetLine(
        "Minibus 7", State.NORMAL, "Nothing wrong is likely.",
        Estimate(12.0, 6.0, 18.0, "currency"), 12.0, 0.4, bring_in=False,
    ),
    FleetLine(
        "<b>Van</b> 21 #x", State.NOT_JUDGED, "Never measured.",
        unknown("currency", "no recording"), 30.0, 0.0, bring_in=False,
    ),
)  # fmt: skip


def _trend() -> FleetTrend:
    points = tuple(
        TrendPoint(float(x), Estimate(y, y - 2, y + 2, "1"))
        for x, y in zip(np.arange(4) * 10_000.0, (99.0, 96.0, 92.0, 88.0), strict=True)
    )
    figure = prepare(
        points, x_label="Odometer, km", y_label="Strength, %", verdict="Falls by 4 % in 10 000 km"
    )
    return FleetTrend("Bus 12", "Exhaust pulse strength", figure)


def test_order_costs_and_trend() -> None:
    document = fleet_document(LINES, (_trend(),), title="Marrow Valley Transit", made_on=MADE)
    assert [s.id for s in document.sections] == ["first", "order", "owner-cautions", "trends"]
    text = "".join(p.extract_text() for p in PdfReader(BytesIO(render_pdf(document))).pages)
    text = re.sub(r"\s+", " ", text)
    for wanted in ("Bus 12", "400 to 1200 EUR in 30 days", "not known: no recording", "Odometer"):
        assert wanted in text, text
    assert text.index("Bus 12") < text.index("Minibus 7") < text.index("<b>Van</b> 21 #x")
    assert "<b>Van</b>" not in render_document(document)


def test_in_german_and_with_nothing_to_show() -> None:
    page = render_document(fleet_document(LINES[1:2], title="F", language="de", made_on=MADE))
    assert "Kein Fahrzeug muss vor seiner Wartung hereinkommen." in page
    empty = fleet_document((), title="F", made_on=MADE)
    assert "No vehicle of this fleet was measured yet." in render_document(empty)
