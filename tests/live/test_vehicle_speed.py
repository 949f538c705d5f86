"""The speed the vehicle says, beside a recording: from an adapter on TCP that a test plays."""

import json
import socket
import time
from pathlib import Path

import pytest
from tests.instruments.obd_vehicle import Car, adapter
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.live.vehicle_speed import SpeedWatch

RECORD = ["record", "simulator?seed=1&seconds=30&pace=2", "--engine", "I4-1342", "--rate", "5000",
          "--shortest", "4"]  # fmt: skip


def free_port() -> int:
    """A port nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def test_readings_come_while_it_watches_and_none_after() -> None:
    with adapter(Car(speed_rpm=751.25)) as served:
        watch = SpeedWatch(served.address)
        assert watch.latest_rpm() is None
        assert watch.seen() is None
        watch.start()
        end = time.monotonic() + 20.0
        while (watch.seen() is None or watch.latest_rpm() is None) and time.monotonic() < end:
            time.sleep(0.02)
        watch.stop()
        seen = watch.seen()
        assert seen is not None
        # SAE J1979, parameter 0C: a quarter of a revolution per minute a step
        assert (seen.lowest_rpm, seen.median_rpm, seen.highest_rpm) == (751.25, 751.25, 751.25)
        assert watch.seen(since_s=time.monotonic()) is None


def test_an_engine_that_stands_has_no_speed() -> None:
    with adapter(Car(speed_rpm=0.0)) as served:
        watch = SpeedWatch(served.address)
        watch.start()
        end = time.monotonic() + 20.0
        while watch.latest_rpm() is None and time.monotonic() < end:
            time.sleep(0.02)
        watch.stop()
        assert watch.latest_rpm() == 0.0
        assert watch.seen() is None


def test_a_recording_keeps_what_the_vehicle_said(tmp_path: Path) -> None:
    out = tmp_path / "idle.h5"
    with adapter(Car(speed_rpm=748.0)) as served:
        done = CliRunner().invoke(app, [*RECORD, "--out", str(out), "--obd", served.address])
    assert done.exit_code == 0, done.output
    assert "The vehicle says 748 rpm (748 to 748 in" in done.output
    assert "--speed-hint 748" in done.output
    told = json.loads(out.with_suffix(".json").read_text("utf-8"))["vehicle_speed"]
    assert told["median_rpm"] == 748.0
    assert told["count"] >= 1
    assert told["trouble"] is None


@pytest.mark.parametrize("address", ["tcp:127.0.0.1:{port}", "nothing:1"])
def test_a_missing_adapter_costs_no_recording(tmp_path: Path, address: str) -> None:
    out = tmp_path / "idle.h5"
    given = address.format(port=free_port())
    done = CliRunner().invoke(app, [*RECORD, "--out", str(out), "--obd", given])
    assert done.exit_code == 0, done.output
    assert "FIT TO JUDGE." in done.output
    assert "The vehicle's speed was not read:" in done.output
    assert out.exists()
