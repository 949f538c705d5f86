"""Instrument view of four channels of five million samples: time at the server for a window, and
what a frame of the trace costs in a browser.

Keeps a made-up recording in a store of its own, asks the app for windows from the whole recording
to a few samples (no network between), then pans and zooms in the system's Chromium at 1024x600 and
prints the time to paint a frame and between frames. Bounds: 50 ms, and 16.7 ms to paint.

    python bench/instrument_view.py [--samples 5000000] [--no-browser]
"""

import argparse
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import Store, add_vehicle, add_visit, keep_recording, open_store
from ringland.web.servers import serving

RATE_HZ = 50_000
ROLES = '{"exhaust": "1", "crankcase": "2", "intake": "3", "sound": "4"}'
MOVE = """async (moves) => {
  const trace = window.ringlandTrace;
  trace.frames.length = 0;
  const between = [];
  let before = performance.now();
  for (let i = 0; i < moves; i += 1) {
    if (i % 60 < 30) trace.pan(0.02); else trace.zoom(i % 60 < 45 ? 0.93 : 1 / 0.93);
    await new Promise(requestAnimationFrame);
    const now = performance.now();
    between.push(now - before);
    before = now;
  }
  return [trace.frames, between];
}"""


def kept(store: Store, folder: Path, samples: int) -> str:
    """The id of a recording of noise over a slow wave."""
    generator = np.random.default_rng(20261125)
    wave = np.sin(np.arange(samples) * 2 * np.pi * 25 / RATE_HZ)[:, None]
    values = (0.3 * wave + 0.05 * generator.standard_normal((samples, 4))).astype(np.float32)
    soundfile.write(folder / "long.wav", values, RATE_HZ, subtype="FLOAT")
    vehicle = add_vehicle(store, name="bench")
    visit = add_visit(store, vehicle_id=vehicle.id, visited_on="2026-11-25", purpose="baseline")
    return keep_recording(store, visit.id, folder / "long.wav", roles=ROLES).id


def server_times(app: FastAPI, address: str, recording: str, seconds: float) -> None:
    """Print the time of a request for all four channels, by window."""
    # without a with block: the app is started and ended by its server
    client = TestClient(app, base_url=address, follow_redirects=False)
    client.get(f"/enter?key={app.state.context.sessions.key}")
    path = f"/api/v1/recordings/{recording}/instrument"
    began = time.perf_counter()
    assert client.get(f"{path}/lanes").status_code == 200
    print(f"opening and building, once: {time.perf_counter() - began:.2f} s")
    for share in (1.0, 0.3, 0.03, 0.001):
        spent, inside = [], []
        for turn in range(15):
            start = (1 - share) * seconds * turn / 15
            asked = {
                "start_s": start,
                "stop_s": start + share * seconds,
                "width": 2796,  # three screens of 932 pixels
                "channel": [0, 1, 2, 3],
            }
            began = time.perf_counter()
            answer = client.get(f"{path}/trace", params=asked)
            spent.append(1000 * (time.perf_counter() - began))
            inside.append(float(answer.headers["server-timing"].split("=")[1]))
        print(
            f"{share * seconds:8.2f} s: request median {np.median(spent):.1f} ms, most "
            f"{max(spent):.1f}; of it decimation median {np.median(inside):.1f}, most "
            f"{max(inside):.1f} (bound 50)"
        )


def frame_times(app: FastAPI, address: str, recording: str) -> None:
    """Print what a frame costs while panning and zooming."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run"]
        chromium = shutil.which("chromium") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=chromium, args=arguments)
        page = browser.new_page(viewport={"width": 1024, "height": 600})
        page.goto(f"{address}/enter?key={app.state.context.sessions.key}")
        page.goto(f"{address}/recordings/{recording}")
        page.wait_for_function("() => window.ringlandTrace?.tiles.tile")
        for wide in ("whole", "one second"):
            if wide == "whole":
                page.click("#whole")
            else:
                page.evaluate("() => window.ringlandTrace.show(20, 21)")
            page.wait_for_timeout(500)
            paint, between = page.evaluate(MOVE, 180)
            print(
                f"{wide}: painting a frame median {np.median(paint):.1f} ms, 95 % within "
                f"{np.percentile(paint, 95):.1f} (bound 16.7); between frames median "
                f"{np.median(between):.1f}, 95 % within {np.percentile(between, 95):.1f}"
            )
        browser.close()


def main() -> None:
    """Make, measure, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--samples", type=int, default=5_000_000)
    parser.add_argument("--no-browser", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        with (
            open_store(folder / "data", who="bench") as store,
            serving(store, folder / "data", warm=False) as (address, app),
        ):
            recording = kept(store, folder, given.samples)
            server_times(app, address, recording, given.samples / RATE_HZ)
            if not given.no_browser:
                frame_times(app, address, recording)


if __name__ == "__main__":
    main()
