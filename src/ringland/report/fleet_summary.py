"""The fleet summary: which vehicle first and why, and how each one's numbers move."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial

from ringland.figures import trend
from ringland.model import Estimate, State
from ringland.report.blocks import (
    Block,
    Cell,
    Finding,
    Findings,
    Group,
    Paragraph,
    Picture,
    Section,
    Table,
)
from ringland.report.document import Document
from ringland.report.finish import finish
from ringland.report.firm import Firm
from ringland.report.numbers import decimals_for_width, write_number, write_plain
from ringland.report.reference import owner_cautions_section
from ringland.report.words import STATE_WORDS

__all__ = ["FleetLine", "FleetTrend", "fleet_document"]

_MOST_NAMED = 5


@dataclass(frozen=True)
class FleetLine:
    """One vehicle in the order it should come in.

    `waiting_cost` is what waiting until `wait_days` costs, in the owner's `currency`;
    `visit_hours` the expected work; `sentence` why it stands here; `last_seen` the day of the
    newest recording, in words.
    """

    vehicle: str
    state: State
    sentence: str
    waiting_cost: Estimate
    wait_days: float
    visit_hours: float
    bring_in: bool
    last_seen: str = ""
    currency: str = "EUR"


@dataclass(frozen=True)
class FleetTrend:
    """How one number of one vehicle moves over odometer or hours; `figure` is prepared data."""

    vehicle: str
    title: str
    figure: trend.TrendFigure


def fleet_document(
    lines: Sequence[FleetLine],
    trends: Sequence[FleetTrend] = (),
    *,
    title: str,
    subtitle: str = "",
    firm: Firm | None = None,
    language: str = "en",
    made_on: date | None = None,
) -> Document:
    """The finished summary of a fleet; `lines` in the order they should come in.

    Raises SettingError for an unknown language.
    """
    sections = [_first(lines), _order(lines), owner_cautions_section()]
    if trends:
        sections.append(_trends(trends))
    return finish(
        sections,
        kind="fleet",
        title=title,
        subtitle=subtitle,
        firm=firm,
        language=language,
        made_on=made_on,
    )


def _first(lines: Sequence[FleetLine]) -> Section:
    called = [line for line in lines if line.bring_in]
    if not lines:
        block: Block = Paragraph("No vehicle of this fleet was measured yet.")
    elif not called:
        block = Paragraph("No vehicle needs to come in before its service.")
    else:
        block = Findings(
            tuple(
                Finding(one.vehicle, one.state, STATE_WORDS[one.state], (one.sentence,))
                for one in called[:_MOST_NAMED]
            )
        )
    return Section("first", "What comes in first", (block,), reader="owner")


def _order(lines: Sequence[FleetLine]) -> Section:
    head = ("", "Vehicle", "State", "Last measured", "Waiting costs", "Work", "Why")
    rows = tuple(
        (
            Cell(str(number), number=True),
            Cell(line.vehicle, strong=line.bring_in),
            Cell(STATE_WORDS[line.state], mark=line.state),
            Cell(line.last_seen or "–", number=True),
            Cell(_cost(line)),
            Cell(f"{write_plain(round(line.visit_hours, 1))} h", number=True),
            Cell(line.sentence),
        )
        for number, line in enumerate(lines, 1)
    )
    note = Paragraph(
        "In order of what waiting is expected to cost. Bold: worth a visit of its own before the "
        "next service. A range says how well that is known."
    )
    blocks: tuple[Block, ...] = (Table("", head, (Group("", rows),)), note) if rows else (note,)
    return Section("order", "All vehicles in order", blocks, reader="owner")


def _cost(line: FleetLine) -> str:
    cost = line.waiting_cost
    if cost.low is None or cost.high is None:
        return f"not known: {cost.reason}"
    places = min(decimals_for_width(cost.high - cost.low, 1), 0)
    low, high = write_number(cost.low, places), write_number(cost.high, places)
    return f"{low} to {high} {line.currency} in {line.wait_days:.0f} days"


def _trends(trends: Sequence[FleetTrend]) -> Section:
    pictures = tuple(
        Picture(
            f"trend-{index}",
            f"{one.title} of {one.vehicle} over {one.figure.x_label}",
            "A dot is a visit with its 90 % interval, a ruled line a repair. The fan is what may "
            "follow; without a trend there is none.",
            trend.size_in(one.figure),
            partial(trend.compose, prepared=one.figure),
            f"{one.vehicle}: {one.title}",
            narrow_in=trend.size_in(one.figure, narrow=True),
        )
        for index, one in enumerate(trends)
    )
    return Section("trends", "How the numbers move", pictures)
