"""`ringland serve` as a process, and the small pieces pages are made of."""

import re
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import psutil  # type: ignore[import-untyped]
import pytest

from ringland.errors import BadInput
from ringland.web.api.uploads import plain_name
from ringland.web.app import is_loopback
from ringland.web.blocks import strict_svg
from ringland.web.path import Step, next_step
from ringland.web.usable import usability


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "ringland", "serve", "--no-browser", *map(str, words)]


def test_serving_saying_so_and_a_port_in_use(tmp_path: Path) -> None:
    port = free_port()
    words = command("--port", port, "--data", tmp_path / "data")
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            said = process.stdout.readline()
            address = re.findall(r"http://\S+", said)[0]
            assert address.startswith(f"http://127.0.0.1:{port}/enter?key=")
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            end = time.monotonic() + 30
            while True:
                try:
                    with opener.open(address, timeout=30) as answer:
                        text = answer.read().decode()
                    break
                except OSError:
                    assert time.monotonic() < end
                    time.sleep(0.1)
            assert "<h1>Today</h1>" in text
            other = subprocess.run(words, capture_output=True, text=True, check=False)
            assert other.returncode == 2
            assert "The port is in use" in other.stderr
            heard = psutil.Process(process.pid).net_connections(kind="inet")
            assert {c.laddr.ip for c in heard if c.status == psutil.CONN_LISTEN} == {"127.0.0.1"}
        finally:
            process.terminate()
        process.wait(20)


def test_a_figure_without_inline_style_keeps_its_looks() -> None:
    drawn = (
        '<svg viewBox="0 0 1 1" role="img"><defs>\n <style type="text/css">*{stroke: none}'
        '</style>\n</defs><path d="M 0 0\n"\nstyle="fill: var(--blue, #0072b2); stroke-width: 1.2; '
        'behavior: url(x)"/><text style="font-size: 9px">a &lt; b</text></svg>'
    )
    strict = strict_svg(drawn)
    assert "style" not in strict
    assert 'fill="var(--blue, #0072b2)" stroke-width="1.2"' in strict
    assert "behavior" not in strict
    assert "a &lt; b" in strict
    assert strict.startswith('<svg stroke-linejoin="round"')


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("idle.csv", "idle.csv"),
        ("../../etc/passwd", "passwd"),
        ("C:\\data\\idle.csv", "idle.csv"),
        ("a\x00b\n.csv", "ab.csv"),
        ("  .hidden. ", "hidden"),
        ("é" * 400, "é" * 200),
    ],
)
def test_a_file_name_is_a_name(given: str, kept: str) -> None:
    assert plain_name(given) == kept


@pytest.mark.parametrize("given", ["", ".", "..", "/", "\\", "\x00", " . "])
def test_what_is_no_name(given: str) -> None:
    with pytest.raises(BadInput):
        plain_name(given)


def test_the_next_step_is_the_first_that_is_open() -> None:
    def steps(recordings: str, cylinders: str) -> tuple[Step, ...]:
        marks = {"about": "part", "hook-up": "open", "recordings": recordings,
                 "cylinders": cylinders, "away": "open"}  # fmt: skip
        return tuple(Step(k, k, v, "") for k, v in marks.items())

    assert next_step(steps("open", "open")).id == "about"
    assert next_step(steps("part", "open")).id == "recordings"
    assert next_step(steps("done", "open")).id == "cylinders"
    assert next_step(steps("done", "alarm")).id == "away"


def test_usable_or_not_in_words() -> None:
    def document(verdict: str, not_judged: str | None = None) -> dict[str, object]:
        check = {"verdict": verdict, "message": "hum", "action": "move the cable"}
        return {
            "quality": {"channels": [{"channel": "exhaust", "checks": [check]}]},
            "not_judged": not_judged,
        }

    assert usability(document("ok")).word == "usable"
    assert usability(document("suspect")).word == "usable with doubts"
    assert usability(document("unusable")).word == "usable in part"
    assert usability(document("unusable", "no cycles")).word == "not usable"
    assert usability(document("suspect")).troubles[0].action == "move the cable"


def test_only_this_computer() -> None:
    assert is_loopback("127.0.0.1")
    assert is_loopback("[::1]")
    assert is_loopback("localhost")
    assert not is_loopback("192.168.1.5")
