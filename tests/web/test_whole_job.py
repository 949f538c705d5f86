"""The whole job in a real browser, from a new owner to the report in his mailbox: once with the
keyboard alone, once with fingers on a tablet. Screenshots go to out/screenshots."""

import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from ringland.engines import load_engine
from ringland.history import add_engine, add_vehicle, add_visit, keep_recording, open_store
from ringland.simulator.demo import demo_vehicles, engine_text, write_visit
from ringland.web.servers import serving

from .test_browser import ARGUMENTS, chromium_path, shot, wait

playwright_api = pytest.importorskip("playwright.sync_api")

TABLET = {"width": 1024, "height": 600}
WATCH = """
for (const kind of ["pointerdown", "wheel", "touchstart"]) {
  addEventListener(kind, (e) => { if (e.isTrusted) ringlandPointer(`${kind} ${e.pointerType ?? ""}`); }, true);
}
"""  # noqa: E501
THUMB = """
(e) => {
  const target = e.closest("label, a, button, summary") ?? e;
  const box = target.getBoundingClientRect();
  const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
  const hit = [[-21, 0], [21, 0], [0, -21], [0, 21]].every(([dx, dy]) => {
    const found = document.elementFromPoint(x + dx, y + dy);
    return found && (target.contains(found) || found.contains(target) || found.closest("label") === target);
  });
  return { text: target.innerText.slice(0, 50), width: box.width, height: box.height, hit };
}
"""  # noqa: E501


