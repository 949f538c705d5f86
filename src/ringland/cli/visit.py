"""`ringland visit`: visits, and what belongs to them."""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._store import StoreOption, given, named_vehicle, named_visit, opened
from ringland.cli._text import plain
from ringland.errors import BadInput, SettingError, UnusableRecording

if TYPE_CHECKING:
    from ringland.history import Store, Visit
    from ringland.verify.readings import Measured

__all__ = ["app"]

app = typer.Typer(help="Visits: recordings, work, test results, outcomes.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(help="The vehicle: name, fleet number, plate, VIN or id.")]
Day = Annotated[
    str | None,
    typer.Option("--visit", metavar="DATE", help="The visit's date or id (default: the newest)."),
]
Purpose = Literal["baseline", "fault-finding", "before", "after", "follow-up"]
Cylinder = Annotated[int | None, typer.Option("--cylinder", min=1, help="Which cylinder.")]
On = Annotated[str | None, typer.Option("--on", metavar="DATE", help="When, YYYY-MM-DD.")]
Minutes = Annotated[float | None, typer.Option("--minutes", min=0.0, help="How long it took.")]


@app.command("add")
def add(
    name: Name,
    purpose: Annotated[Purpose, typer.Option("--purpose", help="Why.")] = "fault-finding",
    on: On = None,
    odometer: Annotated[
        str | None, typer.Option("--odometer", help="Such as 171880km or 106800mi.")
    ] = None,
    hours: Annotated[float | None, typer.Option("--hours", min=0.0, help="Hour meter.")] = None,
    complaint: Annotated[str | None, typer.Option("--complaint", help="In their words.")] = None,
    technician: Annotated[str | None, typer.Option("--technician", help="Who.")] = None,
    place: Annotated[str | None, typer.Option("--place", help="Where.")] = None,
    fuel: Annotated[str | None, typer.Option("--fuel", help="What is in the tank.")] = None,
    oil: Annotated[str | None, typer.Option("--oil", help="Grade and age of the oil.")] = None,
    coolant: Annotated[
        str | None, typer.Option("--coolant", help="Temperature, such as 85degC.")
    ] = None,
    air: Annotated[str | None, typer.Option("--air", help="Temperature, such as 12degC.")] = None,
    altitude: Annotated[
        float | None, typer.Option("--altitude", metavar="M", help="Height in metres.")
    ] = None,
    weather: Annotated[str | None, typer.Option("--weather", help="In words.")] = None,
    store: StoreOption = None,
) -> None:
    """Keep a new visit."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.cli._two import kelvin
        from ringland.history import add_visit

        row = named_vehicle(kept, name)
        fields = given(
            odometer_km=_kilometres(odometer), running_hours=hours, complaint=complaint,
            technician=technician, place=place, fuel=fuel, oil=oil,
            coolant_k=kelvin(coolant), air_k=kelvin(air), altitude_m=altitude,
            weather=weather,
        )  # fmt: skip
        day = on or date.today().isoformat()
        visit = add_visit(kept, vehicle_id=row.id, visited_on=day, purpose=purpose, **fields)
        typer.echo(plain(f"Kept the visit of {day} to {row.name} as {visit.id}."))


def _kilometres(text: str | None) -> float | None:
    """A distance with its unit, such as "171880km", in kilometres. Raises SettingError."""
    if text is None:
        return None
    from ringland.units import parse_quantity

    return parse_quantity(text, "length")[0] / 1000.0


@app.command("keep")
def keep(
    name: Name,
    recording: Annotated[Path, typer.Argument(help="The recording file.")],
    visit: Day = None,
    condition: Annotated[
        Literal["idle", "held", "cranking", "snap"] | None,
        typer.Option("--condition", help="How the engine was run."),
    ] = None,
    speed_hint: Annotated[
        float | None, typer.Option("--speed-hint", metavar="RPM", min=1.0, help="Speed, if known.")
    ] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option("--channel", metavar="ROLE=NAME", help="Which channel is what."),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Keep a recording with a visit, and judge it if the engine is described."""
    with told_to_the_user(), opened(store) as kept:
        import json

        from ringland.cli._given import parse_roles
        from ringland.history import keep_analysis, keep_recording
        from ringland.history.intake import job_for
        from ringland.history.jobs import asked_of, run_job
        from ringland.history.learned import priors_of

        row = named_visit(kept, name, visit)
        fields = given(condition=condition, speed_hint_rpm=speed_hint)
        if channel:
            fields["roles"] = json.dumps(parse_roles(channel))
        kept_row = keep_recording(kept, row.id, recording, **fields)
        typer.echo(f"Kept {plain(kept_row.file_name)} as {kept_row.id}.")
        job = job_for(kept, kept_row, priors=priors_of(kept))
        if job is None:
            typer.echo("Not judged: the engine is not described (ringland vehicle engine).")
            return
        done = run_job(job)
        if done.text is None:
            error = done.error or {}
            raise SettingError(
                str(error.get("wrong")), got=error.get("got"), allowed=error.get("allowed"),
                remedy=error.get("remedy"),
            )  # fmt: skip
        analysis = keep_analysis(kept, kept_row.id, done.text, asked=asked_of(job))
        typer.echo(f"State of the worst cylinder: {analysis.state}.")
        if analysis.not_judged:
            typer.echo(plain(f"Not judged: {analysis.not_judged}"), err=True)
            raise typer.Exit(UnusableRecording.exit_status)


@app.command("work")
def work(
    name: Name,
    text: Annotated[str, typer.Argument(help="What was done.")],
    visit: Day = None,
    on: On = None,
    code: Annotated[str | None, typer.Option("--code", help="Your own code for it.")] = None,
    parts: Annotated[str | None, typer.Option("--parts", help="Parts used.")] = None,
    cylinder: Cylinder = None,
    mode: Annotated[
        str | None, typer.Option("--mode", help="The failure mode it was meant to cure.")
    ] = None,
    minutes: Minutes = None,
    cost: Annotated[float | None, typer.Option("--cost", min=0.0, help="What it cost.")] = None,
    currency: Annotated[str | None, typer.Option("--currency", help="Of the cost.")] = None,
    store: StoreOption = None,
) -> None:
    """Keep what was done to the vehicle."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import add_work

        row = named_visit(kept, name, visit)
        fields = given(
            done_on=on, code=code, parts=parts, cylinder=cylinder, failure_mode=_mode(mode),
            minutes=minutes, cost=cost, currency=currency, odometer_km=row.odometer_km,
        )  # fmt: skip
        add_work(kept, visit_id=row.id, text=text, **fields)
        typer.echo("Kept.")


@app.command("outcome")
def outcome(
    name: Name,
    mode: Annotated[
        str, typer.Argument(help="The failure mode found, or `nothing` for a sound engine.")
    ],
    visit: Day = None,
    cylinder: Cylinder = None,
    how: Annotated[
        str, typer.Option("--how", help="How it was seen: teardown, borescope ...")
    ] = "",
    on: On = None,
    text: Annotated[str, typer.Option("--text", help="In your words.")] = "",
    store: StoreOption = None,
) -> None:
    """Keep what was really found; it is held against what was predicted."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import add_outcome

        row = named_visit(kept, name, visit)
        found = "" if mode in ("nothing", "healthy") else _mode(mode)
        fields = given(cylinder=cylinder, found_on=on)
        add_outcome(kept, visit_id=row.id, failure_mode=found, how=how, text=text, **fields)
        typer.echo("Kept.")


def _mode(mode: str | None) -> str | None:
    """A failure mode of the knowledge, or "none_of_these". Raises SettingError."""
    if mode is None:
        return None
    from ringland.diagnosis.knowledge import load_knowledge

    known = sorted([*(m.id for m in load_knowledge().modes), "none_of_these"])
    if mode not in known:
        raise SettingError(
            "There is no such failure mode.", got=mode, allowed=", ".join(known),
            remedy="Use none_of_these for what is in no list, and say it with --text.",
        )  # fmt: skip
    return mode


@app.command("test")
def keep_test(
    name: Name,
    test: Annotated[str, typer.Argument(help="The follow-up test, by its id.")],
    outcome: Annotated[str, typer.Argument(help="Its outcome, by its id.")],
    visit: Day = None,
    cylinder: Cylinder = None,
    minutes: Minutes = None,
    on: On = None,
    remark: Annotated[str, typer.Option("--remark", help="Anything else.")] = "",
    store: StoreOption = None,
) -> None:
    """Keep the result of a follow-up test."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.diagnosis.knowledge import load_knowledge
        from ringland.history import add_test_result

        known = {t.id: [o.id for o in t.outcomes] for t in load_knowledge().tests}
        if outcome not in known.get(test, []):
            raise SettingError(
                "There is no such outcome of a test.",
                got=f"{test} {outcome}",
                allowed=", ".join(known.get(test) or sorted(known)),
                remedy="See the follow-up tests: ringland ask",
            )
        row = named_visit(kept, name, visit)
        fields = given(cylinder=cylinder, minutes=minutes, done_on=on)
        add_test_result(kept, visit_id=row.id, test=test, outcome=outcome, remark=remark, **fields)
        typer.echo("Kept.")


@app.command("compare")
def compare(
    name: Name,
    before: Annotated[
        str | None, typer.Argument(help="Date or id of the visit before (default: newest repair).")
    ] = None,
    after: Annotated[str | None, typer.Argument(help="Date or id of the visit after.")] = None,
    store: StoreOption = None,
) -> None:
    """Did the work between two visits change anything?"""
    with told_to_the_user(), opened(store) as kept:
        from ringland.verify.before_after import compare as hold_together
        from ringland.verify.words import summary

        one, two = (_measured(kept, row) for row in _pair(kept, name, before, after))
        comparison = hold_together(one, two)
        for sentence in summary(comparison, ()):
            typer.echo(plain(sentence))
        for objection in comparison.objections:
            typer.echo(plain(f"- {objection.sentence}\n  What to do: {objection.remedy}",
                             keep_lines=True))  # fmt: skip
        if comparison.refused:
            raise typer.Exit(UnusableRecording.exit_status)


def _pair(
    store: "Store", name: str, before: str | None, after: str | None
) -> "tuple[Visit, Visit]":
    """The two visits named; without any the newest after a repair and the newest before it."""
    if before is not None and after is not None:
        return named_visit(store, name, before), named_visit(store, name, after)
    if before is not None:
        raise SettingError("Name both visits, or neither.", got=before)
    from ringland.history import list_visits

    vehicle = named_vehicle(store, name)
    visits = list_visits(store, vehicle_id=vehicle.id)  # newest first
    purposes = [str(v.purpose) for v in visits]
    if "after" in purposes and "before" in purposes[purposes.index("after") :]:
        second = purposes.index("after")
        return visits[purposes.index("before", second)], visits[second]
    raise BadInput(
        f"{vehicle.name} has no pair of visits before and after a repair.",
        remedy="Name two visits by their dates: ringland vehicle show NAME",
    )


def _measured(store: "Store", visit: "Visit") -> "Measured":
    """The visit's newest analysis, made anew first when an older Ringland made it."""
    from ringland import __version__
    from ringland.history import document_of, list_analyses, list_recordings
    from ringland.history.intake import reanalyse
    from ringland.verify.readings import measured_from_json

    ids = tuple(r.id for r in list_recordings(store, visit_id=visit.id))
    found = [a for a in list_analyses(store, recording_id=ids) if a.software == __version__]
    if ids and not found:
        reanalyse(store, recordings=ids, workers=1)
        found = list(list_analyses(store, recording_id=ids))
    if not found:
        raise BadInput(
            f"The visit of {visit.visited_on} has no judged recording.",
            remedy="Keep one with it: ringland visit keep VEHICLE RECORDING --visit DATE",
        )
    return measured_from_json(
        document_of(store, found[0]), name=visit.visited_on, temperature_k=visit.coolant_k
    )


@app.command("delete")
def delete(
    name: Name,
    visit: Annotated[str, typer.Argument(help="The visit's date or id.")],
    store: StoreOption = None,
) -> None:
    """Take a visit out of sight; `ringland store undo` brings it back."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import changes_of, delete_visit

        row = delete_visit(kept, named_visit(kept, name, visit).id)
        line = next(c for c in changes_of(kept, row.id) if c.action == "delete")
        typer.echo(f"Deleted. To bring it back: ringland store undo {line.id}")
