"""The instrument view's addresses: exact decimation, limits, one error shape, stretches left out,
what if."""

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ringland.history import keep_recording
from ringland.readers import read_recording
from ringland.web.instrument.pyramid import make_pyramid, min_max
from ringland.web.instrument.traces import Traces

ERROR = {"error", "wrong", "got", "allowed", "remedy"}


@pytest.fixture
def recording(app: FastAPI, visit: dict[str, str], recording_csv: Path) -> str:
    """The id of a kept recording."""
    row = keep_recording(
        app.state.context.store, visit["visit_id"], recording_csv, condition="idle"
    )
    return row.id


def of(recording: str, what: str) -> str:
    """The address of one thing."""
    return f"/api/v1/recordings/{recording}/instrument/{what}"


def by_numpy(
    samples: NDArray[np.float32], start: NDArray[np.int64], stop: NDArray[np.int64]
) -> NDArray[np.float32]:
    """Least and greatest of each slice, one slice after the other."""
    found = np.full((2, start.size), np.nan, dtype=np.float32)
    for i, (a, b) in enumerate(zip(start, stop, strict=True)):
        part = samples[a:b][~np.isnan(samples[a:b])]
        if part.size:
            found[:, i] = part.min(), part.max()
    return found


@settings(deadline=None, max_examples=60)
@given(
    count=st.integers(0, 3000),
    width=st.integers(1, 300),
    window=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    missing=st.floats(0, 0.9),
    seed=st.integers(0, 99),
)
def test_decimation_is_exact(
    count: int, width: int, window: tuple[float, float], missing: float, seed: int
) -> None:
    generator = np.random.default_rng(seed)
    samples = generator.normal(size=count).astype(np.float32)
    samples[generator.random(count) < missing] = np.nan
    bounds = np.linspace(min(window) * count, max(window) * count, width + 1).astype(np.int64)
    found = np.stack(min_max(make_pyramid(samples), bounds[:-1], bounds[1:]))
    np.testing.assert_array_equal(found, by_numpy(samples, bounds[:-1], bounds[1:]))


def test_trace_is_what_numpy_says_of_the_original(
    client: TestClient, recording: str, recording_csv: Path
) -> None:
    lanes = client.get(of(recording, "lanes")).json()
    assert [lane["role"] for lane in lanes["lanes"]] == ["exhaust", "ignition"]
    original = read_recording(recording_csv).channels[0]
    asked: dict[str, Any] = {"start_s": 1.0003, "stop_s": 5.4, "width": 700, "channel": [0, 1]}
    answer = client.get(of(recording, "trace"), params=asked)
    assert answer.headers["content-type"] == "application/octet-stream"
    values = np.frombuffer(answer.content, "<f4").reshape(2, 2, 700)
    bounds_s = np.linspace(1.0003, 5.4, 701)
    time_s = original.start_s + np.arange(original.samples.size) / original.rate_hz
    bounds = np.searchsorted(time_s, bounds_s - 1e-9)
    samples = original.samples.astype(np.float32)
    np.testing.assert_array_equal(values[0], by_numpy(samples, bounds[:-1], bounds[1:]))
    outside = client.get(of(recording, "trace"), params={**asked, "start_s": -9, "stop_s": -8})
    assert np.isnan(np.frombuffer(outside.content, "<f4")).all()


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"width": 0}, 422),
        ({"width": 8193}, 422),
        ({"width": "many"}, 422),
        ({"start_s": "nan"}, 422),
        ({"stop_s": "inf"}, 422),
        ({"stop_s": 1e9}, 422),
        ({"stop_s": 0.5}, 400),
        ({"channel": [2]}, 400),
        ({"channel": [-1]}, 400),
        ({"channel": [0] * 17}, 422),
        ({"channel": []}, 422),
    ],
)
def test_limits_are_told_in_the_one_shape(
    client: TestClient, recording: str, change: dict[str, Any], status: int
) -> None:
    asked = {"start_s": 1.0, "stop_s": 2.0, "width": 100, "channel": [0], **change}
    answer = client.get(of(recording, "trace"), params=asked)
    assert answer.status_code == status
    assert set(answer.json()) == ERROR


def test_unknown_recordings_and_strangers_get_nothing(
    client: TestClient, recording: str, app: FastAPI
) -> None:
    nowhere = "00000000-0000-0000-0000-000000000000"
    assert client.get(of(nowhere, "lanes")).status_code == 404
    assert client.get(of("../../etc", "lanes")).status_code == 404
    assert client.get("/recordings/x", headers={"Accept": "text/html"}).status_code == 422
    client.cookies.clear()
    assert client.get(of(recording, "lanes")).status_code == 403


