"""A tablet pairs in a real browser: pages look right, and a reader is not offered what it may not
do. Screenshots go to out/screenshots."""

import ipaddress
import os
import shutil
import socket
import threading
from pathlib import Path

import pytest

from ringland.history import Store
from ringland.web import create_app
from ringland.web.serve import share
from ringland.web.servers import shared_server
from ringland.web.sessions import Role

from .test_browser import ARGUMENTS, AXE, AXE_RUN, LAYOUT, shot

playwright_api = pytest.importorskip("playwright.sync_api")


def test_a_tablet_pairs_reads_and_signs_out(store: Store, tmp_path: Path) -> None:
    path = os.environ.get("RINGLAND_CHROMIUM") or shutil.which("chromium")
    path = path or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        pytest.skip("no Chromium on this machine (RINGLAND_CHROMIUM names one)")
    listener = socket.create_server(("127.0.0.1", 0))
    port = int(listener.getsockname()[1])
    sharing = share(tmp_path, ipaddress.ip_address("127.0.0.1"), port=port, say=lambda _: None)
    app = create_app(store, folder=tmp_path, sharing=sharing, warm=False)
    server = shared_server(app, sharing)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    found: list[str] = []
    try:
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

            page.goto(f"https://127.0.0.1:{port}/")
            look("pair")
            page.fill("#code", "1")
            page.fill("#name", "Kim Marsh")
            page.fill("#device", "tablet bay 2")
            page.click("button[type=submit]")
            page.get_by_text("That code is not good.").wait_for()
            look("wrong-code")
            page.fill("#code", sharing.pairing.new(Role.READER).shown)
            page.click("button[type=submit]")
            page.get_by_text("This device changes nothing.").wait_for()
            look("reader")
            page.goto(f"https://127.0.0.1:{port}/vehicles/new")
            page.wait_for_function("document.querySelector('main form input').disabled")
            assert page.locator("button[type=submit]:visible").count() == 1  # to find
            page.goto(f"https://127.0.0.1:{port}/settings")
            look("reader-settings")
            page.evaluate("() => localStorage.setItem('ringland-draft:x', 'typed')")
            page.get_by_role("button", name="Sign this device out").click()
            page.wait_for_url("**/pair")
            assert page.evaluate("() => localStorage.length") == 0  # ASVS 4.0.3, 8.2.3
            browser.close()
    finally:
        server.should_exit = True
        thread.join(20)
        app.state.context.jobs.close()
    assert found == []
