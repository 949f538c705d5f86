"""Facts of a visit that a report shows, in the user's own words."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

__all__ = ["WRITE_IN", "VisitFacts", "is_date", "visit_from_pairs", "written_date"]

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
_DATE = re.compile(rf"\d{{1,2}} ({'|'.join(_MONTHS)}) \d{{4}}")

WRITE_IN = ("Vehicle", "Owner", "Odometer or hours", "Technician", "Date of the visit")
"""What is a line to write on when it was not given."""


@dataclass(frozen=True)
class VisitFacts:
    """What was written down at the visit. An empty text becomes a line to write on. A `date` as
    in ISO 8601 (2026-09-14) is written out in the language of the report.

    `more` are further (name, value) pairs; `address` the owner's lines for the head of the page.
    """

    vehicle: str = ""
    owner: str = ""
    odometer: str = ""
    technician: str = ""
    date: str = ""
    more: tuple[tuple[str, str], ...] = ()
    address: tuple[str, ...] = ()

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        """All facts as (name, value), those to write on among them."""
        values = (self.vehicle, self.owner, self.odometer, self.technician, written_date(self.date))
        return (*zip(WRITE_IN, values, strict=True), *self.more)


def written_date(text: str) -> str:
    """An ISO date written out, "14 September 2026"; any other text as it is."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return text
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def is_date(text: str) -> bool:
    """True for a date written out in English, which a translation may turn."""
    return _DATE.fullmatch(text) is not None


def visit_from_pairs(pairs: Sequence[tuple[str, str]]) -> VisitFacts:
    """Facts given as (name, value): the names of `WRITE_IN`, and whatever else there is."""
    given = dict(pairs)
    vehicle, owner, odometer, technician, day = (given.pop(name, "") for name in WRITE_IN)
    return VisitFacts(vehicle, owner, odometer, technician, day, more=tuple(given.items()))
