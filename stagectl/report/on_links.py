"""How soon first bytes left, what was connected, and troubles: HTML from the figures."""

from __future__ import annotations

from typing import Final

from stagectl.report.draw_bars import delays, ms_text
from stagectl.report.draw_time import link_text
from stagectl.report.figures import Report
from stagectl.report.tables import more, song_name, table
from stagectl.report.wall import Wall, long_text
from stagectl.report.words import count, named, safe

GAPS_MAX: Final = 5
"""Gaps that are named of one connection."""

BARS: Final = (
    "Presses by the time from the press to the first byte that left, in ms; each bar begins where the one before it "
    "ends."
)


def delay(report: Report, wall: Wall) -> str:
    """From the press to the first byte."""
    found = report.delay
    if not found.count:
        return "<p>This journal does not say how soon bytes left.</p>"
    half, most, all_ = (f'<b class="t">{ms_text(us)}</b>' for us in (found.p50, found.p99, found.longest))
    says = (
        f"Of {count(found.count, 'press', 'presses')} that made something be told, half had the first byte out within "
        f"{half}, 99 of 100 within {most}; the slowest took {all_}."
    )
    rows = [
        (
            wall.text(slow.at, seconds=True),
            ms_text(slow.us),
            named(f"{slow.who}: {slow.what}"),
            song_name(slow.song),
        )
        for slow in found.slow
    ]
    slowest = table("The slowest", ("@when", "#took", "press", "song"), rows)
    return f"<p>{says}</p><figure>{delays(found)}<figcaption>{BARS}</figcaption></figure>{slowest}"


def links(report: Report, wall: Wall) -> str:
    """What was connected, and when it was gone."""
    if not report.links:
        return "<p>The journal knows of no connection.</p>"
    rows = []
    for link in report.links:
        gaps = [
            f"{wall.text(gap.gone, seconds=True)} "
            + ("to the end" if gap.back is None else f"for {long_text(gap.back - gap.gone)}")
            for gap in link.gaps[:GAPS_MAX]
        ]
        rest = link.lost - len(gaps)
        when = "; ".join(gaps) + (f"; and {rest:,} more" if rest > 0 else "")
        said = link_text(link).removeprefix(f"{link.name}: ")
        rows.append((named(link.name), safe(said), when))
    return table("Connections, and when they were gone", ("what", "how it was", "gone at"), rows) + more(
        report.more_links, "connections"
    )


def said(report: Report, wall: Wall) -> str:
    """Troubles."""
    items = "".join(f"<li>{wall.text(one.at, seconds=True)}: {named(one.text)}</li>" for one in report.said)
    return f"<ul>{items}</ul>{more(report.more_said, 'lines of this kind')}" if items else "<p>None.</p>"
