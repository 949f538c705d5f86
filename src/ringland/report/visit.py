"""Facts of a visit that a report shows, in the user's own words."""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["WRITE_IN", "VisitFacts", "visit_from_pairs"]

WRITE_IN = ("Vehicle", "Owner", "Odometer or hours", "Technician", "Date of the visit")
"""What is a line to write on when it was not given."""


@dataclass(frozen=True)
class VisitFacts:
    """What was written down at the visit. An empty text becomes a line to write on.

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
        values = (self.vehicle, self.owner, self.odometer, self.technician, self.date)
        return (*zip(WRITE_IN, values, strict=True), *self.more)


def visit_from_pairs(pairs: Sequence[tuple[str, str]]) -> VisitFacts:
    """Facts given as (name, value): the names of `WRITE_IN`, and whatever else there is."""
    given = dict(pairs)
    vehicle, owner, odometer, technician, day = (given.pop(name, "") for name in WRITE_IN)
    return VisitFacts(vehicle, owner, odometer, technician, day, more=tuple(given.items()))
