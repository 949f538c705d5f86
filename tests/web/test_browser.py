"""Every page in a real browser: axe, layout, colour; two windows, a lost server, drafts, a
recording being made. Screenshots go to out/screenshots."""

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ringland.history import (
    add_engine,
    add_owner,
    add_test_result,
    add_vehicle,
    add_visit,
    add_work,
    keep_recording,
    open_store,
)
from ringland.history.safety import back_up
from ringland.web import caring
from ringland.web.servers import serving

playwright_api = pytest.importorskip("playwright.sync_api")

OUT = Path(__file__).parents[2] / "out" / "screenshots"
AXE = Path(__file__).parent / "vendor" / "axe-core" / "axe.min.js"
AXE_RUN = Path(__file__).parent / "axe_run.js"
LAYOUT = Path(__file__).parent / "layout.js"
EXPECTED = ("400", "404", "409", "ERR_INTERNET_DISCONNECTED")
"""What a browser logs by itself of answers and losses that the tests bring about."""
SIZES = {"tablet": (1024, 600), "laptop": (1366, 768), "desk": (1920, 1080), "phone": (390, 844)}
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@dataclass(frozen=True)
class Served:
    """A running app: its address, the key, and ids of a vehicle and a visit that were judged."""

    base: str
    key: str
    vehicle: str
    visit: str
    recording: str
    csv: Path

    @property
    def pages(self) -> dict[str, str]:
        """Every page, by name."""
        steps = ("about", "hook-up", "recordings", "cylinders", "why", "checks", "decide", "report")
        return {
            "today": "/",
            "vehicles": "/vehicles",
            "vehicle-new": "/vehicles/new",
            "vehicle": f"/vehicles/{self.vehicle}",
            "visit-new": f"/vehicles/{self.vehicle}/visit",
            **{f"visit-{step}": f"/visits/{self.visit}/{step}" for step in (*steps, "away")},
            "visit-record": f"/visits/{self.visit}/record",
            "compare": f"/vehicles/{self.vehicle}/compare",
            "fleet": "/fleet",
            "track-record": "/track-record",
            "settings": "/settings",
            "instruments": "/instruments",
            "words": "/words",
            "find": "/find?text=minibus",
            "not-there": "/nowhere",
        }


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, recording_csv: Path) -> Iterator[Served]:
    """A real server on a free port, with one vehicle, one visit and one judged recording."""
    folder = tmp_path_factory.mktemp("served")
    with open_store(folder, who="tester") as store:
        owner = add_owner(store, name="Marrow Valley Transit", email="owner@marrow.invalid")
        vehicle = add_vehicle(store, name="minibus 7", owner_id=owner.id)
        text = 'cylinders = 4\nfiring_order = "1-3-4-2"\ntrigger_cylinder = 1\n'
        engine = add_engine(store, vehicle_id=vehicle.id, name="petrol", description=text)
        visit = add_visit(
            store,
            vehicle_id=vehicle.id,
            engine_id=engine.id,
            visited_on="2026-09-14",
            purpose="fault-finding",
            odometer_km=171_880.0,
            complaint="Shakes at the stop.",
        )
        add_work(store, visit_id=visit.id, text="Coil of cylinder 4 renewed")
        add_test_result(store, visit_id=visit.id, test="leakdown", outcome="tight", cylinder=4)
        recording = keep_recording(store, visit.id, recording_csv, condition="idle")
        with serving(store, folder) as (base, app):
            from ringland.web.judgement import judge

            context = app.state.context
            job = judge(context, recording)
            wait(lambda: context.jobs.get(job.id).over, seconds=200)
            assert context.jobs.get(job.id).error is None
            yield Served(
                base, context.sessions.key, vehicle.id, visit.id, recording.id, recording_csv
            )


