"""`ringland vehicle`: vehicles, their engines, and everything known of one."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._store import StoreOption, given, named_vehicle, opened, shown
from ringland.cli._text import plain
from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.history import Store, Vehicle
    from ringland.history.insight import PlaceTrend, VisitPage

__all__ = ["app"]

app = typer.Typer(help="Vehicles, their engines, and everything known of one.",
                  no_args_is_help=True)  # fmt: skip

Name = Annotated[str, typer.Argument(help="Name, fleet number, plate, VIN or id.")]
FleetNumber = Annotated[str | None, typer.Option("--fleet-number", help="The owner's number.")]
Plate = Annotated[str | None, typer.Option("--plate", help="Number plate.")]
Vin = Annotated[str | None, typer.Option("--vin", help="Vehicle identification number.")]
Kind = Annotated[str | None, typer.Option("--kind", help="Bus, van, genset, boat, pump ...")]
OwnerName = Annotated[str | None, typer.Option("--owner", help="Name of the owner.")]
ServiceOn = Annotated[
    str | None, typer.Option("--service-on", metavar="DATE", help="Next service, YYYY-MM-DD.")
]
Remark = Annotated[str | None, typer.Option("--remark", help="Anything else.")]


@app.command("add")
def add(
    name: Annotated[str, typer.Argument(help="What the vehicle is called.")],
    owner: OwnerName = None,
    fleet_number: FleetNumber = None,
    plate: Plate = None,
    vin: Vin = None,
    kind: Kind = None,
    service_on: ServiceOn = None,
    remark: Remark = None,
    engine: Annotated[
        str | None,
        typer.Option("--engine", metavar="ENGINE", help="A TOML file, or the id of a layout."),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Keep a new vehicle."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import add_vehicle

        with kept.transaction():
            fields = given(
                owner_id=_owner_id(kept, owner), fleet_number=fleet_number, plate=plate, vin=vin,
                kind=kind, service_due_on=service_on, remark=remark,
            )  # fmt: skip
            row = add_vehicle(kept, name=name, **fields)
            if engine is not None:
                _fit(kept, row, engine)
        typer.echo(f"Kept {plain(row.name)} as {row.id}.")
        _warn(row)


@app.command("change")
def change(
    name: Name,
    new_name: Annotated[str | None, typer.Option("--name", help="A new name.")] = None,
    owner: OwnerName = None,
    fleet_number: FleetNumber = None,
    plate: Plate = None,
    vin: Vin = None,
    kind: Kind = None,
    service_on: ServiceOn = None,
    remark: Remark = None,
    store: StoreOption = None,
) -> None:
    """Change what is kept of a vehicle."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import change_vehicle

        old = named_vehicle(kept, name)
        fields = given(
            name=new_name, owner_id=_owner_id(kept, owner), fleet_number=fleet_number, plate=plate,
            vin=vin, kind=kind, service_due_on=service_on, remark=remark,
        )  # fmt: skip
        row = change_vehicle(kept, old.id, old.version, **fields)
        typer.echo(f"{plain(row.name)} is now at version {row.version}.")
        _warn(row)


def _warn(row: "Vehicle") -> None:
    from ringland.history.vin import check_vin

    if warning := check_vin(row.vin).warning:
        typer.echo(plain(f"The VIN: {warning}"), err=True)


def _owner_id(store: "Store", name: str | None) -> str | None:
    """The owner of that name, made when there is none."""
    if name is None:
        return None
    from ringland.history import add_owner, list_owners

    found = list_owners(store, name=name, limit=1)
    return (found[0] if found else add_owner(store, name=name)).id


