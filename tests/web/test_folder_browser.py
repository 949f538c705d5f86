"""A folder dropped on the recordings of a visit, and the hook-up drawing on a phone, in a real
browser. Screenshots go to out/screenshots."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ringland.history import (
    Store,
    add_engine,
    add_vehicle,
    add_visit,
    list_recordings,
    list_vehicles,
    list_visits,
    open_store,
)
from ringland.web.servers import serving

from .test_browser import ARGUMENTS, LAYOUT, OUT, chromium_path, shot, wait

playwright_api = pytest.importorskip("playwright.sync_api")
ENGINES = {
    "four": 'cylinders = 4\nfiring_order = "1-3-4-2"\ntrigger_cylinder = 1\n',
    "vee": 'cylinders = 6\nfiring_order = "1-4-2-5-3-6"\nbanks = [1, 1, 1, 2, 2, 2]\n'
    "outlets = [1, 1, 1, 2, 2, 2]\ntrigger_cylinder = 1\n",
}


@pytest.fixture
def store(empty_folder: Path, tmp_path: Path) -> Iterator[Store]:
    """A store with an open visit for each engine."""
    with open_store(tmp_path / "data", who="tester") as opened:
        for name, text in ENGINES.items():
            vehicle = add_vehicle(opened, name=name)
            engine = add_engine(opened, vehicle_id=vehicle.id, name=name, description=text)
            add_visit(opened, vehicle_id=vehicle.id, engine_id=engine.id,
                      visited_on="2026-09-14", purpose="fault-finding")  # fmt: skip
        yield opened


@pytest.fixture
def page(store: Store, tmp_path: Path) -> Iterator[Any]:
    """A page that was let in; complaints on the console fail."""
    said: list[str] = []
    with (
        serving(store, tmp_path / "data", warm=False) as (base, app),
        playwright_api.sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=ARGUMENTS)
        context = browser.new_context(
            viewport={"width": 1024, "height": 600}, service_workers="block", base_url=base
        )
        context.set_default_timeout(60_000)
        opened = context.new_page()
        opened.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
        opened.on("pageerror", lambda e: said.append(str(e)))
        opened.goto(f"/enter?key={app.state.context.sessions.key}")
        yield opened
        browser.close()
    assert said == []


def visit_of(store: Store, name: str) -> str:
    """The visit for the engine of that name."""
    (vehicle,) = [v for v in list_vehicles(store) if v.name == name]
    (visit,) = list_visits(store, vehicle_id=vehicle.id)
    return visit.id


def drop(page: Any, path: Path, place: Any) -> None:
    """What the browser does when something is let go there that came from the file manager."""
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    session = page.context.new_cdp_session(page)
    for kind in ("dragEnter", "dragOver", "drop"):
        session.send(
            "Input.dispatchDragEvent",
            {
                "type": kind,
                "x": box["x"] + box["width"] / 2,
                "y": box["y"] + 30,
                "data": {"items": [], "files": [str(path)], "dragOperationsMask": 1},
            },
        )


def test_a_folder_dropped_puts_its_recordings_into_the_visit(
    page: Any, store: Store, recording_csv: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "from the recorder"
    (folder / "cold" / "again").mkdir(parents=True)
    text = recording_csv.read_text("ascii")
    for place in ("idle.csv", "cold/idle cold.csv", "cold/again/idle 2.csv"):
        (folder / place).write_text(text.replace("\n", f"\n# {place}\n", 1), encoding="ascii")
    (folder / "notes.txt").write_text("not a recording", encoding="ascii")
    (folder / ".hidden").write_text("nor this", encoding="ascii")
    visit = visit_of(store, "four")
    page.goto(f"/visits/{visit}/recordings")
    page.locator(".drop").get_by_label("Cranking").check()
    drop(page, folder, page.locator(".drop"))
    page.get_by_text("3 of 3 kept. 2 other files left out.").wait_for()
    wait(lambda: page.locator("li .what", has_text="idle").count() == 3)
    kept = list_recordings(store, visit_id=visit)
    assert {r.file_name for r in kept} == {"idle.csv", "idle cold.csv", "idle 2.csv"}
    assert {r.condition for r in kept} == {"cranking"}
    shot(page, "folder-dropped")


def test_the_hook_up_drawing_fits_a_phone(page: Any, store: Store) -> None:
    """All of it is seen at once, its words are legible, and none lies on another."""
    page.set_viewport_size({"width": 390, "height": 844})
    for name in ENGINES:
        page.goto(f"/visits/{visit_of(store, name)}/hook-up")
        figure = page.locator("figure.plan")
        assert figure.evaluate("(e) => e.scrollWidth - e.clientWidth") <= 0
        assert figure.locator("svg:visible").count() == 1
        boxes = figure.locator("svg:visible text").evaluate_all(
            "(all) => all.map((t) => [t.textContent, t.getBoundingClientRect().toJSON()])"
        )
        assert len(boxes) > 8
        for text, box in boxes:
            assert box["left"] >= 0, text
            assert box["right"] <= 390, text
            assert box["height"] >= 14, text
        for n, (text, a) in enumerate(boxes):
            for other, b in boxes[n + 1 :]:
                apart = (
                    a["right"] <= b["left"] or b["right"] <= a["left"]
                    or a["bottom"] <= b["top"] + 3 or b["bottom"] <= a["top"] + 3
                )  # fmt: skip
                assert apart, f"{text} lies on {other}"
        assert page.evaluate(LAYOUT.read_text("utf-8")) == []
        figure.scroll_into_view_if_needed()
        OUT.mkdir(parents=True, exist_ok=True)
        figure.screenshot(path=str(OUT / f"hook-up-phone-{name}.png"))