def wait(true: Callable[[], object], *, seconds: float = 30.0) -> None:
    """Until it is so; fails after a while."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def chromium_path() -> str:
    """The system's Chromium; leaves the test out where there is none."""
    path = os.environ.get("RINGLAND_CHROMIUM") or shutil.which("chromium")
    path = path or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        pytest.skip("no Chromium on this machine (RINGLAND_CHROMIUM names one)")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """The system's Chromium; the tests are left out where there is none."""
    path = chromium_path()
    with playwright_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def opened(browser: Any, served: Served) -> Iterator[Callable[..., Any]]:
    """Make a page that was let in; anything it complains of on the console fails the test."""
    contexts, said = [], []

    def make(**settings: Any) -> Any:
        context = browser.new_context(service_workers="block", **settings)
        context.set_default_timeout(30_000)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: said.append(_told(m)) if m.type == "error" else None)
        page.on("pageerror", lambda e: said.append(str(e)))
        page.on("filechooser", lambda _: None)  # asked for now: asking takes a moment
        page.goto(f"{served.base}/enter?key={served.key}")
        return page

    yield make
    for context in contexts:
        context.close()
    assert [s for s in said if not any(expected in s for expected in EXPECTED)] == []


def _told(message: Any) -> str:
    """What the browser complained of, and where."""
    place = message.location
    return f"{message.text} ({place.get('url')}, line {place.get('lineNumber')})"


def shot(page: Any, name: str) -> None:
    """A screenshot for people to look at."""
    OUT.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=str(OUT / f"{name}.png"), caret="initial")  # a hidden one leaves styles


CONTRAST = ["color-contrast", "color-contrast-enhanced"]


def test_every_page_is_accessible_and_nothing_overlaps(
    opened: Callable[..., Any], served: Served
) -> None:
    """axe-core on every page (WCAG 2.2 A and AA, and contrast of 7:1) in three themes; at four
    sizes nothing overlaps, is cut off or too small to touch."""
    page = opened(viewport={"width": 1366, "height": 768})
    run, layout = AXE_RUN.read_text("utf-8"), LAYOUT.read_text("utf-8")
    found: list[str] = []
    for name, path in served.pages.items():
        page.goto(served.base + path)
        page.wait_for_load_state("networkidle") if name == "vehicle" else None
        page.evaluate(AXE.read_text("utf-8"))
        for theme in ("light", "dark", "contrast"):
            page.evaluate("(t) => { document.documentElement.dataset.theme = t }", theme)
            rules = None if theme == "light" else CONTRAST
            found += [f"{name}, {theme}: {v}" for v in page.evaluate(run, rules)]
            if name in ("today", "visit-cylinders", "visit-checks"):
                shot(page, f"{name}-{theme}")
        page.evaluate("() => { document.documentElement.dataset.theme = 'light' }")
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            found += [f"{name}, {size}: {v}" for v in page.evaluate(layout)]
            shot(page, f"{name}-{size}")
    assert found == [], "\n".join(found)


def test_the_layout_check_notices(opened: Callable[..., Any], served: Served) -> None:
    """What is broken on purpose is found: overlap, cut-off text, too wide, a small target."""
    page = opened(viewport={"width": 1024, "height": 600})
    page.goto(f"{served.base}/words")
    layout = LAYOUT.read_text("utf-8")
    assert page.evaluate(layout) == []
    page.evaluate(
        "() => { const m = document.getElementById('main'); const add = (css) => {"
        " const b = document.createElement('button'); b.textContent = 'broken on purpose';"
        " for (const [k, v] of Object.entries(css)) b.style[k] = v; m.append(b); };"
        " add({position: 'absolute', top: '300px', left: '10px'});"
        " add({position: 'absolute', top: '310px', left: '20px'});"
        " add({overflow: 'hidden', width: '60px', whiteSpace: 'nowrap'});"
        " add({width: '2000px'}); add({minHeight: '10px', height: '20px', padding: '0'}); }"
    )
    said = " ".join(page.evaluate(layout))
    for words in ("overlap", "cut off", "too wide", "px high"):
        assert words in said


def test_states_are_told_without_colour(opened: Callable[..., Any], served: Served) -> None:
    """Every mark has words beside it, and what is seen without colour is kept for looking at."""
    page = opened(viewport={"width": 1024, "height": 600})
    page.goto(f"{served.base}/visits/{served.visit}/cylinders")
    alone = page.evaluate(
        "() => [...document.querySelectorAll('.mark')]"
        ".filter((m) => !m.parentElement.textContent.trim()).length"
    )
    assert alone == 0
    session = page.context.new_cdp_session(page)
    for kind in ("deuteranopia", "protanopia", "tritanopia", "achromatopsia"):
        session.send("Emulation.setEmulatedVisionDeficiency", {"type": kind})
        shot(page, f"seen-with-{kind}")


