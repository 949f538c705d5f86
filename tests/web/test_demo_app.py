"""`ringland demo` at a terminal: the app on the invented fleet, with the recording just made."""

import os
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from ringland.history import Store, list_visits
from ringland.history.demo import fill_demo_store

from .conftest import PAGE

pty = pytest.importorskip("pty", reason="a terminal to pretend with is not on every system")
WORDS = [sys.executable, "-m", "ringland", "demo", "--no-browser"]


def test_invented_numbers_are_not_offered_for_judging(store: Store, client: TestClient) -> None:
    """No recording is behind them: nothing calls them old, and nothing tries to judge them."""
    fill_demo_store(store)
    visit = list_visits(store)[-1]
    for step in ("recordings", "why"):
        text = client.get(f"/visits/{visit.id}/{step}", headers=PAGE).text
        assert "no recording is behind them to judge" in text
        assert "Judge again" not in text
        assert "is older than" not in text
    assert client.post(f"/api/v1/visits/{visit.id}/judge", json={}).json() == {"jobs": []}


def test_without_a_terminal_it_ends_by_itself(tmp_path: Path) -> None:
    done = subprocess.run(
        WORDS, cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        check=True, timeout=200,
    )  # fmt: skip
    assert "ALARM" in done.stdout
    assert "/enter?key=" not in done.stdout
    assert (tmp_path / "ringland-demo" / "report.html").is_file()


def test_at_a_terminal_the_app_opens_on_todays_visit(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    environment = {k: v for k, v in os.environ.items() if k != "CI"}
    with subprocess.Popen(
        WORDS, cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    ) as process:
        os.close(theirs)
        try:
            address = _address(ours)
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            end = time.monotonic() + 120
            text = ""
            while "1 of 4: ALARM" not in text:
                assert time.monotonic() < end, re.findall(r"<h2>.*|<p.*", text)[:30]
                time.sleep(0.5)
                try:
                    with opener.open(address, timeout=30) as answer:
                        text = answer.read().decode()
                except ConnectionError:
                    continue  # not listening yet
                address = "/".join([*address.split("/")[:3], ""])  # let in once
            assert "minibus 7" in text
        finally:
            process.terminate()
        process.wait(20)
    os.close(ours)


def _address(terminal: int) -> str:
    """The address that is printed, however long the first compilation takes."""
    said = b""
    while True:
        said += os.read(terminal, 65536)
        found = re.search(rb"http://127\.0\.0\.1:\d+/enter\?key=\S+", said)
        if found and b"Stop with Ctrl+C" in said:
            return found[0].decode()
