"""How much script time an update of the stage page takes in a browser, how soon it is painted, and how soon the first
paint is there, for the demo night and for a show of 60 songs, 16 listeners and 32 inputs in which everybody nudges.

    python tests/bench_stage_page.py [--updates 200]

Prints figures, and asserts none. Needs chromium and playwright. `update` is the whole of the page's work for a board
(`performance.measure` around it, layout forced by it included); `painted` is from giving the process a board to the
frame after it, with both ends on this machine. Last comes the whole way, from a foot's bytes on real ports to the
paint.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from big_shows import Size, write_big
from page_night import PageNight
from page_served import Served, browser, served
from stage_boards import Evening, demo, show_at

from stagectl.core.actions import Next, NudgeRest
from stagectl.view.picture import Board

CLIENTS = 20
"""Clients that look on while presses are timed."""

WATCH = """() => {
  window.took = [];
  new PerformanceObserver((list) => window.took.push(...list.getEntries().map((one) => one.duration)))
    .observe({ type: "measure" });
}"""


DRAWN = """() => ({
  made: new Promise((done) => addEventListener("drawn", () => requestAnimationFrame(done), { once: true })),
})"""
"""A promise of the frame after the next board, held so that the driver does not wait for it."""


def boards(night: Evening, updates: int) -> list[Board]:
    """Boards of presses: a nudge of this listener and that, and every tenth time the next stop."""
    night.want(Next())
    for listener in range(len(night.plan.listeners)):
        night.want(NudgeRest(column=None, by=-100), listener)
    made = [night.board()]
    for at in range(updates):
        listener = at % len(night.plan.listeners)
        if at % 10 == 9:
            night.want(Next())
        else:
            night.nudge(listener, at % len(night.plan.inputs), 100 if at % 3 else -100)
        made.append(night.board())
    return made


def looked(page: Served, some: list[Board], chromium: Any) -> None:
    """Figures of one show."""
    page.put("stage", some[0])
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    tab = context.new_page()
    tab.goto(page.bare)
    tab.wait_for_selector(".nudge")
    first = tab.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN")
    tab.evaluate(WATCH)
    painted = []
    for board in some[1:]:
        seen = (
            "() => new Promise((done) => addEventListener('drawn', () => requestAnimationFrame(done), { once: true }))"
        )
        waiting = tab.evaluate_handle(f"({{ then: undefined, made: ({seen})() }})")
        began = time.perf_counter()
        page.put("stage", board)
        waiting.evaluate("(one) => one.made")
        painted.append((time.perf_counter() - began) * 1000)
    took = sorted(tab.evaluate("window.took"))
    print(f"  first paint {first:.0f} ms")
    print(f"  update: {len(took)}, median {median(took):.1f} ms, 95 % {took[int(len(took) * 0.95)]:.1f} ms", end="")
    print(f", most {took[-1]:.1f} ms")
    print(f"  painted: median {median(painted):.0f} ms, most {max(painted):.0f} ms, the driver's own way included")
    context.close()


PAINTED = """() => {
  window.painted = [];
  addEventListener("drawn", () => requestAnimationFrame(() => setTimeout(() => window.painted.push(Date.now()))));
}"""
"""When each board was on the screen: after the frame that it was drawn in, ms since 1970."""


def pressed(presses: int, chromium: Any) -> None:
    """From a foot's bytes to the paint, on real ports, with other clients at the page. The board of a press is the
    first one painted after it."""
    with tempfile.TemporaryDirectory() as folder:
        night = PageNight(Path(folder))
        night.crowd_does(f"look {CLIENTS}")
        tab = chromium.new_page(viewport={"width": 1280, "height": 800})
        tab.goto(f"http://127.0.0.1:{night.port}/")
        tab.wait_for_selector("#cards")
        tab.evaluate(PAINTED)
        took = []
        for _ in range(presses):
            tab.wait_for_timeout(150)
            tab.evaluate("window.painted.length = 0")
            began = time.time() * 1000
            night.press()
            tab.wait_for_function("() => window.painted.length > 0")
            took.append(tab.evaluate("window.painted[0]") - began)
        took.sort()
        said = f"median {median(took):.0f} ms, 95 % {took[int(len(took) * 0.95)]:.0f} ms, most {took[-1]:.0f} ms"
        print(f"press → paint, {CLIENTS} other clients: {len(took)}, {said}")
        night.close()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--updates", type=int, default=200)
    updates = parser.parse_args().updates
    with tempfile.TemporaryDirectory() as folder, browser() as chromium:
        big = show_at(write_big(Path(folder), Size(songs=60, sections=4, inputs=32, mixes=16)))
        for title, show in (("the demo night", demo()), ("60 songs, 16 listeners, 32 inputs", big)):
            print(title)
            some = boards(Evening(*show, desk=False), updates)
            with served() as page:
                looked(page, some, chromium)
        pressed(updates, chromium)


if __name__ == "__main__":
    main()
