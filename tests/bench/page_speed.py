"""How fluid the page is: a slider dragged over thousands of designs, in headless Chromium.

Run `python -m tests.bench.page_speed [--designs N] [--json FILE]`. The designs are made up. The
handler is what an input event keeps the hand waiting for; a frame is from one event to the next
when there is one in each frame, idle when nothing happens; the goal is 30 ms. With `--disable-gpu`
the processor draws what a laptop's graphics would.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from explorer.report.page import page
from tests.bench import bench_results
from tests.helpers import synthetic
from tests.helpers.browser import ARGUMENTS, NAMES, found_browser

GOAL_MS = 30.0
DRAG = """async ([id, events]) => {
  const slider = document.getElementById(id), handler = [], frame = [];
  const next = () => new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)));
  const middle = (all, share) => all.sort((a, b) => a - b)[Math.floor(share * (all.length - 1))];
  for (let k = 1; k <= events; k++) {
    const begun = performance.now();
    if (slider) {
      slider.value = 200 - Math.round(180 * k / events);
      slider.dispatchEvent(new Event('input'));
    }
    handler.push(performance.now() - begun);
    await next();
    frame.push(performance.now() - begun);
  }
  return { handler_ms: middle(handler, .5), frame_ms: middle(frame, .5),
    frame_95_ms: middle(frame, .95), frame_most_ms: middle(frame, 1) };
}"""


def measure(count: int, folder: Path, driver: Any) -> dict[str, Any]:
    """Times of one drag from no limit to a tenth, with the whole front shown."""
    at = page.write(synthetic.page(count), folder)
    browser = driver.chromium.launch(executable_path=found_browser(), args=ARGUMENTS)
    tab = browser.new_page(viewport={"width": 1280, "height": 900})
    tab.goto(at.as_uri())
    tab.wait_for_selector("html[data-ready=plots]")
    painted = tab.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    ready = tab.evaluate("performance.now()")
    tab.wait_for_timeout(1000)
    idle = tab.evaluate(DRAG, ["nothing", 60])
    if not tab.locator("#all").is_disabled():
        tab.locator("#all").check()
        tab.wait_for_timeout(1000)
    dragged = tab.evaluate(DRAG, ["limit-cost", 60])
    browser.close()
    return {
        "designs": count,
        "bytes": at.stat().st_size,
        "first_paint_ms": painted,
        "plots_ready_ms": ready,
        "idle_frame_ms": idle["frame_ms"],
        **dragged,
        "frame_over_idle": dragged["frame_ms"] / idle["frame_ms"],
        "goal_ms": GOAL_MS,
    }


def main() -> None:
    """Print and write the times of a small and of the largest page."""
    asked = bench_results.asked(__doc__, designs=5000)
    if found_browser() is None:
        sys.exit(f"none of {', '.join(NAMES)} is installed")
    rows = []
    print(f"{'designs':>8} {'MB':>5} {'paint':>6} {'ready':>6} {'idle':>6} {'event':>6} "
          f"{'frame':>6} {'95 %':>6} {'most':>6}  ms")  # fmt: skip
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as folder:
        for count in (asked.designs // 10, asked.designs):
            row = measure(count, Path(folder), driver)
            rows.append(row)
            print(f"{row['designs']:8,} {row['bytes'] / 1e6:5.1f} {row['first_paint_ms']:6.0f} "
                  f"{row['plots_ready_ms']:6.0f} {row['idle_frame_ms']:6.1f} "
                  f"{row['handler_ms']:6.1f} {row['frame_ms']:6.1f} {row['frame_95_ms']:6.1f} "
                  f"{row['frame_most_ms']:6.1f}")  # fmt: skip
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
