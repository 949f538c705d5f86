"""The recording page in a real browser, with the simulated vehicle and a server of its own process:
a lost server, a speed held by coaching, a snap and the starter caught by what came before them.
Screenshots go to out/screenshots."""

import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from ringland.history import (
    add_engine,
    add_vehicle,
    add_visit,
    get_recording,
    list_recordings,
    open_store,
)
from ringland.readers import read_recording

from .test_browser import ARGUMENTS, AXE, AXE_RUN, LAYOUT, chromium_path, shot

playwright_api = pytest.importorskip("playwright.sync_api")

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the server is stopped by signals")
ENGINE = 'cylinders = 4\nfiring_order = "1-3-4-2"\ntrigger_cylinder = 1\n'


@dataclass
class Program:
    """`ringland serve` as a person starts it, on one port, again and again."""

    folder: Path
    port: int
    visit: str
    key_address: str = ""
    process: "subprocess.Popen[str]" = field(init=False)

    def start(self) -> None:
        """Start it, and wait for the address with the key."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ringland", "serve", "--no-browser", "--port", str(self.port),
             "--data", str(self.folder)],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        said = self.process.stdout.readline()
        self.key_address = re.findall(r"http://\S+", said)[0]
        end = time.monotonic() + 60.0
        while time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
            except OSError:
                time.sleep(0.1)
            else:
                return
        raise AssertionError("the server did not come up")

    def kill(self) -> None:
        """At once, as the system does when memory runs out."""
        self.process.kill()
        self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    """A running program with one vehicle on a visit."""
    folder = tmp_path / "store"
    with open_store(folder, who="tester") as store:
        vehicle = add_vehicle(store, name="minibus 7")
        engine = add_engine(store, vehicle_id=vehicle.id, name="petrol", description=ENGINE)
        visit = add_visit(
            store, vehicle_id=vehicle.id, engine_id=engine.id, visited_on="2026-09-14",
            purpose="fault-finding",
        )  # fmt: skip
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
    running = Program(folder, port, visit.id)
    running.start()
    yield running
    if running.process.poll() is None:
        running.process.send_signal(signal.SIGCONT)
        running.kill()


@pytest.fixture
def page(program: Program) -> Iterator[Any]:
    """The recording page of the visit."""
    path = chromium_path()
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        context = browser.new_context(
            service_workers="block", viewport={"width": 1024, "height": 600}
        )
        context.set_default_timeout(60_000)
        opened = context.new_page()
        opened.on("pageerror", lambda e: pytest.fail(str(e)))
        opened.goto(program.key_address)
        opened.goto(f"http://127.0.0.1:{program.port}/visits/{program.visit}/record")
        opened.locator("#inputs select").first.wait_for()
        yield opened
        browser.close()


def record(page: Any, condition: str, address: str, **fields: str) -> None:
    """Choose, fill in and press the button in the corner."""
    page.get_by_text(condition, exact=True).click()
    page.fill("#address", address)
    page.locator("#address").blur()
    page.get_by_text("invented data").first.wait_for()
    page.get_by_text("Rate, duration, precision, speed").click()
    for name, value in {"rate_hz": "5000", **fields}.items():
        page.fill(f"#{name}", value)
    page.click("#act")


def seconds(page: Any) -> float:
    """What the page shows as recorded."""
    return float(page.locator("#live .now b").first.inner_text().split()[0])


def until(page: Any, wanted_s: float) -> float:
    """Wait until so much is shown as recorded; what is shown then."""
    page.locator("#live .now").wait_for()
    end = time.monotonic() + 60.0
    while (shown := seconds(page)) < wanted_s:
        assert time.monotonic() < end, f"{shown} s are recorded"
        page.wait_for_timeout(50)
    return shown


def looks_well(page: Any, name: str) -> None:
    """Accessible, nothing overlaps; a screenshot for people."""
    shot(page, name)
    page.evaluate(AXE.read_text("utf-8"))
    found = [*page.evaluate(AXE_RUN.read_text("utf-8"), None)]
    found += page.evaluate(LAYOUT.read_text("utf-8"))
    assert found == [], "\n".join(map(str, found))


def kept(program: Program) -> list[Any]:
    """The recordings in the visit, read back, with their condition."""
    with open_store(program.folder) as store:
        rows = list_recordings(store, visit_id=program.visit)
        return [
            (get_recording(store, r.id).condition, read_recording(store.files.path(r.sha256)))
            for r in rows
        ]


def test_a_server_that_stands_still_and_one_that_dies(program: Program, page: Any) -> None:
    """Within seconds the page says that its values stand still; what it showed as recorded is
    offered when the program was started again, and goes into the visit whole."""
    record(page, "Idle", "simulator?seed=1&seconds=60", shortest_s="50", longest_s="60")
    until(page, 2.0)
    program.process.send_signal(signal.SIGSTOP)
    page.locator("#live.stale").wait_for(timeout=8_000)
    assert "stand still" in page.locator("#state").inner_text()
    looks_well(page, "record-server-still")
    program.process.send_signal(signal.SIGCONT)
    page.locator("#live:not(.stale)").wait_for()
    page.wait_for_function("!document.getElementById('state').textContent.includes('stand still')")
    shown = until(page, 6.0)

    program.kill()
    page.locator("#live.stale").wait_for(timeout=8_000)
    shown = max(shown, seconds(page))
    page.get_by_text("The server does not answer. What is on this page stays").wait_for()
    page.get_by_role("button", name="Stop recording").click()
    page.get_by_text("What was recorded until then is on the disk.").wait_for()
    looks_well(page, "record-server-lost")

    program.start()
    page.get_by_text("A recording broke off when the program ended").wait_for()
    page.get_by_role("button", name="Start recording").wait_for()
    looks_well(page, "record-server-back")
    page.get_by_role("button", name="Put it into this visit").click()
    page.wait_for_url("**/recordings")
    page.get_by_text("Fit to judge").first.wait_for()
    ((condition, recording),) = kept(program)
    assert condition == "idle"
    assert recording.duration_s >= shown - 0.05, "the page shows tenths of a second"


def test_a_held_speed_is_coached(program: Program, page: Any) -> None:
    """The simulated person starts too fast and finds 1500 rpm in about three seconds."""
    record(page, "Speed held", "simulator?seed=1&seconds=40", shortest_s="12", longest_s="20")
    coach = page.locator("#live .coach")
    page.get_by_text("rpm: good, hold it there.").wait_for()
    rpm = float(coach.inner_text().split()[0])
    assert rpm == pytest.approx(1500.0, rel=0.03)
    looks_well(page, "record-held")
    page.get_by_text("The recording is in the visit").wait_for()
    assert "Fit to judge" in page.locator("#verdict").inner_text()
    ((condition, recording),) = kept(program)
    assert condition == "held"
    assert 11.0 < recording.duration_s < 22.0


@pytest.mark.parametrize(
    ("wanted", "said"),
    [("2000", "a little more, to 2000."), ("1200", "ease off a little, to 1200.")],
)
def test_another_speed_to_hold(program: Program, page: Any, wanted: str, said: str) -> None:
    """The simulated person holds 1500 rpm whatever is wanted."""
    record(page, "Speed held", "simulator?seed=1&seconds=40", speed_rpm=wanted, shortest_s="30")
    page.get_by_text(f"rpm: {said}").wait_for()
    assert page.evaluate("() => scrollY") == 0  # what the foot should do is in sight
    shot(page, f"record-held-{wanted}")
    page.click("#act")
    page.locator("#verdict").get_by_text("Ended: stopped by hand").wait_for()


@pytest.mark.parametrize(
    ("choice", "condition", "ready", "begins_s"),
    [
        ("Snap of the throttle", "snap", "one quick full press, at once let go", 4.0),
        ("Cranking", "cranking", "fuel off, clear of belts and fan, then crank", 3.0),
    ],
)
def test_an_event_is_caught_with_what_came_before(
    program: Program, page: Any, choice: str, condition: str, ready: str, begins_s: float
) -> None:
    """The simulator presses the pedal after a fifth of its time and turns the key after three
    seconds; the three seconds before are in the recording."""
    record(page, choice, "simulator?seed=1&seconds=20")
    page.get_by_text(ready).wait_for()
    page.get_by_text("Nothing is kept yet but the last three seconds.").wait_for()
    page.get_by_role("button", name="Do not wait, record now").wait_for()
    looks_well(page, f"record-{condition}-waiting")
    if condition == "cranking":
        page.get_by_text(re.compile(r"Cranking \d s of at most \d+ s")).wait_for()
        shot(page, "record-cranking")
    page.get_by_text("The recording is in the visit").wait_for()
    said = page.locator("#verdict").inner_text()
    assert "Ended: the event is recorded." in said
    if condition == "cranking":
        assert "Let the starter rest" in said
    looks_well(page, f"record-{condition}-verdict")
    ((kept_as, recording),) = kept(program)
    assert kept_as == condition
    exhaust = next(c for c in recording.channels if c.role.value == "exhaust")
    rate = round(exhaust.rate_hz)
    assert 9.0 < len(exhaust.samples) / rate < 11.0
    tenth = rate // 10
    loud = exhaust.samples[: len(exhaust.samples) // tenth * tenth].reshape(-1, tenth).std(axis=1)
    before = loud[:20].max()
    assert loud[30:45].max() > 2.0 * before, "quiet first, then what was waited for"
    assert begins_s > 2.0  # as long as the recording reaches back
