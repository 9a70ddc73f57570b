"""How much script time the rehearsal room's boards take in a browser: 60 songs, 16 listeners, 32 inputs.

    python tests/bench_room.py [--steps 40]

Prints figures, and asserts none; a screen that is drawn sixty times a second has 16.7 ms a frame. Needs chromium and
playwright. By User Timing: what the page measures around its work for each board.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median

from big_shows import Size, write_big
from page_served import browser
from room_pages import rehearsal

BETWEEN_MS = 350
"""Between two steps, ms: twice within the settle time of 0.3 s would count once."""

ELSEWHERE = "(before) => document.getElementById('place').textContent !== before"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--steps", type=int, default=40)
    steps = parser.parse_args().steps
    with tempfile.TemporaryDirectory() as folder, browser() as chromium:
        show = write_big(Path(folder) / "big", Size())
        with rehearsal(show) as room:
            page = chromium.new_page(viewport={"width": 1280, "height": 800})
            page.goto(room.url)
            page.wait_for_selector("#table td")
            page.keyboard.press("2")
            page.wait_for_function("() => document.getElementById('place').textContent.includes('1 of 60')")
            page.evaluate("performance.clearMeasures()")
            for _ in range(steps):
                page.wait_for_timeout(BETWEEN_MS)
                before = page.text_content("#place")
                page.keyboard.press("2")
                page.wait_for_function(
                    "(before) => document.getElementById('place').textContent !== before", arg=before
                )
            print(f"{'board':<12}{'times':>6}{'median':>10}{'95 %':>10}{'most':>10}")
            for name in ("room", "desk", "timeline", "wire"):
                took = sorted(page.evaluate(f"performance.getEntriesByName('{name}').map((one) => one.duration)"))
                some = "".join(f"{one:>7.1f} ms" for one in (median(took), took[int(len(took) * 0.95)], took[-1]))
                print(f"{name:<12}{len(took):>6}{some}")


if __name__ == "__main__":
    main()
