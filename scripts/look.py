"""Every page of the app at four sizes and in three themes, as pictures to look at, with what the
layout check finds.

    python scripts/look.py                      everything
    python scripts/look.py settings why         only these pages
    python scripts/look.py --themes light --sizes phone

The store is that of `ringland demo`, made once in out/look/demo, with today's visit worked through
and its report in the outbox: without a network, refused, and lost at the last moment.
One sheet for each page (first screens of all sizes in light, then the others), and whole pages of
phone and tablet, in out/look. Exit status 1 when something overlaps, sticks out or is too small.
"""

import argparse
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
OUT = ROOT / "out" / "look"
LAYOUT = ROOT / "tests" / "web" / "layout.js"
SIZES = {"tablet": (1024, 600), "laptop": (1366, 768), "desk": (1920, 1080), "phone": (390, 844)}
THEMES = ("light", "dark", "contrast")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"]
TALLEST = 9000


def demo_store() -> Path:
    """A copy of the store of the demonstration, which is made once."""
    made = OUT / "demo" / "store"
    if not made.is_dir():
        OUT.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-m", "ringland", "demo", "--folder", "demo"]
        subprocess.run(words, cwd=OUT, stdin=subprocess.DEVNULL, check=True)  # noqa: S603
    copy = OUT / "store"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(made, copy)
    return copy


@contextmanager
def served(folder: Path) -> Iterator[Any]:
    """The app over a store: (base address, app)."""
    from ringland.history import open_store
    from ringland.web.servers import serving

    with open_store(folder, who="look") as store, serving(store, folder) as at:
        yield at


def worked_through(app: Any) -> dict[str, str]:
    """Today's visit judged, a check answered, decided, reported; the pages by name."""
    from ringland.history import add_work, list_recordings, list_visits
    from ringland.web.judgement import judge_visit

    context = app.state.context
    visit = list_visits(context.store, limit=1)[0]
    judge_visit(context, visit.id)
    _until_done(context)
    recording = list_recordings(context.store, visit_id=visit.id)[0]
    add_work(context.store, visit_id=visit.id, text="Leak-down test with the filler open")
    in_the_outbox(context, visit, recording)
    older = next(
        v for v in list_visits(context.store, vehicle_id=visit.vehicle_id) if v.id != visit.id
    )
    steps = ("about", "hook-up", "recordings", "cylinders", "why", "checks", "decide", "report")
    return {
        "today": "/",
        "vehicles": "/vehicles",
        "vehicle-new": "/vehicles/new",
        "vehicle": f"/vehicles/{visit.vehicle_id}",
        "visit-new": f"/vehicles/{visit.vehicle_id}/visit",
        **{step: f"/visits/{visit.id}/{step}" for step in (*steps, "away")},
        "older-why": f"/visits/{older.id}/why",
        "record": f"/visits/{visit.id}/record",
        "instrument": f"/recordings/{recording.id}",
        "what-if": f"/recordings/{recording.id}/what-if",
        "compare": f"/vehicles/{visit.vehicle_id}/compare",
        "fleet": "/fleet",
        "track-record": "/track-record",
        "settings": "/settings",
        "instruments": "/instruments",
        "words": "/words",
        "find": "/find?text=minibus",
        "find-nothing": "/find?text=zzz",
        "not-there": "/nowhere",
    }


def _until_done(context: Any) -> None:
    end = time.monotonic() + 300
    while any(not job.over for job in context.jobs.all()) and time.monotonic() < end:
        time.sleep(0.2)


def in_the_outbox(context: Any, visit: Any, recording: Any) -> None:
    """The report written, and letters of every fate that a person has to do with."""
    from ringland.history.outbox import open_outbox
    from ringland.web.reporting import Sender, send_report, write_report

    nobody = 'host = "127.0.0.1"\nport = 9\nsecurity = "none"\nsender = "bay@marrow.example"\n'
    (context.folder / "mail.toml").write_text(nobody, encoding="utf-8")
    write_report(context, visit, recording, readers=("owner", "workshop"))
    _until_done(context)
    for name in ("garage", "fleet.office.of.the.northern.depot", "driver"):
        to = f"{name}@marrow-valley-transit.example"
        subject = f"Engine report, minibus 7, {visit.visited_on}"
        send_report(context, visit, recipient=to, subject=subject, text="Attached.")
    with open_outbox(context.folder) as outbox:
        for name, state, reply in (
            ("fleet", "refused", "550 5.1.1 no mailbox of this name here"),
            ("driver", "unclear", "the connection broke before the server's answer"),
        ):
            outbox.connection.execute(
                "UPDATE letter SET state = ?, reply = ?, attempts = 1 WHERE recipient LIKE ?",
                (state, reply, f"{name}%"),
            )
    Sender(context).once()


