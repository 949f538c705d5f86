"""First view of the pages of a visit, and the slider of what if, in the system's Chromium.

Serves the store of the demonstration on loopback with today's visit worked through (as
scripts/look.py does), opens each page five times and prints the time to its first paint, then moves
the slider of what if to 20 places and prints the time to the new curve. Bounds: 300 and 150 ms.

    python bench/pages.py
"""

import shutil
import statistics
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scripts"))

from look import ARGUMENTS, demo_store, served, worked_through

TIMES = 5
PAGES = ("today", "about", "recordings", "cylinders", "why", "checks", "decide", "report", "fleet",
         "vehicle", "instrument")  # fmt: skip
PAINTED = """async () => {
  const painted = () => performance.getEntriesByName('first-contentful-paint')[0];
  while (!painted()) await new Promise(requestAnimationFrame);
  return [painted().startTime, performance.getEntriesByType('navigation')[0].transferSize];
}"""
SLIDE = """async () => {
  const slider = document.getElementById('severity');
  const curve = () => document.querySelector('#curves .simulated').getAttribute('d');
  const [low, high, times] = [Number(slider.min), Number(slider.max), []];
  for (let i = 0; i < 20; i += 1) {
    const was = curve();
    slider.value = low + (high - low) * ((i * 7) % 20 + 0.5) / 20;
    const began = performance.now();
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    while (curve() === was && performance.now() - began < 3000) {
      await new Promise(requestAnimationFrame);
    }
    times.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 150));
  }
  return times;
}"""


def first_views(page: Any, base: str, pages: dict[str, str]) -> None:
    """Print the time from asking for a page to something to read."""
    for name in PAGES:
        told = []
        for _ in range(TIMES):
            page.goto(base + pages[name])
            told.append(page.evaluate(PAINTED))
        times = [paint for paint, _ in told]
        print(
            f"{name:11} first paint median {statistics.median(times):4.0f} ms, most "
            f"{max(times):4.0f} (bound 300), {told[0][1] / 1000:.0f} kB"
        )


def main() -> None:
    """Serve, open, print."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright, served(demo_store()) as (base, app):
        pages = worked_through(app)
        chromium = shutil.which("chromium") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.goto(f"{base}/enter?key={app.state.context.sessions.key}")
        first_views(page, base, pages)
        page.goto(base + pages["what-if"])
        page.wait_for_selector("#what-if[data-ready]", timeout=60_000)
        times = page.evaluate(SLIDE)
        print(
            f"slider of what if to new curve: median {statistics.median(times):.0f} ms, most "
            f"{max(times):.0f} (bound 150)"
        )
        browser.close()


if __name__ == "__main__":
    main()