@app.command("owner")
def owner_command(
    name: Name,
    email: Annotated[
        str | None, typer.Option("--email", help="Where reports go; proposed when one is sent.")
    ] = None,
    phone: Annotated[str | None, typer.Option("--phone", help="Telephone.")] = None,
    contact: Annotated[str | None, typer.Option("--contact", help="Whom to ask for.")] = None,
    store: StoreOption = None,
) -> None:
    """Show the owner of a vehicle, or keep how to reach them."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import change_owner, get_owner
        from ringland.report.mail import addresses

        vehicle = named_vehicle(kept, name)
        if vehicle.owner_id is None:
            raise SettingError(
                f"{vehicle.name} has no owner.", remedy="ringland vehicle change NAME --owner OWNER"
            )
        row = get_owner(kept, vehicle.owner_id)
        address = None if email is None else ", ".join(addresses(email))
        fields = given(email=address, phone=phone, contact=contact)
        row = change_owner(kept, row.id, row.version, **fields)
        typer.echo(plain(row.name))
        shown(("contact", row.contact), ("e-mail", row.email), ("telephone", row.phone))


@app.command("list")
def list_command(
    owner: OwnerName = None,
    deleted: Annotated[bool, typer.Option("--deleted", help="Deleted ones too.")] = False,
    store: StoreOption = None,
) -> None:
    """All vehicles."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import list_owners, list_vehicles

        owners = {one.id: one.name for one in list_owners(kept, deleted=True)}
        for row in list_vehicles(kept, deleted=deleted):
            whose = owners.get(row.owner_id or "", "")
            if owner is None or owner == whose:
                gone = "deleted" if row.deleted_utc else ""
                parts = (row.name, row.fleet_number, row.plate, whose, gone)
                typer.echo(plain(f"{row.id}  " + "  ".join(filter(None, parts))))


