"""The scene map on paper: stops across, listeners and inputs down, in as many strips as the paper is narrow.

A level that stays from stop to stop is one long cell with its number at the beginning, so that what moves stands out.
Its shade says how high it is, its number says it again; a triangle marks a jump. Inputs that are off in every stop are
named and have no row.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

from stagectl.report.words import clipped, named, safe
from stagectl.sheet import tags
from stagectl.sheet.words import cell_words

if TYPE_CHECKING:
    from stagectl.core.levels import Shown
    from stagectl.sheet.facts import Sheet
    from stagectl.sheet.scene_map import ListenerEntry, RowEntry

ACROSS: Final = 24
"""Stops of one strip: a cell of some 10 mm on A4 or Letter lying on its side, which a level in 7 points fits in."""

FEW: Final = 10
"""A strip of up to so many stops has the cells that so many would have."""

SHADES: Final = 6
SHADE_STEP: Final = 500
"""Shades, and how many hundredths of a dB each is for: the highest is -5 dB and above, the lowest below -25 dB."""

NAME_CELLS: Final = 40
"""Characters of a stop's name that stand over its column; the cue sheet has the whole name."""


def map_table(sheet: Sheet) -> str:
    """The part."""
    strips = list(_strips(sheet))
    body = _key(sheet) + "".join(_strip(sheet, stops, at, len(strips)) for at, stops in enumerate(strips, 1))
    return tags.section("map", "Scene map", body, "wide")


def _key(sheet: Sheet) -> str:
    bound, limit = (f"{sheet.map[key] / 100:g} dB" for key in ("jump", "limit"))
    says = (
        f"Levels in dB that the desk is asked for, with nobody's nudges; the darker, the higher. A level stays up to "
        f"the next number. ▲ and ▼: a change by {bound} or more from the stop before, of an input that is on at both; "
        f"the rig allows a rise of {limit}. Own inputs are bold; a dot is what the show does not drive."
    )
    return f"<p>{safe(says)}</p>"


def _strips(sheet: Sheet) -> Iterator[range]:
    """The stops in strips of at most ACROSS, of about the same length, that begin with a song where they can."""
    stops, begin = sheet.map["stops"], 0
    while begin < len(stops):
        left = len(stops) - begin
        size = -(-left // -(-left // ACROSS))
        end = begin + size
        if end < len(stops):
            end = next((at for at in range(end, begin + size // 2, -1) if stops[at]["section"] is None), end)
        yield range(begin, end)
        begin = end


def _strip(sheet: Sheet, stops: range, number: int, of: int) -> str:
    count = max(len(stops), FEW)
    entries = [sheet.map["stops"][at] for at in stops]
    heads = "".join(
        f'<th scope="col" class="{"part" if one["section"] else "whole"}"><div class="up"><div>{safe(one["label"])} '
        f"{named(clipped(tags.stop_name(one), NAME_CELLS))}</div></div></th>"
        for one in entries
    )
    spare = "<td></td>" * (count - len(stops))
    bodies = "".join(_listener(sheet, entry, stops, spare) for entry in sheet.map["listeners"])
    ends = f"{entries[0]['label']} to {entries[-1]['label']}"
    caption = f"Stops {ends}" + (f", strip {number} of {of}" if of > 1 else "")
    columns = '<col class="who">' + "<col>" * count
    top = f'<tr><th scope="col">Input</th>{heads}{spare}</tr>'
    return (
        f'<table class="map"><caption>{safe(caption)}</caption><colgroup>{columns}</colgroup>'
        f"<thead>{top}</thead>{bodies}</table>"
    )


def _listener(sheet: Sheet, entry: ListenerEntry, stops: range, spare: str) -> str:
    rows = [row for row in entry["rows"] if any(isinstance(level, int) for level in row["levels"])]
    silent = [row["input"] for row in entry["rows"] if set(row["levels"]) == {"off"}]
    off = f"<span> Off throughout: {', '.join(map(named, silent))}.</span>" if silent else ""
    wide = max(len(stops), FEW) + 1
    head = f'<tr class="who"><th scope="rowgroup" colspan="{wide}">{named(entry["name"])}{off}</th></tr>'
    jump = sheet.map["jump"]
    return f"<tbody>{head}{''.join(_row(entry, row, stops, spare, jump) for row in rows)}</tbody>"


def _row(entry: ListenerEntry, row: RowEntry, stops: range, spare: str, jump: int) -> str:
    levels, cells, at = row["levels"], "", stops.start
    for level, run in groupby(levels[stops.start : stops.stop]):
        long = sum(1 for _ in run)
        across = f' colspan="{long}"' if long > 1 else ""
        mark = _mark(levels, at, jump)
        cells += f'<td class="{_shade(level)}"{across}>{mark}{safe(cell_words(level))}</td>'
        at += long
    own = ' class="own"' if row["input"] == entry["own"] else ""
    return f'<tr><th scope="row"{own}>{named(row["input"])}</th>{cells}{spare}</tr>'


def _mark(levels: Sequence[Shown], at: int, jump: int) -> str:
    if at:
        before, after = levels[at - 1], levels[at]
        if isinstance(before, int) and isinstance(after, int) and abs(after - before) >= jump:
            return "▲" if after > before else "▼"
    return ""


def _shade(level: Shown) -> str:
    """The class of a cell by its level; that of what is off, or not driven, has no shade."""
    if not isinstance(level, int):
        return "off"
    return f"h{min(SHADES - 1, max(0, level // SHADE_STEP + SHADES))}"
