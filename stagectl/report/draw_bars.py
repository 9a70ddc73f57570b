"""Bars: how long first bytes took, and how much of a dose was used."""

from __future__ import annotations

from typing import Final

from stagectl.report.draw import Drawing, wide
from stagectl.report.figures import Delay
from stagectl.report.gather import BOUNDS
from stagectl.report.style import WIDTH
from stagectl.report.words import count

BAR: Final = 120
"""How wide the bars in a table are."""

DOSE: Final = 160
_HIGH: Final = 90


def ms_text(us: float) -> str:
    """µs as ms, with three digits that say something: `0.612 ms`, `13.2 ms`, `1,204 ms`."""
    ms = us / 1000
    digits = 3 if ms < 1 else 2 if ms < 10 else 1 if ms < 100 else 0
    return f"{ms:,.{digits}f} ms"


def delays(delay: Delay) -> str:
    """The distribution: a bar for each range of the time from the press to the first byte."""
    label = "How many presses had their first byte how soon"
    drawing = Drawing(label, WIDTH)
    most = max(delay.bars)
    step = WIDTH / len(delay.bars)
    base = _HIGH + 16
    for at, number in enumerate(delay.bars):
        x, tall = at * step, number / most * _HIGH
        above = f"{BOUNDS[at] / 1000:g}" if at < len(BOUNDS) else ""
        said = f"to {above}" if above else f"over {BOUNDS[-1] / 1000:g}"
        drawing.rect(x + 6, base - tall, step - 12, tall, "bar", count(number, "press", "presses"))
        shown = f"{number:,}"
        drawing.text(x + (step - wide(shown, "m")) / 2, base - tall - 4, shown, "m" if number else "m q")
        drawing.text(x + (step - wide(said, "m")) / 2, base + 13, said, "m")
    drawing.path(f"M0 {base:g}H{WIDTH}", "line")
    return drawing.svg(base + 18)


def share_bar(share: float, label: str) -> str:
    """A bar of a table: a share of the biggest, 0…1."""
    drawing = Drawing(label, BAR)
    drawing.rect(0, 0, max(1.0, min(share, 1.0) * BAR), 9, "bar")
    return drawing.svg(9)


def dose_bar(percent: float, label: str) -> str:
    """A dose: the line stands at 100 %; what is beyond 150 % ends in an open point."""
    drawing = Drawing(label, DOSE)
    full = DOSE / 1.5
    drawing.rect(0, 3, max(1.0, min(percent / 100, 1.46) * full), 8, "bar")
    if percent > 150:
        drawing.path(f"M{DOSE - 5} 1l5 6-5 6z", "ink")
    drawing.path(f"M0 13H{DOSE}", "line")
    drawing.path(f"M{full:.1f} 0V14", "strong")
    return drawing.svg(14)