@app.command("show")
def show(
    name: Name,
    visits: Annotated[int, typer.Option("--visits", min=1, max=1000, help="Most visits.")] = 20,
    store: StoreOption = None,
) -> None:
    """Everything known of one vehicle, newest first."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import get_owner, list_engines, list_notes
        from ringland.history.insight import vehicle_page
        from ringland.history.vin import check_vin

        row = named_vehicle(kept, name)
        typer.echo(plain(row.name))
        owner = get_owner(kept, row.owner_id).name if row.owner_id else ""
        shown(
            ("id", row.id), ("owner", owner), ("fleet number", row.fleet_number),
            ("plate", row.plate), ("VIN", row.vin), ("look again", check_vin(row.vin).warning),
            ("kind", row.kind), ("next service", row.service_due_on), ("remark", row.remark),
        )  # fmt: skip
        for engine in list_engines(kept, vehicle_id=row.id):
            span = " to ".join(filter(None, (engine.fitted_on, engine.removed_on)))
            shown(("engine", "  ".join(filter(None, (engine.name, engine.serial, span)))))
        for note in list_notes(kept, vehicle_id=row.id):
            shown(("note", note.text))
        _show_trends(kept, row)
        for page in vehicle_page(kept, row.id, limit=visits):
            _show_visit(page)


def _show_trends(store: "Store", vehicle: "Vehicle") -> None:
    """Every series that runs into a limit or is beyond it, the soonest first; else "no trend"."""
    from ringland.history.insight import trend_axis, trends_of

    over = trend_axis(store, vehicle.id)
    found = trends_of(store, vehicle.id, over=over) if over is not None else ()
    if not found:
        return
    near = [one for one in found if one.trend.to_limit.known or one.trend.limit_passed]
    for one in sorted(near, key=lambda one: one.trend.to_limit.low or 0.0):
        shown(("trend", f"{_place(one)}: {one.sentence}"))
    if not near:
        shown(
            ("trend", f"no trend towards a limit in {len(found)} series (ringland vehicle trend)")
        )


def _place(one: "PlaceTrend") -> str:
    """Metric, channel and cylinder of a trend."""
    from ringland.metrics import DEFINITIONS

    title = next(d.title for d in DEFINITIONS if d.id == one.metric)
    where = f"cylinder {one.cylinder}" if one.cylinder else f"position {one.firing_position}"
    return f"{title}, {one.role}, {where}"


def _show_visit(page: "VisitPage") -> None:
    from ringland.units import grouped

    visit = page.visit
    at = f"{grouped(visit.odometer_km)} km" if visit.odometer_km is not None else ""
    typer.echo()
    typer.echo(plain("  ".join(filter(None, (visit.visited_on, str(visit.purpose), at)))))
    shown(("complaint", visit.complaint), ("technician", visit.technician), ("id", visit.id))
    if page.analysis is not None:
        shown(("judged", _judged(page)))
    for work in page.works:
        shown(("work", " ".join(filter(None, (work.code, work.text)))))
    for outcome in page.outcomes:
        shown(("found", _found(outcome.failure_mode, outcome.cylinder, outcome.text)))
    for sent in page.reports:
        to = f" to {sent.recipient}" if sent.recipient else ""
        how = f"{sent.kind}{to}"
        shown(("report sent", f"{how}, {sent.sent_utc[:10]}" if sent.sent_utc else how))


def _found(mode: str, cylinder: int | None, text: str) -> str:
    place = f" of cylinder {cylinder}" if cylinder else ""
    what = mode.replace("_", " ") if mode else "nothing wrong"
    return f"{what}{place}" + (f": {text}" if text else "")


def _judged(page: "VisitPage") -> str:
    import json

    analysis = page.analysis
    assert analysis is not None
    if analysis.not_judged:
        return f"not judged: {analysis.not_judged}"
    first = next(iter(json.loads(analysis.causes)), None)
    if analysis.healthy is None or first is None:
        return analysis.state
    if analysis.healthy >= first["probability"]:
        return f"{analysis.state}; sound is likeliest, {analysis.healthy * 10:.0f} in 10"
    place = f" of cylinder {first['cylinder']}" if first.get("cylinder") else ""
    cause = f"{first['failure_mode'].replace('_', ' ')}{place}"
    return f"{analysis.state}; likeliest {cause}, {first['probability'] * 10:.0f} in 10"


@app.command("engine")
def engine(
    name: Name,
    engine: Annotated[
        str, typer.Argument(metavar="ENGINE", help="A TOML file, or the id of a layout.")
    ],
    fitted_on: Annotated[
        str | None, typer.Option("--fitted-on", metavar="DATE", help="Since when, YYYY-MM-DD.")
    ] = None,
    fitted_km: Annotated[
        float | None, typer.Option("--fitted-km", min=0.0, help="Odometer then.")
    ] = None,
    serial: Annotated[str | None, typer.Option("--serial", help="Serial number.")] = None,
    engine_type: Annotated[
        str | None, typer.Option("--type", help="Engines of one type are compared.")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Describe the engine, or put another one in: the old one stays in the history."""
    with told_to_the_user(), opened(store) as kept:
        row = named_vehicle(kept, name)
        fields = given(fitted_on=fitted_on, fitted_km=fitted_km, serial=serial,
                       engine_type=engine_type)  # fmt: skip
        _fit(kept, row, engine, **fields)
        typer.echo(f"{plain(row.name)} has this engine now.")


def _fit(store: "Store", vehicle: "Vehicle", given_engine: str, **fields: object) -> None:
    """Keep the engine; the one before it was removed the day this was fitted."""
    from ringland.cli._given import engine_named
    from ringland.history import add_engine, change_engine, list_engines

    spec = engine_named(given_engine)
    path = Path(given_engine)
    text = path.read_text(encoding="utf-8-sig") if path.exists() else given_engine
    with store.transaction():
        if fields.get("fitted_on"):
            for old in list_engines(store, vehicle_id=vehicle.id):
                if old.removed_on is None:
                    change_engine(store, old.id, old.version, removed_on=fields["fitted_on"])
        add_engine(store, vehicle_id=vehicle.id, name=spec.name, description=text, **fields)


