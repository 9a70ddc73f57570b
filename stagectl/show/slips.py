"""Slips of the pen that one row of a YAML text shows by itself, whatever the parser makes of them further down."""

from __future__ import annotations

import re
from typing import Final

ODD: Final = "[\u00a0\u1680\u2000-\u200b\u202f\u205f\u2060\u3000\ufeff]"
"""Spaces that look like a plain one, or like nothing, and are none to YAML."""

_NO_BREAK: Final = "\u00a0\u202f\u2060"

_BEGIN = r" *+(?:- +)*+"  # Kept once it is found: the `-` of an entry is no key.
_KEY = r"[^:#'\"{\[]*[^\s:#'\"{\[]"

_ODD_PLACES: Final = rf"[ \t]*(?:- *)?({ODD})|[^#]*?:({ODD})"
"""Where an odd space parts things: in the indent, behind a dash, behind a colon."""

_ROWS: Final = (
    (r" *-(?! )[^\s:-][^:]*:( .*)?", "a space is missing after the `-`"),
    (r" *([•‣·–—−]|--(?!-)) *\S.*", "an entry of a list begins with `- `, and not with `{0}`"),
    (rf"{_BEGIN}{_KEY} +([{{\[]).*", "a `: ` is missing here, before the `{0}`"),
    (rf"{_BEGIN}({_KEY}:)[^\s:].*", "a space is missing here, after `{0}`"),
)
"""What a row with a slip looks like as a whole, and what is said of it. {0}: what is found in it."""

_NO_BEGIN: Final = (r" *([{\[]).*", "a `- `, or a key with its `: `, is missing here, before the `{0}`")
"""The same of a row that cannot go on with what is open in brackets, since nothing is."""

NO_COLON: Final = "a `: ` is missing here, between a key and its value"

_NO_COLON: Final = rf"{_BEGIN}[^:#]*[^:#\s] *"


ROW_MAX: Final = 500
"""Characters of the longest row that is looked at: nobody types longer ones."""


def odd_space(row: str) -> str | None:
    """What is wrong with a row in which a space that is none to YAML stands for one; None where none does."""
    found = re.match(_ODD_PLACES, row[:ROW_MAX])
    if found is None:
        return None
    char = found[1] or found[2]
    kind = "a non-breaking space" if char in _NO_BREAK else "an odd space"
    return f"{kind} (U+{ord(char):04X}) stands here; put a plain one in its place"


def slip_in(row: str, *, in_brackets: bool = True) -> str | None:
    """What is wrong with a row by itself; None where nothing is. `in_brackets`: whether it may stand within some that
    were opened above it."""
    if len(row) > ROW_MAX:
        return None
    says = odd_space(row)
    if says is not None:
        return says
    looked_for = _ROWS if in_brackets else (*_ROWS, _NO_BEGIN)
    matches = ((re.fullmatch(pattern, row.rstrip()), says) for pattern, says in looked_for)
    return next((says.format(*found.groups()) for found, says in matches if found is not None), None)


def row_above(rows: list[str], line: int) -> int:
    """The line of the row with something in it that stands above a line (both count from 1); 0 where there is none."""
    above = range(min(line - 1, len(rows)), 0, -1)
    return next((at for at in above if rows[at - 1].strip() and not rows[at - 1].lstrip().startswith("#")), 0)


def slip_above(rows: list[str], line: int) -> tuple[int, str] | None:
    """The line of the row above a line, and its slip, where what follows does not fit because of that; None where there
    is none."""
    above = row_above(rows, line)
    if not above or len(rows[above - 1]) > ROW_MAX:
        return None
    row = rows[above - 1]
    says = slip_in(row)
    if says is None and re.fullmatch(_NO_COLON, row):
        # A key has more under it, or is the first one under another: else it may be a text of several rows.
        first = rows[row_above(rows, above) - 1].rstrip().endswith(":")
        says = NO_COLON if first or _indent(row) < _indent(rows[line - 1]) else None
    return None if says is None else (above, says)


def _indent(row: str) -> int:
    return len(row) - len(row.lstrip(" "))
