"""A tablet pairs in a real browser: pages look right, and a reader is not offered what it may not
do. Screenshots go to out/screenshots."""

import pytest

from ringland.web.sessions import Role

from .conftest import Place
from .test_browser import ARGUMENTS, AXE, AXE_RUN, LAYOUT, chromium_path, shot

playwright_api = pytest.importorskip("playwright.sync_api")


def test_a_tablet_pairs_reads_and_signs_out(place: Place) -> None:
    path = chromium_path()
    found: list[str] = []
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        page = browser.new_page(
            ignore_https_errors=True,
            has_touch=True,
            viewport={"width": 1024, "height": 600},
            service_workers="block",
        )

        def look(name: str) -> None:
            shot(page, f"sharing-{name}")
            page.evaluate(AXE.read_text("utf-8"))
            found.extend(page.evaluate(AXE_RUN.read_text("utf-8"), None))
            found.extend(page.evaluate(LAYOUT.read_text("utf-8")))

        page.goto(f"{place.base}/")
        look("pair")
        page.fill("#code", "1")
        page.fill("#name", "Kim Marsh")
        page.fill("#device", "tablet bay 2")
        page.click("button[type=submit]")
        page.get_by_text("That code is not good.").wait_for()
        look("wrong-code")
        page.fill("#code", place.sharing.pairing.new(Role.READER).shown)
        page.click("button[type=submit]")
        page.get_by_text("This device changes nothing.").wait_for()
        look("reader")
        page.goto(f"{place.base}/vehicles/new")
        page.wait_for_function("document.querySelector('main form input').disabled")
        assert page.locator("button[type=submit]:visible").count() == 1  # to find
        page.goto(f"{place.base}/settings")
        look("reader-settings")
        page.evaluate("() => localStorage.setItem('ringland-draft:x', 'typed')")
        page.get_by_role("button", name="Sign this device out").click()
        page.wait_for_url("**/pair")
        assert page.evaluate("() => localStorage.length") == 0  # ASVS 4.0.3, 8.2.3
        browser.close()
    assert found == []


def test_a_device_that_was_sent_away_is_told_so(place: Place) -> None:
    """Not that the server is away: it is there. What is being typed is kept."""
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=ARGUMENTS)
        page = browser.new_page(
            ignore_https_errors=True,
            viewport={"width": 1024, "height": 600},
            service_workers="block",
        )
        page.goto(f"{place.base}/")
        page.fill("#code", place.sharing.pairing.new(Role.TECHNICIAN).shown)
        page.fill("#name", "Kim Marsh")
        page.fill("#device", "tablet bay 2")
        page.click("button[type=submit]")
        with page.expect_response("**/api/v1/events"):
            page.goto(f"{place.base}/vehicles/new")
        page.fill("#name", "pump 3")
        (device,) = [s for s in place.sessions.all() if s.device == "tablet bay 2"]
        place.sessions.revoke(device.id)
        page.get_by_text("This device is no longer paired.").wait_for()
        assert page.get_by_text("does not answer").count() == 0
        shot(page, "sharing-sent-away")
        page.get_by_role("button", name="Begin the visit").click()
        page.get_by_text("This device is not paired.").wait_for()
        assert page.input_value("#name") == "pump 3"
        page.get_by_role("link", name="Pair it again").click()
        page.get_by_role("heading", name="Pair this device").wait_for()
        browser.close()