def test_steps_are_one_line_on_a_phone(opened: Callable[..., Any], served: Served) -> None:
    """Folded until pressed, by finger or key; each step is then large enough for a glove."""
    page = opened(viewport={"width": 390, "height": 844}, has_touch=True)
    page.goto(f"{served.base}/visits/{served.visit}/why")
    fold, path = page.locator(".fold"), page.locator(".path")
    assert fold.bounding_box()["height"] >= 44
    assert path.bounding_box()["height"] < 90
    assert "Step 5 of 9" in fold.inner_text()
    assert not page.get_by_role("link", name="Hook-up").is_visible()
    fold.tap()
    assert fold.get_attribute("aria-expanded") == "true"
    links = page.locator(".path li a")
    assert links.count() == 9
    assert all(links.nth(n).bounding_box()["height"] >= 44 for n in range(9))
    assert page.evaluate(LAYOUT.read_text("utf-8")) == []
    page.evaluate("() => document.body.dispatchEvent(new CustomEvent('ringland:path'))")
    page.wait_for_load_state("networkidle")  # loaded again, it stays as it was
    assert page.locator(".fold").get_attribute("aria-expanded") == "true"
    page.get_by_role("link", name="Hook-up").tap()
    page.wait_for_url("**/hook-up")
    page.keyboard.press("5")  # keys reach the folded steps too
    page.wait_for_url("**/why")
    page.set_viewport_size({"width": 1024, "height": 600})
    assert not page.locator(".fold").is_visible()
    assert page.get_by_role("link", name="Hook-up").is_visible()


def test_two_windows_and_a_lost_server(opened: Callable[..., Any], served: Served) -> None:
    """Nothing typed is lost: not to another window, not to a server that is away."""
    first = opened(viewport={"width": 1366, "height": 768})
    second = first.context.new_page()
    address = f"{served.base}/visits/{served.visit}/about"
    first.goto(address)
    second.goto(address)
    first.get_by_label("Weather").fill("rain")
    first.get_by_text("Saved at").wait_for()
    second.get_by_label("Weather").fill("snow")
    second.get_by_role("heading", name="Changed in another window").wait_for()
    assert second.locator("#conflict-theirs").inner_text() == "weather: rain"
    assert second.locator("#conflict-mine").inner_text() == "weather: snow"
    shot(second, "two-windows")
    second.get_by_role("button", name="Keep mine").click()
    second.get_by_text("Saved at").wait_for()
    first.goto(address)
    assert first.get_by_label("Weather").input_value() == "snow"

    second.goto(address)
    first.get_by_label("Place").fill("depot")
    first.get_by_text("Saved at").wait_for()
    second.get_by_label("Technician").fill("A. Mechanic")  # what only one touched needs no choice
    second.get_by_text("Saved at").wait_for()
    first.goto(address)
    assert first.get_by_label("Place").input_value() == "depot"
    assert first.get_by_label("Technician").input_value() == "A. Mechanic"

    first.context.set_offline(True)
    first.get_by_label("Oil").fill("low")
    first.get_by_text("What you typed is kept here").wait_for()
    shot(first, "lost-server")
    first.context.set_offline(False)
    first.get_by_text("Saved at").wait_for(timeout=60_000)
    first.goto(address)
    assert first.get_by_label("Oil").input_value() == "low"


def test_how_the_engine_was_run_outlives_a_part_loaded_again(
    opened: Callable[..., Any], served: Served
) -> None:
    """A recording judged meanwhile does not set the choice for the next one back to idle."""
    page = opened(viewport={"width": 1024, "height": 600})
    page.goto(f"{served.base}/visits/{served.visit}/recordings")
    page.locator(".drop").get_by_label("Cranking").check()
    page.evaluate("() => { document.querySelector('.drop').dataset.before = '1' }")
    page.evaluate("() => document.body.dispatchEvent(new CustomEvent('ringland:judged'))")
    wait(lambda: not page.locator(".drop[data-before]").count())
    assert page.locator(".drop").get_by_label("Cranking").is_checked()


def test_a_draft_survives_a_closed_window(opened: Callable[..., Any], served: Served) -> None:
    page = opened()
    page.goto(f"{served.base}/vehicles/new")
    page.get_by_label("What you call it").fill("pump 3")
    page.goto(f"{served.base}/")
    page.goto(f"{served.base}/vehicles/new")
    assert page.get_by_label("What you call it").input_value() == "pump 3"
    page.get_by_text("was kept and is back").wait_for()


