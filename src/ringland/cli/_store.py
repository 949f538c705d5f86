"""Opening the store on the command line, and finding what a person names."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringland.errors import BadInput

if TYPE_CHECKING:
    from ringland.history import Store, Vehicle, Visit
    from ringland.model import LearnedPriors

__all__ = [
    "StoreOption",
    "counting",
    "given",
    "named_vehicle",
    "named_visit",
    "opened",
    "priors_in",
    "shown",
]

StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="PLACE",
        envvar="RINGLAND_DATA",
        help="Folder of the store, or postgresql://... (default: your data folder).",
    ),
]


@contextmanager
def opened(place: str | None) -> "Iterator[Store]":
    """The store, closed again at the end."""
    from ringland.history import open_store

    with open_store(place) as store:
        yield store


def priors_in(place: str | None) -> "LearnedPriors | None":
    """Learned priors, if the store there has them switched on. Makes no store."""
    from ringland.history.place import is_store

    if not is_store(place):
        return None
    from ringland.history.learned import priors_of

    with opened(place) as store:
        return priors_of(store)


def given(**values: object) -> dict[str, Any]:
    """Only what was given on the command line."""
    return {name: value for name, value in values.items() if value is not None}


def named_vehicle(store: "Store", name: str) -> "Vehicle":
    """The vehicle with this id, name, fleet number, plate or VIN. Raises BadInput."""
    from ringland.history import get_vehicle, list_vehicles, search
    from ringland.history.ids import is_id

    if is_id(name):
        return get_vehicle(store, name)
    for field in ("name", "fleet_number", "plate", "vin"):
        equals: dict[str, Any] = {field: name}
        found = list_vehicles(store, **equals)
        if len(found) == 1:
            return found[0]
        if len(found) > 1:
            raise BadInput(
                f"More than one vehicle has this {field.replace('_', ' ')}.",
                got=name,
                allowed="\n    ".join(f"{v.id}  {v.name}  {v.plate}" for v in found[:10]),
                remedy="Name it by its id.",
            )
    near = [hit.text for hit in search(store, name, limit=5) if hit.kind == "vehicle"]
    raise BadInput(
        "There is no vehicle of that name.",
        got=name,
        allowed=("\n    ".join(near) if near else "a name, fleet number, plate, VIN or id"),
        remedy="See them: ringland vehicle list",
    )


def named_visit(store: "Store", vehicle: str, day: str | None) -> "Visit":
    """The visit of a vehicle on a day, the newest when no day is said; or a visit by its id."""
    from ringland.history import get_visit, list_visits
    from ringland.history.ids import is_id

    if day is not None and is_id(day):
        return get_visit(store, day)
    row = named_vehicle(store, vehicle)
    visits = list_visits(store, vehicle_id=row.id, **given(visited_on=day))
    if not visits:
        said = "no visit yet" if day is None else f"no visit on {day}"
        raise BadInput(
            f"{row.name} has {said}.",
            remedy="See its visits: ringland vehicle show NAME. Add one: ringland visit add NAME",
        )
    if day is not None and len(visits) > 1:
        raise BadInput(
            f"{row.name} has more than one visit on {day}.",
            allowed="\n    ".join(f"{v.id}  {v.purpose}" for v in visits),
            remedy="Name it by its id.",
        )
    return visits[0]


@contextmanager
def counting() -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar per word on standard error, fed with (word, done, of)."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    tasks: dict[str, Any] = {}
    with Progress(
        *columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal
    ) as bars:

        def report(word: str, done: int, total: int) -> None:
            if word not in tasks:
                tasks[word] = bars.add_task(word, total=total or None)
            bars.update(tasks[word], completed=done, total=total or None)

        yield report


def shown(*pairs: tuple[str, object]) -> None:
    """Lines of a name and a value, without those that are empty."""
    from ringland.cli._text import plain

    for name, value in pairs:
        if value not in (None, ""):
            typer.echo(f"  {name + ':':<16} {plain(str(value), keep_lines=True)}")
