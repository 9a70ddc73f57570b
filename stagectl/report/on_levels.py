"""Each listener's sends, what hit a bound, and what else was refused: HTML from the figures."""

from __future__ import annotations

from typing import Final

from stagectl.report.draw_bars import share_bar
from stagectl.report.draw_levels import LEGEND, panels
from stagectl.report.figures import Count, Report
from stagectl.report.tables import first_number, more, names, song_name, table
from stagectl.report.wall import Wall
from stagectl.report.words import named, safe

FEET_MAX: Final = 6
"""Feet that are named of one reason."""


def levels(report: Report) -> str:
    """Each listener's sends."""
    if not report.mixes:
        return "<p>No level was changed.</p>"
    out = [f'<p class="soft">{safe(LEGEND)}</p>']
    for mix in report.mixes:
        out.append(f"<h3>{named(mix.listener)}</h3>")
        out += [f"<figure>{panel}</figure>" for panel in panels(mix, report.songs, first_number(report))]
        out.append(more(mix.more_inputs, "inputs"))
        if mix.silent:
            out.append(f'<p class="soft">Off all night: {names(mix.silent)}.</p>')
    out.append(more(report.more_listeners, "listeners"))
    return "".join(out)


def bounds(report: Report, wall: Wall) -> str:
    """What hit a ceiling, or another bound, and what hands left beyond one."""
    if not (report.held or report.left):
        return "<p>Nothing: no foot asked for more than there was, and no hand at the desk left more than that.</p>"
    return _refused(report, wall) + _left(report, wall)


def _refused(report: Report, wall: Wall) -> str:
    if not report.held:
        return "<p>No foot asked for more than there was.</p>"
    rows = []
    for one in report.held:
        who, what, reason, song = one.what
        rows.append((named(what), named(who), named(reason), song_name(song), _when(one, wall), f"{one.times:,}"))
    heads = ("what", "who asked", "why not", "song", "@when", "#times")
    return table("Wishes for more that were refused at a bound", heads, rows) + more(
        report.more_held, "refusals of this kind"
    )


def _left(report: Report, wall: Wall) -> str:
    if not report.left:
        return ""
    rows = []
    for one in report.left:
        what, how, song = one.what
        rows.append((named(what), named(how), song_name(song), _when(one, wall), f"{one.times:,}"))
    return table(
        "Levels that hands at the desk left beyond a bound", ("what", "how", "song", "@when", "#times"), rows
    ) + more(report.more_left, "levels of this kind")


def _when(one: Count, wall: Wall) -> str:
    begun, ended = wall.text(one.first), wall.text(one.last)
    return begun if begun == ended else f"{begun} to {ended}"


def refusals(report: Report) -> str:
    """Refusals by reason and foot."""
    if not report.refusals:
        return "<p>None.</p>"
    most = max(one.times for one in report.refusals)
    rows = []
    for one in report.refusals:
        feet = [f"{named(foot)}: {number:,}" if foot else f"{number:,}" for foot, number in one.feet[:FEET_MAX]]
        rest = len(one.feet) - FEET_MAX
        shown = "; ".join(feet) + (f"; and {rest:,} more" if rest > 0 else "")
        rows.append((named(one.reason), f"{one.times:,}", share_bar(one.times / most, f"{one.times} refusals"), shown))
    return table(
        "Refusals by reason, and which feet they were; a sweep of a treadle counts once",
        ("reason", "#times", "", "feet"),
        rows,
    )