EMPTY = {
    "empty-today": "/",
    "empty-vehicles": "/vehicles",
    "empty-fleet": "/fleet",
    "empty-track-record": "/track-record",
    "empty-settings": "/settings",
    "empty-instruments": "/instruments",
}
READY = {
    "instruments": "#inputs label",
    "instrument": "#instrument[data-ready]",
    "what-if": "#what-if[data-ready]",
    "record": "#inputs label",
}


def look(page: Any, base: str, pages: dict[str, str], given: Any) -> list[str]:
    """Pictures of all pages, and what the layout check says."""
    found = []
    layout = LAYOUT.read_text("utf-8")
    for name, path in pages.items():
        page.goto(base + path)
        page.wait_for_load_state("networkidle") if name == "vehicle" else None
        if name in READY:
            page.wait_for_selector(READY[name])
        shots = []
        for theme in given.themes:
            page.evaluate("(t) => { document.documentElement.dataset.theme = t }", theme)
            for size in given.sizes:
                width, height = SIZES[size]
                page.set_viewport_size({"width": width, "height": height})
                page.evaluate("() => scrollTo(0, 0)")
                page.wait_for_timeout(120)
                if theme == given.themes[0]:
                    found += [f"{name}, {size}: {v}" for v in page.evaluate(layout)]
                target = OUT / "shots" / f"{name}-{size}-{theme}.png"
                page.screenshot(path=str(target))
                shots.append(target)
                if size in ("phone", "tablet"):
                    whole = OUT / "whole" / f"{name}-{size}-{theme}.png"
                    page.screenshot(path=str(whole), full_page=True)
        sheet(shots, OUT / "sheets" / f"{name}.png")
    return found


def sheet(shots: list[Path], target: Path, *, height: int = 420) -> None:
    """Several pictures side by side, each theme a row."""
    from PIL import Image

    rows: dict[str, list[Any]] = {}
    for shot in shots:
        picture = Image.open(shot).convert("RGB")
        width = round(picture.width * height / picture.height)
        rows.setdefault(shot.stem.rsplit("-", 1)[1], []).append(picture.resize((width, height)))
    wide = max(sum(p.width + 8 for p in row) for row in rows.values())
    made = Image.new("RGB", (wide, len(rows) * (height + 8)), (120, 120, 120))
    for number, row in enumerate(rows.values()):
        at = 0
        for picture in row:
            made.paste(picture, (at, number * (height + 8)))
            at += picture.width + 8
    made.save(target)


def main() -> int:
    """Look, tell, and say by the exit status whether all is well."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("pages", nargs="*")
    parser.add_argument("--sizes", nargs="*", default=list(SIZES), choices=list(SIZES))
    parser.add_argument("--themes", nargs="*", default=list(THEMES), choices=THEMES)
    given = parser.parse_args()
    for folder in ("shots", "whole", "sheets"):
        (OUT / folder).mkdir(parents=True, exist_ok=True)
    found = []
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for store, pages_of in ((demo_store, worked_through), (_empty, lambda _: EMPTY)):
            with served(store()) as (base, app):
                pages = pages_of(app)
                wanted = {k: v for k, v in pages.items() if not given.pages or k in given.pages}
                if not wanted:
                    continue
                context = browser.new_context(service_workers="block")
                context.set_default_timeout(60_000)
                page = context.new_page()
                page.goto(f"{base}/enter?key={app.state.context.sessions.key}")
                found += look(page, base, wanted, given)
                context.close()
        browser.close()
    for line in found:
        print(line)
    print(f"{len(found)} found; pictures are in {OUT}")
    return 1 if found else 0


def _empty() -> Path:
    folder = OUT / "empty"
    shutil.rmtree(folder, ignore_errors=True)
    return folder


if __name__ == "__main__":
    raise SystemExit(main())