class Mailbox:
    """Keeps the letters that the local mail server was given."""

    def __init__(self) -> None:
        self.letters: list[bytes] = []

    async def handle_DATA(  # noqa: N802 (the server's name)
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take every letter."""
        assert isinstance(envelope.content, bytes)
        self.letters.append(envelope.content)
        return "250 taken"


@dataclass(frozen=True)
class Bay:
    """A running app with a mail server beside it, and a demo recording not kept yet."""

    base: str
    key: str
    csv: Path
    mailbox: Mailbox
    pointers: list[str] = field(default_factory=list)

    def other(self, name: str) -> Path:
        """The same recording as another file."""
        path = self.csv.with_name(name)
        text = self.csv.read_text("utf-8")
        path.write_text(text.replace("\n", f"\n# {name}\n", 1), encoding="utf-8", newline="\n")
        return path


@pytest.fixture(scope="module")
def bay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bay]:
    """A real app and a real mail server, each on a free port of this computer."""
    folder = tmp_path_factory.mktemp("bay")
    demo = next(v for v in demo_vehicles() if v.id == "minibus-7")
    (folder / "engine.toml").write_text(engine_text(demo), encoding="utf-8")
    ill = next(v for v in demo.visits if v.faults)
    csv, _ = write_visit(demo, ill, load_engine(folder / "engine.toml"), folder / "made")
    mailbox = Mailbox()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        mail_port = free.getsockname()[1]
    post = Controller(mailbox, hostname="127.0.0.1", port=mail_port)
    post.start()
    data = folder / "data"
    data.mkdir()
    (data / "mail.toml").write_text(
        f'host = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\n'
        'sender = "workshop@marrow.example"\n'
    )
    with open_store(data, who="tester") as store:
        vehicle = add_vehicle(store, name="minibus 9")
        engine = add_engine(store, vehicle_id=vehicle.id, name="p", description=engine_text(demo))
        visit = add_visit(store, vehicle_id=vehicle.id, engine_id=engine.id,
                          visited_on="2026-09-14", purpose="fault-finding")  # fmt: skip
        keep_recording(store, visit.id, csv, condition="idle")
        try:
            with serving(store, data) as (base, app):
                yield Bay(base, app.state.context.sessions.key, csv, mailbox)
        finally:
            post.stop()


@pytest.fixture
def opened(bay: Bay) -> Iterator[Callable[..., Any]]:
    """Make a page that was let in; complaints on the console fail; pointers used are noted."""
    said: list[str] = []
    bay.pointers.clear()
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=ARGUMENTS)

        def make(**settings: Any) -> Any:
            context = browser.new_context(service_workers="block", viewport=TABLET, **settings)
            context.set_default_timeout(30_000)
            context.expose_binding("ringlandPointer", lambda _, kind: bay.pointers.append(kind))
            context.add_init_script(WATCH)
            page = context.new_page()
            page.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
            page.on("pageerror", lambda e: said.append(str(e)))
            page.on("filechooser", lambda _: None)  # asked for now: asking takes a moment
            page.goto(f"{bay.base}/enter?key={bay.key}")
            return page

        yield make
        browser.close()
    assert [s for s in said if "400" not in s] == []  # a file that is kept already


def press(page: Any, key: str, times: int = 1) -> None:
    """One key, some times."""
    for _ in range(times):
        page.keyboard.press(key)


def tab_to(page: Any, name: str, *, most: int = 150) -> None:
    """Move the focus by Tab until it stands on something of that name."""
    for _ in range(most):
        press(page, "Tab")
        text = page.evaluate(
            "() => { const e = document.activeElement; const l = e.labels?.[0];"
            " return (e.getAttribute('aria-label') ?? l?.innerText ?? e.innerText ?? '').trim() }"
        )
        if text.split("\n")[0].startswith(name):
            return
    raise AssertionError(f"Tab never reached {name!r}")


def fill(page: Any, name: str, text: str) -> None:
    """Go to a field by Tab and type."""
    tab_to(page, name)
    page.keyboard.type(text)


def tick(page: Any, name: str) -> None:
    """Tick by Space until the page says that it is saved, as a person looks and presses again."""
    for _ in range(3):
        page.wait_for_load_state("load")
        tab_to(page, name)
        press(page, "Space")
        try:
            page.get_by_text("Saved at").wait_for(timeout=8_000)
        except playwright_api.TimeoutError:
            continue
        return
    raise AssertionError(f"{name!r} was never saved")


def go_on(page: Any, address: str) -> None:
    """Out of any field, the key for the next action, and the page it leads to."""
    press(page, "Escape")
    press(page, "n")
    page.wait_for_url(f"**{address}**")


def judged(page: Any) -> None:
    """Until no judging is shown any more."""
    page.locator("[data-job-of]:visible").first.wait_for(state="hidden", timeout=120_000)


def letter_to(bay: Bay, address: str) -> Any:
    """The one letter to that address, with a PDF in it."""
    wait(lambda: any(address.encode() in one for one in bay.mailbox.letters), seconds=60)
    found = [m for m in map(_parsed, bay.mailbox.letters) if m["To"] == address]
    assert len(found) == 1, "sent once"
    (pdf,) = [p for p in found[0].iter_attachments()]
    assert pdf.get_content_type() == "application/pdf"
    assert pdf.get_content().startswith(b"%PDF")
    return found[0]


def _parsed(letter: bytes) -> Any:
    return message_from_bytes(letter, policy=policy.default)


def test_the_whole_job_by_keyboard(opened: Callable[..., Any], bay: Bay) -> None:
    """New owner, vehicle and engine to a report sent, and the sensors put away: no pointer."""
    page = opened()
    go_on(page, "/visits/")  # something is open: the next action leads there
    press(page, "v")
    page.wait_for_url("**/vehicles")
    go_on(page, "/vehicles/new")
    page.wait_for_function("document.activeElement?.tagName === 'INPUT'")  # the page has come
    page.keyboard.type("minibus 7")
    fill(page, "Owner", "Marrow Valley Transit")
    fill(page, "Owner's e-mail", "owner@marrow.example")
    tab_to(page, "Fuel")
    page.keyboard.type("petrol")
    fill(page, "Trigger clamp", "1")
    fill(page, "Odometer", "171880")
    fill(page, "Complaint", "Shakes at the stop.")
    tab_to(page, "Begin the visit")
    press(page, "Enter")
    page.wait_for_url("**/visits/*/hook-up")
    shot(page, "keyboard-1-hook-up")
    first = page.locator(".tick").first.inner_text()
    tick(page, first[:30])
    go_on(page, "/recordings")
    tab_to(page, "Choose files")
    with page.expect_file_chooser() as chooser:
        press(page, "Enter")
    chooser.value.set_files(str(bay.csv))
    page.get_by_text("kept already, at another visit").wait_for()  # never kept twice
    shot(page, "keyboard-2-kept-elsewhere")
    with page.expect_file_chooser() as chooser:
        press(page, "Enter")  # the focus is still on the button
    chooser.value.set_files(str(bay.other("idle-7.csv")))
    page.locator("p", has_text="Usable").first.wait_for(timeout=120_000)
    shot(page, "keyboard-3-usable")
    go_on(page, "/cylinders")
    assert page.locator("svg.figure").count() >= 3
    shot(page, "keyboard-4-cylinders")
    go_on(page, "/why")
    assert "isfire" in page.locator("#causes").inner_text()
    shot(page, "keyboard-5-why")
    go_on(page, "/checks")
    answer = page.locator(".answers button b").first.inner_text()
    shot(page, "keyboard-6-checks")
    tab_to(page, answer)
    press(page, "Enter")
    page.get_by_role("heading", name="Answered").wait_for()
    judged(page)
    tab_to(page, "Choose from all")
    press(page, "Enter")
    tab_to(page, "Leak-down test")
    press(page, "Enter")
    for name, text in (("Cylinder", "3"), ("Loss", "8"), ("Orifice", "1.0mm"), ("Supply", "7bar")):
        fill(page, name, text)
    tab_to(page, "Count this answer")
    press(page, "Enter")
    page.get_by_text("Leak-down test, cylinder 3").wait_for()
    judged(page)
    shot(page, "keyboard-7-answered")
    go_on(page, "/decide")
    tab_to(page, "Decide this")
    press(page, "Enter")
    page.get_by_role("button", name="Done today").first.wait_for()
    shot(page, "keyboard-8-decided")
    go_on(page, "/report")
    tab_to(page, "Write the report")
    press(page, "Enter")
    page.get_by_role("link", name="PDF").wait_for(timeout=120_000)
    assert page.get_by_label("To", exact=True).input_value() == "owner@marrow.example"
    tab_to(page, "Put it into the outbox")
    press(page, "Enter")
    page.get_by_text("owner@marrow.example: sent").wait_for(timeout=60_000)
    shot(page, "keyboard-9-sent")
    assert "minibus 7" in letter_to(bay, "owner@marrow.example")["Subject"]
    tab_to(page, "It was handed over another way")
    press(page, "Enter")
    fill(page, "How", "printed, given to the driver")
    tab_to(page, "Keep that")
    press(page, "Enter")
    page.get_by_text("printed, given to the driver").wait_for()
    go_on(page, "/away")
    tab_to(page, "Put this visit away")
    press(page, "Enter")
    page.wait_for_url(f"{bay.base}/")
    with page.expect_navigation():
        press(page, "u")  # undo: it is open again
    page.get_by_text("minibus 7").first.wait_for()
    assert bay.pointers == [], "only the keyboard was used"


def tap(place: Any) -> None:
    """A finger on it: at least 48 px as the house has it, and nothing else within a thumb."""
    place.scroll_into_view_if_needed()
    box = place.evaluate(THUMB)
    assert box["height"] >= 47.5 and box["width"] >= 47.5 and box["hit"], box
    place.tap()


def type_into(page: Any, label: str, text: str) -> None:
    """A finger on the field, then the keyboard on the screen."""
    tap(page.locator("main").get_by_label(re.compile(f"^{label}")).first)
    page.keyboard.type(text)


def test_the_whole_job_by_touch_on_a_tablet(opened: Callable[..., Any], bay: Bay) -> None:
    """The same with fingers: no mouse, no key outside a field, every target large enough."""
    page = opened(has_touch=True, is_mobile=True)
    tap(page.get_by_role("link", name="Vehicles", exact=True))
    tap(page.get_by_role("link", name="Take a vehicle in"))
    type_into(page, "What you call it", "van 23")
    type_into(page, "Owner", "Lower Marrow Farms")
    type_into(page, "Owner's e-mail", "farm@marrow.example")
    page.get_by_label("Fuel").select_option("petrol")  # the tablet's own list
    type_into(page, "Trigger clamp", "1")
    tap(page.get_by_text("Before a repair"))
    type_into(page, "Odometer", "98310")
    shot(page, "touch-1-intake")
    tap(page.get_by_role("button", name="Begin the visit"))
    page.wait_for_url("**/visits/*/hook-up")
    tap(page.locator(".tick").first)
    page.get_by_text("Saved at").wait_for()
    shot(page, "touch-2-hook-up")
    tap(page.get_by_role("link", name="Go on to: Recordings"))
    page.wait_for_url("**/recordings")
    with page.expect_file_chooser() as chooser:
        tap(page.get_by_role("button", name="Choose files"))
    chooser.value.set_files(str(bay.other("idle-23.csv")))
    page.locator("p", has_text="Usable").first.wait_for(timeout=120_000)
    shot(page, "touch-3-usable")
    tap(page.get_by_role("link", name="Go on to: Each cylinder"))
    page.locator("svg.figure").first.wait_for()
    shot(page, "touch-4-cylinders")
    tap(page.get_by_role("link", name="Open the instrument view"))
    page.wait_for_selector("#instrument[data-ready]", timeout=120_000)
    tap(page.get_by_role("button", name="Closer"))
    tap(page.get_by_role("button", name="Cursor A"))
    page.locator("#readout", has_text="A: ").wait_for()
    shot(page, "touch-5-instrument")
    page.go_back()
    tap(page.get_by_role("link", name="Go on to: Why"))
    assert "isfire" in page.locator("#causes").inner_text()
    tap(page.get_by_role("link", name="Go on to: What to check"))
    tap(page.locator(".answers button").first)
    page.get_by_role("heading", name="Answered").wait_for()
    judged(page)
    shot(page, "touch-6-answered")
    tap(page.get_by_role("link", name="Go on to: Decision"))
    tap(page.get_by_role("button", name="Decide this").first)
    page.get_by_role("button", name="Done today").first.wait_for()
    shot(page, "touch-7-decided")
    tap(page.get_by_role("link", name="Go on to: Report"))
    tap(page.get_by_role("button", name="Write the report"))
    page.get_by_role("link", name="PDF").wait_for(timeout=120_000)
    tap(page.get_by_role("button", name="Put it into the outbox"))
    page.get_by_text("farm@marrow.example: sent").wait_for(timeout=60_000)
    shot(page, "touch-8-sent")
    letter_to(bay, "farm@marrow.example")
    tap(page.get_by_role("link", name="Go on to: Put away"))
    tap(page.get_by_role("button", name="Put this visit away"))
    page.wait_for_url(f"{bay.base}/")
    assert {p.split()[1] for p in bay.pointers if p.startswith("pointer")} == {"touch"}