def test_a_backup_goes_on_while_the_page_is_loaded_again(
    opened: Callable[..., Any], served: Served, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Progress with a way to stop, on the same page loaded again and on another; then what came
    out, by itself."""
    go_on = threading.Event()
    real = back_up

    def slow(store: Any, folder: Path, *, progress: Any) -> Any:
        progress("files", 1, 4)
        assert go_on.wait(60)
        return real(store, folder, progress=progress)

    monkeypatch.setattr(caring, "back_up", slow)
    page = opened(viewport={"width": 1024, "height": 600})
    page.goto(f"{served.base}/settings")
    page.get_by_label("Backup into this folder").fill(str(tmp_path))
    page.get_by_role("button", name="Write the backup").click()
    bar = page.get_by_role("progressbar", name="Backup")
    bar.wait_for()
    page.reload()
    bar.wait_for()
    assert page.get_by_role("button", name="Stop").is_visible()
    assert not page.get_by_role("button", name="Write the backup").is_visible()
    page.evaluate("() => document.getElementById('care').scrollIntoView()")
    shot(page, "settings-backup-tablet")
    assert page.evaluate(LAYOUT.read_text("utf-8")) == []
    other = page.context.new_page()
    other.goto(f"{served.base}/")
    other.get_by_role("progressbar", name="Backup").wait_for()
    go_on.set()
    page.get_by_text("The backup is written").first.wait_for()
    assert (tmp_path / "ringland-backup" / "ringland.sqlite").is_file()
    page.get_by_role("button", name="Write the backup").wait_for()
    assert page.get_by_label("Backup into this folder").input_value().startswith(str(tmp_path))


def test_an_instrument_is_checked_kept_and_known_while_recording(
    opened: Callable[..., Any], served: Served
) -> None:
    """From the page of the instruments to the set-up of a recording; a second of the same name."""
    page = opened(viewport={"width": 1024, "height": 600})
    page.goto(f"{served.base}/instruments")
    page.get_by_text("Nothing was measured yet.").wait_for()
    page.get_by_label("Polarity: which way up").check()
    assert page.get_by_text("Puff with a rubber bulb").is_visible()
    page.locator("#inputs select").first.wait_for()
    page.get_by_label("Its address").fill("simulator?pace=2")
    page.get_by_label("Its address").blur()
    page.get_by_label("Which one is it?").fill("bay 2")
    page.get_by_text("Rate, duration").click()
    page.get_by_label("For how long, s").fill("6")
    page.get_by_label("For how long, s").blur()
    page.get_by_text("simulated vehicle (bay 2)").wait_for()
    page.get_by_role("button", name="Start the self-check").click()
    page.get_by_text("Leave everything quiet").wait_for()
    page.reload()  # nothing is lost
    page.get_by_text("Now one puff into each hose").wait_for()
    shot(page, "self-check-running-tablet")
    page.get_by_text("Nothing of it counts until you keep it").wait_for()
    shot(page, "self-check-found-tablet")
    assert page.evaluate(LAYOUT.read_text("utf-8")) == []
    page.get_by_role("button", name="Keep it").click()
    page.get_by_role("heading", name="simulated vehicle (bay 2)").wait_for()
    page.locator("#inputs select").first.wait_for()
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate(LAYOUT.read_text("utf-8")) == []
        shot(page, f"instruments-kept-{width}")
    page.evaluate(AXE.read_text("utf-8"))
    assert page.evaluate(AXE_RUN.read_text("utf-8"), None) == []

    page.goto(f"{served.base}/visits/{served.visit}/record")
    page.get_by_text("What was measured of it: 3 values").click()  # the only one of its name
    assert page.get_by_label("Which one is it?").input_value() == "bay 2"
    page.get_by_text("exhaust: polarity as it should be, with exhaust (today)").wait_for()
    page.get_by_label("Which one is it?").fill("bay 3")
    page.get_by_label("Which one is it?").blur()
    page.get_by_text("Nothing was measured of it").wait_for()
    assert page.evaluate(LAYOUT.read_text("utf-8")) == []


def test_before_and_after_by_touch(opened: Callable[..., Any], served: Served) -> None:
    page = opened(viewport={"width": 1024, "height": 600}, has_touch=True, is_mobile=True)
    page.goto(f"{served.base}/vehicles/{served.vehicle}")
    page.get_by_role("link", name="Begin a visit").tap()
    page.get_by_text("After a repair").tap()
    page.get_by_label("Odometer").fill("171905")
    page.get_by_role("button", name="Begin the visit").tap()
    page.wait_for_url("**/visits/*/hook-up")
    page.get_by_role("link", name="Go on to: Recordings").tap()
    page.wait_for_url("**/recordings")
    other = served.csv.with_name("third.csv")
    other.write_text(served.csv.read_text("ascii").replace("time,", "time  ,"), encoding="ascii")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").tap()
    chooser.value.set_files(str(other))
    page.locator("p", has_text="sable").first.wait_for(timeout=120_000)
    page.goto(f"{served.base}/vehicles/{served.vehicle}/compare")
    page.get_by_role("button", name="Compare", exact=True).tap()
    page.get_by_role("heading", level=2).first.wait_for()
    shot(page, "touch-compare")


def test_no_request_leaves_this_computer(browser: Any, served: Served) -> None:
    """With a service worker and all: every address asked for is our own."""
    context = browser.new_context()
    asked: list[str] = []
    context.on("request", lambda r: asked.append(r.url))
    page = context.new_page()
    page.goto(f"{served.base}/enter?key={served.key}")
    for path in ("/", "/vehicles/new", f"/visits/{served.visit}/cylinders"):
        page.goto(served.base + path)
    page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    kept = page.evaluate(
        "async () => { const cache = await caches.open((await caches.keys())[0]);"
        " return (await cache.keys()).map((r) => new URL(r.url).pathname) }"
    )
    context.close()
    assert {u.split("/")[2] for u in asked if u.startswith("http")} == {served.base[7:]}
    assert kept
    assert all(path.startswith("/static/") for path in kept)  # the shell, nothing of the user's


def test_a_recording_is_made_watched_and_judged(opened: Callable[..., Any], served: Served) -> None:
    """From set-up to the verdict with the simulated vehicle; a wrong address is said; a page loaded
    again and a second window show what runs."""
    page = opened(viewport={"width": 1024, "height": 600})
    address = f"{served.base}/visits/{served.visit}/record"
    run, layout = AXE_RUN.read_text("utf-8"), LAYOUT.read_text("utf-8")
    found: list[str] = []

    def look(name: str) -> None:
        page.evaluate(AXE.read_text("utf-8"))
        found.extend(f"{name}: {v}" for v in page.evaluate(run, None))
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            found.extend(f"{name}, {size}: {v}" for v in page.evaluate(layout))
            shot(page, f"record-{name}-{size}")
        page.set_viewport_size({"width": 1024, "height": 600})

    page.goto(address)
    page.locator("#inputs select").first.wait_for()
    look("setup")
    page.fill("#address", "nothing:1")
    page.locator("#address").blur()
    page.locator("#inputs .error").wait_for()
    page.fill("#address", "simulator?seed=1&seconds=60&pace=2")
    page.locator("#address").blur()
    page.locator("#inputs select").first.wait_for()
    page.get_by_text("Rate, duration, precision, speed").click()
    for name, value in (("rate_hz", "5000"), ("shortest_s", "20"), ("longest_s", "40")):
        page.fill(f"#{name}", value)
    page.click("#act")
    page.locator("#live .cylinders li").nth(3).wait_for()
    page.locator("#live").get_by_text(" rpm").first.wait_for()
    look("live")

    page.reload()
    page.get_by_role("button", name="Stop recording").wait_for()
    other = page.context.new_page()
    other.goto(address)
    other.get_by_text("Started in another window; here you watch.").wait_for()

    page.get_by_role("button", name="Stop recording").click()
    page.get_by_text("The recording is in the visit").wait_for()
    look("verdict")
    other.get_by_text("The recording is in the visit").wait_for()
    page.get_by_text("It has been judged.").wait_for(timeout=100_000)
    page.goto(f"{served.base}/visits/{served.visit}/recordings")
    page.get_by_text("Fit to judge").first.wait_for()
    assert found == [], "\n".join(found)