@app.command("note")
def note(
    name: Name,
    text: Annotated[str, typer.Argument(help="What to remember.")],
    store: StoreOption = None,
) -> None:
    """Write a note on a vehicle."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import add_note

        add_note(kept, vehicle_id=named_vehicle(kept, name).id, text=text, written_by=kept.who)
        typer.echo("Kept.")


@app.command("photo")
def photo(
    name: Name,
    picture: Annotated[Path, typer.Argument(help="A JPEG or PNG file.")],
    caption: Annotated[str, typer.Option("--caption", help="What it shows.")] = "",
    store: StoreOption = None,
) -> None:
    """Keep a picture of a vehicle."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import keep_photo

        keep_photo(kept, named_vehicle(kept, name).id, picture, caption=caption)
        typer.echo("Kept.")


@app.command("delete")
def delete(name: Name, store: StoreOption = None) -> None:
    """Take a vehicle and all its visits out of sight; `restore` brings them back."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import delete_vehicle

        row = delete_vehicle(kept, named_vehicle(kept, name).id)
        typer.echo(f"Deleted. To bring it back: ringland vehicle restore {row.id}")


@app.command("restore")
def restore(
    vehicle_id: Annotated[str, typer.Argument(help="Its id (ringland vehicle list --deleted).")],
    store: StoreOption = None,
) -> None:
    """Bring a deleted vehicle back, with what was deleted together with it."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import restore_vehicle

        typer.echo(f"{plain(restore_vehicle(kept, vehicle_id).name)} is back.")


@app.command("join")
def join(
    keep: Annotated[str, typer.Argument(help="The vehicle that stays.")],
    other: Annotated[str, typer.Argument(help="The same one, kept a second time.")],
    store: StoreOption = None,
) -> None:
    """Make one of a vehicle that was kept twice."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.join import join_vehicles

        row = join_vehicles(kept, named_vehicle(kept, keep).id, named_vehicle(kept, other).id)
        typer.echo(f"All of it is with {plain(row.name)} now.")


@app.command("export")
def export(
    name: Name,
    file: Annotated[Path, typer.Argument(help="The file to write, such as bus-12.zip.")],
    store: StoreOption = None,
) -> None:
    """Write everything of one vehicle, originals too, into one file."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.bundle import export_vehicle

        typer.echo(f"Written: {export_vehicle(kept, named_vehicle(kept, name).id, file)}")


@app.command("import")
def import_command(
    file: Annotated[Path, typer.Argument(help="What `ringland vehicle export` wrote.")],
    store: StoreOption = None,
) -> None:
    """Bring a vehicle file in; what is here already is brought up to date."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.bundle import import_vehicle

        done = import_vehicle(kept, file)
        typer.echo(f"{done.added} rows added, {done.changed} changed, {done.files} files.")


@app.command("trend")
def trend(
    name: Name,
    metric: Annotated[str | None, typer.Option("--metric", help="Only this metric.")] = None,
    over: Annotated[
        Literal["odometer", "hours"], typer.Option("--over", help="What the trend runs over.")
    ] = "odometer",
    everything: Annotated[
        bool, typer.Option("--all", help="Also where there is no trend.")
    ] = False,
    store: StoreOption = None,
) -> None:
    """How each metric of each cylinder moves from visit to visit."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.insight import trends_of
        from ringland.metrics import DEFINITIONS

        known = sorted(d.id for d in DEFINITIONS)
        if metric is not None and metric not in known:
            raise SettingError("There is no such metric.", got=metric, allowed=", ".join(known))
        field = "running_hours" if over == "hours" else "odometer_km"
        row = named_vehicle(kept, name)
        found = trends_of(kept, row.id, over=field, metric=metric)
        typer.echo(
            plain(f"{row.name}: each cylinder against the others, {len(found)} series looked at.")
        )
        for one in found:
            changes = [c for c in one.trend.change_points if c.shows or everything]
            if not (everything or one.trend.has_trend or changes):
                continue
            typer.echo(plain(f"\n{_place(one)}", keep_lines=True))
            for sentence in (one.sentence, *(c.sentence for c in changes)):
                typer.echo(plain(f"  {sentence}"))
