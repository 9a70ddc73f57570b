"""Rows of the story as CSV by RFC 4180, for spreadsheets.

A spreadsheet may take a text that begins with `=`, `+`, `-`, `@`, a tab or a line's end for a formula and carry it out
(CWE-1236). An apostrophe goes before such a text, and before one that begins with an apostrophe, so that taking one
away always gives back what was said. Numbers are ours and stand as they are. Control characters other than a line's
end, which RFC 4180 has no place for, become U+FFFD; `--json` has them as they were.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from datetime import tzinfo
from decimal import Decimal
from typing import Final

from stagectl.core.levels import Level, Off, plain_text
from stagectl.journal.paths import when
from stagectl.story.rows import BY_DESK, Row

_TEXTS: Final = ("kind", "who", "what", "pedal", "control", "gesture", "song", "section", "listener", "input", "detail")
_LEVELS: Final = ("before", "after", "sent")
_LATE: Final = ("press", "track")
"""Kinds whose number is how late something was, µs."""

COLUMNS: Final = (
    "time",
    "seconds",
    *(f"{name} (dB)" if name in _LEVELS else name for name in Row._fields if name not in ("at", "number")),
    "late (ms)",
    "number",
)
"""The header. `time`: when it was written, ISO 8601 with its offset from UTC; `seconds` since the night began;
`late (ms)`: from a press to the first byte that left for it, or from a section's time in its track to when it came."""

GUARDED: Final = tuple("=+-@\t\r\n'＝＋－＠")
"""How a text begins that has an apostrophe put before it. The last four are the wide forms of the first four, which
some spreadsheets read as those."""

_CONTROLS: Final = re.compile(r"[\x00-\x09\x0b\x0c\x0e-\x1f\x7f]")


def header() -> str:
    """The line with the names of the columns."""
    return _lines([COLUMNS])


def csv_text(rows: Iterable[tuple[int, Row]], zone: tzinfo) -> str:
    """The lines of some rows with their wall times, µs since 1970, in a zone."""
    return _lines(_fields(wall_us, row, zone) for wall_us, row in rows)


def guarded(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return _CONTROLS.sub("\ufffd", f"'{text}" if text.startswith(GUARDED) else text)


def _lines(lines: Iterable[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, strict=True, lineterminator="\r\n").writerows(lines)
    return out.getvalue()


def _fields(wall_us: int, row: Row, zone: tzinfo) -> list[str]:
    late = row.kind in _LATE and row.number is not None
    said = [when(wall_us).astimezone(zone).isoformat(timespec="microseconds"), f"{Decimal(row.at).scaleb(-9):f}"]
    # Of what the desk has said or a hand has done, nothing was sent.
    values = row._replace(sent=None) if row.what in BY_DESK else row
    said += [_field(name, value) for name, value in values._asdict().items() if name not in ("at", "number")]
    late_ms = f"{Decimal(row.number).scaleb(-3):f}" if late and row.number is not None else ""
    return [*said, late_ms, "" if late or row.number is None else str(row.number)]


def _field(name: str, value: str | Level | None) -> str:
    if value is None:
        return ""
    if name in _TEXTS:
        return guarded(str(value))
    if name in _LEVELS:
        return "off" if isinstance(value, Off) else plain_text(int(value))
    return str(value)
