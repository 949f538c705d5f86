"""`ringland demo`: the whole job on invented data, nothing needed but a folder to write to."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._results import write_report, write_result
from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.history import Store
    from ringland.simulator.demo import DemoVehicle

__all__ = ["demo"]

SOUND = "when-sound"
"""Folder of what was recorded when the engine was sound."""


def demo(
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the recording and the results go.")
    ] = Path("ringland-demo"),
    vehicle: Annotated[
        Literal["minibus-7", "van-21", "bus-12"],
        typer.Option("--vehicle", help="Which vehicle of the invented operator."),
    ] = "minibus-7",
    fleet: Annotated[
        bool, typer.Option("--fleet", help="Also write every visit of all vehicles.")
    ] = False,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser on the app.")
    ] = True,
) -> None:
    """Judge an invented recording, write its report, and open the app on the invented fleet.

    Without a terminal (in a script, or with CI set) it ends by itself and opens nothing.
    """
    with told_to_the_user():
        from ringland.simulator.demo import NOTICE, demo_vehicles

        chosen = next(one for one in demo_vehicles() if one.id == vehicle)
        typer.echo(NOTICE)
        recording_path, engine_path = _write_visit(chosen, folder)
        sound_path = folder / SOUND / "baseline.csv"

        from ringland.cli._summary import print_summary
        from ringland.engines import load_engine
        from ringland.model import Condition
        from ringland.output import as_json
        from ringland.pipeline import against_sound, analyse
        from ringland.readers import read_recording

        engine = load_engine(engine_path)
        now, sound = (
            analyse(read_recording(path).with_condition(Condition.IDLE), engine)
            for path in (recording_path, sound_path)
        )
        analysis = against_sound(now, [sound])
        report_path = folder / "report.html"
        write_report(analysis, report_path)
        write_result(as_json(analysis), folder / "analysis.json")
        print_summary(analysis, report_path)
        if fleet:
            _write_fleet(folder / "fleet")
        _fill_store(folder / "store", chosen, recording_path, sound_path)
        typer.echo(
            f"\nWhat the simulation put in stands in {folder / 'visit.json'}."
            f"\nThe same by hand:\n  ringland analyse {recording_path} --engine {engine_path} "
            f"--condition idle --when-sound {sound_path},condition=idle --report {report_path}"
        )
        if _somebody_watches():
            from ringland.web.serve import serve

            typer.echo(
                "\nThe app opens on the invented fleet; what was just judged is under Today."
            )
            serve(data=folder / "store", browser=browser, say=typer.echo)


def _somebody_watches() -> bool:
    """True when a person started this: input and output are a terminal, and no CI service's."""
    return sys.stdin.isatty() and sys.stdout.isatty() and not os.environ.get("CI")


def _fill_store(place: Path, chosen: "DemoVehicle", recording_path: Path, sound_path: Path) -> None:
    """The invented operator's two years, today's visit with the recording just made, and the visit
    on which the engine was recorded while it was sound."""
    from ringland.history import open_store
    from ringland.history.demo import fill_demo_store

    with open_store(place) as store:
        made = fill_demo_store(store)
        if made:
            _todays_visit(store, chosen, recording_path, sound_path)
    said = f"24 invented vehicles with {made} visits are" if made else "The invented fleet is still"
    typer.echo(
        f"\n{said} in {place}. For example:\n  ringland fleet order --store {place}\n"
        f"In the browser:\n  ringland serve --data {place}"
    )


def _todays_visit(
    store: "Store", chosen: "DemoVehicle", recording_path: Path, sound_path: Path
) -> None:
    from ringland.history import (
        add_visit,
        change_engine,
        keep_recording,
        list_engines,
        list_vehicles,
        list_visits,
    )
    from ringland.history.demo import INVENTED
    from ringland.simulator.demo import engine_text

    (vehicle,) = list_vehicles(store, name=chosen.name.split(",")[0])
    (engine,) = list_engines(store, vehicle_id=vehicle.id)
    change_engine(store, engine.id, engine.version, description=engine_text(chosen))
    visits = list_visits(store, vehicle_id=vehicle.id)
    before = [v.odometer_km or 0.0 for v in visits]
    first = min(visits, key=lambda v: v.visited_on)
    baseline = add_visit(
        store,
        vehicle_id=vehicle.id,
        engine_id=engine.id,
        visited_on=first.visited_on,
        purpose="baseline",
        odometer_km=first.odometer_km,
        remark=INVENTED,
    )
    keep_recording(store, baseline.id, sound_path, condition="idle", remark=INVENTED)
    visit = add_visit(
        store,
        vehicle_id=vehicle.id,
        engine_id=engine.id,
        visited_on=date.today().isoformat(),
        purpose="fault-finding",
        odometer_km=max(before, default=0.0) + 100.0,
        complaint=next(one for one in chosen.visits if one.faults).complaint,
        remark=INVENTED,
    )
    keep_recording(store, visit.id, recording_path, condition="idle", remark=INVENTED)


def _write_visit(vehicle: "DemoVehicle", folder: Path) -> tuple[Path, Path]:
    """Simulate the visit for fault-finding, and the one before it when the engine was sound; the
    paths of the recording and the engine file."""
    from ringland.engines import load_engine
    from ringland.simulator.demo import engine_text, write_visit

    visit = next(one for one in vehicle.visits if one.faults)
    typer.echo(f"{vehicle.name}, {visit.date}: {visit.complaint}")
    typer.echo(
        "Simulating the engine (the first time it is compiled, which takes up to a minute) ...\n"
    )
    engine_path = folder / "engine.toml"
    with _writing_to(folder):
        folder.mkdir(parents=True, exist_ok=True)
        engine_path.write_text(engine_text(vehicle), encoding="utf-8", newline="\n")
        engine = load_engine(engine_path)
        recording_path, _ = write_visit(vehicle, visit, engine, folder)
        sound = next(one for one in vehicle.visits if one.purpose == "baseline")
        sound_path, _ = write_visit(vehicle, sound, engine, folder / SOUND)
        sound_path.replace(sound_path.with_name("baseline.csv"))
    return recording_path, engine_path


def _write_fleet(folder: Path) -> None:
    """All visits of all vehicles: one folder per vehicle, one per visit, and a note."""
    from ringland.engines import load_engine
    from ringland.simulator.demo import NOTICE, demo_vehicles, engine_text, write_visit

    typer.echo("\nThe rest of the fleet, to try things on:")
    with _writing_to(folder):
        folder.mkdir(exist_ok=True)
        note = f"{NOTICE}\n\nOne folder per vehicle, one per visit: recording.csv, visit.json.\n"
        (folder / "README.txt").write_text(note, encoding="utf-8", newline="\n")
        for vehicle in demo_vehicles():
            engine_path = folder / vehicle.id / "engine.toml"
            engine_path.parent.mkdir(exist_ok=True)
            engine_path.write_text(engine_text(vehicle), encoding="utf-8", newline="\n")
            engine = load_engine(engine_path)
            for visit in vehicle.visits:
                written, _ = write_visit(vehicle, visit, engine, folder / vehicle.id / visit.id)
                typer.echo(f"  {vehicle.name}, {visit.purpose}: {written}")


@contextmanager
def _writing_to(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise SettingError(
            "The demonstration cannot write its files.",
            got=f"{folder}: {error.strerror or error}",
            remedy="Name a folder that can be written to with --folder.",
        ) from error