def test_memory_is_bounded(recording_csv: Path, app: FastAPI, recording: str) -> None:
    store = app.state.context.store
    from ringland.history import get_recording

    row = get_recording(store, recording)
    traces = Traces(most_bytes=1)
    first = traces.get(store.file(row.sha256), row)
    assert traces.get(store.file(row.sha256), row) is first
    from dataclasses import replace

    other = replace(row, rate_hz=1000.0)
    assert traces.get(store.file(row.sha256), other).stop_s > first.stop_s
    assert traces.get(store.file(row.sha256), row) is not first  # it made room


def test_cycles_raster_results_and_what_if(client: TestClient, recording: str) -> None:
    """One test, so that one process of the instrument view serves all of it."""
    cycles = client.get(of(recording, "cycles")).json()
    assert len(cycles["cycles"]) == pytest.approx(12 * 750 / 120, abs=2)
    assert [f["label"] for f in cycles["firing"]] == ["cyl 1", "cyl 3", "cyl 4", "cyl 2"]
    for cycle in cycles["cycles"]:
        assert cycle["times_s"][0] == pytest.approx(cycle["start_s"], abs=2e-5)
        assert np.all(np.diff(cycle["times_s"]) > 0)
    raster = client.get(of(recording, "raster"), params={"channel": "exhaust"}).json()
    assert raster["rows"] == len(cycles["cycles"])
    values = np.frombuffer(base64.b64decode(raster["values"]), "<f4").reshape(raster["rows"], -1)
    left_out = [c["dropped"] is not None for c in cycles["cycles"]]
    blank = np.isnan(values).all(axis=1)
    assert blank[left_out].all()
    # the last kept cycle may end past the last angle that could be resampled
    assert not (blank & ~np.array(left_out))[:-1].any()
    inside = np.asarray(raster["mean_high"]) >= np.asarray(raster["mean_low"])
    assert inside.all()
    # the robust mean lies with the plain one, within the scatter of 3 put in over about 75 cycles
    np.testing.assert_allclose(raster["mean"], np.nanmean(values, axis=0), atol=2.0)
    assert client.get(of(recording, "raster"), params={"channel": "no"}).status_code == 422

    out = {"exclude": ["3.0:6.0"]}
    told = client.get(of(recording, "results"), params=out).json()
    assert told["changed"]
    gone = told["before"]["kept"] - told["after"]["kept"]
    assert gone == pytest.approx(3 * 750 / 120, abs=2)
    assert told["after"]["positions"][2]["label"] == "cyl 4"
    dropped = [c for c in client.get(of(recording, "cycles"), params=out).json()["cycles"]]
    assert all(
        (c["dropped"] == "left out by hand") == (c["start_s"] < 6.0 and c["stop_s"] > 3.0)
        for c in dropped
        if c["dropped"] in (None, "left out by hand")
    )
    all_of_it = client.get(of(recording, "results"), params={"exclude": ["0:11.9"]}).json()
    assert "engine cycles are left" in all_of_it["after"]["not_judged"]
    for wrong in ("2:1", "a:b", "1", "nan:2"):
        answer = client.get(of(recording, "results"), params={"exclude": [wrong]})
        assert answer.status_code == 400
        assert set(answer.json()) == ERROR

    page = client.get(f"/recordings/{recording}/figures", headers={"Accept": "text/html"})
    assert "<svg" in page.text
    assert "style=" not in page.text

    asked: dict[str, Any] = {"kind": "weak_burn", "cylinder": [4]}
    what_if = client.get(of(recording, "what-if"), params=asked).json()
    assert what_if["channels"][0]["channel"] == "exhaust"
    same = client.get(of(recording, "what-if/cycle"), params={**asked, "severity": what_if["at"]})
    np.testing.assert_allclose(
        same.json()["simulated"]["exhaust"], what_if["channels"][0]["simulated"]
    )
    none = client.get(of(recording, "what-if/cycle"), params={**asked, "severity": 0}).json()
    np.testing.assert_allclose(none["simulated"]["exhaust"], what_if["channels"][0]["sound"])
    changes: tuple[dict[str, Any], ...] = ({"kind": "nothing"}, {"cylinder": [9]}, {"cylinder": []})
    for change in changes:
        answer = client.get(of(recording, "what-if"), params={**asked, **change})
        assert answer.status_code == 400
        assert set(answer.json()) == ERROR
    assert (
        client.get(of(recording, "what-if/cycle"), params={**asked, "severity": 9}).status_code
        == 400
    )
