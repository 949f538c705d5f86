"""The instrument view in a real browser: pan, zoom, cursors, raster and trace linked, a stretch
left out, what if. Screenshots go to out/screenshots."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ringland.history import add_engine, add_vehicle, add_visit, keep_recording, open_store
from ringland.web.servers import serving

from .test_browser import ARGUMENTS, AXE, AXE_RUN, LAYOUT, chromium_path, shot, wait

playwright_api = pytest.importorskip("playwright.sync_api")
ENGINE = 'cylinders = 4\nfiring_order = "1-3-4-2"\ntrigger_cylinder = 1\n'


@pytest.fixture
def address(tmp_path: Path, recording_csv: Path) -> Iterator[tuple[str, str, str]]:
    """A real server with one recording: its address, its key, the recording's id."""
    with open_store(tmp_path / "data", who="tester") as store:
        vehicle = add_vehicle(store, name="minibus 7")
        engine = add_engine(store, vehicle_id=vehicle.id, name="petrol", description=ENGINE)
        visit = add_visit(
            store,
            vehicle_id=vehicle.id,
            engine_id=engine.id,
            visited_on="2026-09-14",
            purpose="fault-finding",
        )
        recording = keep_recording(store, visit.id, recording_csv, condition="idle")
        with serving(store, tmp_path / "data", warm=False) as (base, app):
            yield base, app.state.context.sessions.key, recording.id


@pytest.fixture
def page(address: tuple[str, str, str]) -> Iterator[Any]:
    """A page at the size of a small tablet that was let in; complaints on the console fail."""
    path = chromium_path()
    said: list[str] = []
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        context = browser.new_context(
            viewport={"width": 1024, "height": 600}, service_workers="block"
        )
        context.set_default_timeout(40_000)
        opened = context.new_page()
        opened.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
        opened.on("pageerror", lambda e: said.append(str(e)))
        opened.goto(f"{address[0]}/enter?key={address[1]}")
        yield opened
        browser.close()
    assert said == []


def span(page: Any) -> tuple[float, float]:
    """From when to when the trace goes."""
    page.evaluate("() => new Promise((d) => requestAnimationFrame(() => requestAnimationFrame(d)))")
    root = page.locator("#instrument")
    return float(root.get_attribute("data-start")), float(root.get_attribute("data-stop"))


def test_trace_raster_stretch_and_what_if(page: Any, address: tuple[str, str, str]) -> None:
    base, _, recording = address
    page.goto(f"{base}/recordings/{recording}")
    page.wait_for_selector("#instrument[data-ready]")
    trace, raster = page.locator("#trace"), page.locator("#raster")
    start, stop = span(page)
    trace.focus()
    page.keyboard.press("ArrowRight")  # along by a tenth
    assert span(page)[0] == pytest.approx(start + 0.1 * (stop - start), abs=1e-6)
    page.keyboard.press("ArrowUp")  # closer
    near = span(page)
    assert near[1] - near[0] == pytest.approx(0.8 * (stop - start), abs=1e-6)
    box = trace.bounding_box()
    page.mouse.move(box["x"] + 500, box["y"] + 100)
    page.mouse.wheel(0, 300)
    assert span(page)[1] - span(page)[0] > near[1] - near[0]
    before = span(page)
    page.mouse.down()
    page.mouse.move(box["x"] + 300, box["y"] + 100, steps=4)
    page.mouse.up()
    assert span(page)[0] > before[0]

    page.mouse.click(box["x"] + 400, box["y"] + 100)  # cursor A
    page.keyboard.press("b")
    page.keyboard.press(">")
    span(page)  # drawn by now
    read = page.locator("#readout").inner_text()
    assert "A: " in read
    assert "° of cycle" in read
    assert "A to B: " in read
    shot(page, "instrument-trace-1024")

    rows = page.evaluate("() => window.ringlandTrace.crank.cycles.length")
    raster.scroll_into_view_if_needed()
    at = raster.bounding_box()
    page.mouse.click(at["x"] + 500, at["y"] + 24 + (at["height"] - 50) * (40.5 / rows))
    assert page.evaluate("() => window.ringlandTrace.marked") == 40
    first, last = span(page)
    cycle = page.evaluate("() => window.ringlandTrace.crank.cycles[40]")
    assert first < cycle["start_s"] < cycle["stop_s"] < last
    raster.focus()
    page.keyboard.press("ArrowDown")
    span(page)
    assert page.evaluate("() => window.ringlandTrace.marked") == 41
    shot(page, "instrument-raster-1024")

    polar = page.locator("#polar")
    polar.scroll_into_view_if_needed()
    around = polar.bounding_box()
    page.mouse.click(around["x"] + around["width"] / 2 + 60, around["y"] + around["height"] / 2)
    span(page)  # a quarter of the turn, clockwise from the top, of the cycle chosen before
    assert page.locator("#polar-words").inner_text().startswith("Cycle 42 at 180°: ")
    assert "180.0° of cycle 42" in page.locator("#readout").inner_text()
    polar.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    span(page)
    assert page.locator("#polar-words").inner_text().startswith("Cycle 41 at 182°: ")
    assert page.evaluate("() => window.ringlandTrace.marked") == 40

    trace.focus()
    for key in ("0", "a", "PageDown", "b", "x"):  # leave out what lies between two cycles
        page.keyboard.press(key)
    page.wait_for_function("() => document.getElementById('instrument').dataset.ready !== 'all'")
    assert "exclude=" in page.url
    assert "Without the stretches" in page.locator("#result-words").inner_text()
    page.keyboard.press("z")
    page.wait_for_function("() => document.getElementById('instrument').dataset.ready === 'all'")
    check(page, "instrument")

    page.goto(f"{base}/recordings/{recording}/what-if")
    page.wait_for_selector("#what-if[data-ready]")
    assert "No cause has been ranked" in page.locator("#start").inner_text()  # nothing judged yet
    page.select_option("#kind", "weak_burn")
    page.select_option("#cylinder", "4")
    page.wait_for_selector("#what-if[data-ready='kind=weak_burn&cylinder=4']")
    curve = page.locator("#curves .simulated").first
    was = curve.get_attribute("d")
    page.locator("#severity").focus()
    page.keyboard.press("End")
    wait(lambda: curve.get_attribute("d") != was)
    assert page.locator("#size").inner_text() == "80\N{NO-BREAK SPACE}%"
    check(page, "what-if")


def check(page: Any, name: str) -> None:
    """axe finds nothing in three themes, nothing overlaps at tablet and phone; screenshots."""
    page.evaluate(AXE.read_text("utf-8"))
    for theme in ("light", "dark", "contrast"):
        page.evaluate("(t) => { document.documentElement.dataset.theme = t }", theme)
        assert page.evaluate(AXE_RUN.read_text("utf-8"), None) == []
        page.evaluate("() => window.scrollTo(0, 0)")
        shot(page, f"{name}-1024-{theme}")
    page.evaluate("() => { document.documentElement.dataset.theme = 'light' }")
    for size in ({"width": 390, "height": 844}, {"width": 1024, "height": 600}):
        page.set_viewport_size(size)
        page.evaluate("() => new Promise((d) => requestAnimationFrame(() => setTimeout(d, 100)))")
        assert page.evaluate(LAYOUT.read_text("utf-8")) == []
        page.screenshot(
            path=str(Path("out/screenshots") / f"{name}-{size['width']}-whole.png"), full_page=True
        )
