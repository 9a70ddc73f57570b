"""The sheet as one file of HTML that needs nothing else, and lets a browser load nothing."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import TYPE_CHECKING, Final

from stagectl.report.page import policy
from stagectl.report.words import clipped, named, safe
from stagectl.sheet.cards import cards
from stagectl.sheet.cue_sheet import cue_sheet
from stagectl.sheet.inputs import inputs
from stagectl.sheet.map_table import map_table
from stagectl.sheet.style import style_sheet

if TYPE_CHECKING:
    from stagectl.sheet.facts import Sheet

MARK: Final = '<meta name="generator" content="stagectl sheet">'
"""What shows a file to be a sheet of this program: it stands near its beginning."""

TITLE_CELLS: Final = 70
"""Characters of the title that a window or a list of files has room for."""

_MAKE: Final[Mapping[str, Callable[[Sheet], str]]] = {
    "cue sheet": cue_sheet,
    "inputs": inputs,
    "cards": cards,
    "map": map_table,
}
"""The parts (`PARTS` of `facts.py`), and what makes each."""


def page(sheet: Sheet, paper: str, only: Collection[str] = ()) -> str:
    """The whole sheet, or some of its PARTS. `paper`: a row of SIZES."""
    setlist = sheet.show.setlist
    title = setlist.title + (f", {sheet.venue}" if sheet.venue else "")
    style = style_sheet(paper, title, sheet.dated)
    parts = "".join(make(sheet) for part, make in _MAKE.items() if not only or part in only)
    venue = named(sheet.venue) if sheet.venue else "No venue: the mixes as the setlist has them"
    body = parts.replace('<section class="part ', '<section class="part first ', 1)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"{MARK}"
        f'<meta http-equiv="Content-Security-Policy" content="{policy(style)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{safe(clipped(title, TITLE_CELLS))}</title><style>{style}</style></head>"
        f"<body><header><h1>{named(setlist.title)}</h1><p>{venue}; {safe(sheet.dated)}</p></header>"
        f"<main>{body}</main></body></html>\n"
    )
