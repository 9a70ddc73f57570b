"""How a line looks at a terminal, by what kind of line it is: a table, and never other words than the plain ones.

Only the terminal's own sixteen colours are used (ECMA-48, 8.3.117), so that they follow the user's choice of light or
dark. Nothing is said by colour alone: what is marked is a word that stands there anyway. The colours that vanish on one
of the two grounds (yellow, cyan, blue, white, black) are not used without a background of their own; red does on
neither, and is bold as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from stagectl.story.told import Told

PLAIN: Final = ""
STRONG: Final = "bold"
SOFT: Final = "dim"
WRONG: Final = "bold red"
REFUSED: Final = "bold red reverse"
WARNING: Final = "black on yellow"

STYLES: Final = (STRONG, SOFT, WRONG, REFUSED, WARNING)
"""Every style that there is, in the words of rich."""


class Look(NamedTuple):
    """The style of a line as a whole, and what in it is marked: a style for each group of a pattern, by its name."""

    whole: str = PLAIN
    marks: re.Pattern[str] | None = None


_GROUPS: Final[Mapping[str, str]] = {
    "strong": STRONG,
    "soft": SOFT,
    "wrong": WRONG,
    "refused": REFUSED,
    "warning": WARNING,
}

_LEVEL: Final = r"(?:[-+]?[0-9.]+ dB|off)"
_MOVED: Final = re.compile(rf"(?P<soft>(?:{_LEVEL}|\?) →) (?P<strong>{_LEVEL})")
"""`-5 dB → -11 dB`: from, softly, and to."""

LOOKS: Final[Mapping[str, Look]] = {
    # Lines of rows: `story/words.py`.
    "press": Look(marks=re.compile(r"(?P<soft> \([^()]+, [^()]+\))$")),
    "change": Look(marks=re.compile(rf"{_MOVED.pattern}|(?P<strong2>(?:up|down) [0-9.]+ dB)$")),
    "arrival": Look(STRONG),
    "refusal": Look(marks=re.compile(r"(?<=: )(?P<refused>refused)(?= \()")),
    "link": Look(marks=re.compile(r"(?<= is )(?P<wrong>gone|unplugged|lost)$")),
    "track": Look(marks=re.compile(r"(?P<warning>[0-9.]+ ms late)|(?P<wrong>nothing plays|has stopped)")),
    "trouble": Look(WRONG),
    "count": Look(SOFT),
    "resumed": Look(STRONG),
    "end": Look(STRONG),
    # Other lines.
    "heading": Look(STRONG),
    "sound": Look(STRONG),
    "proved": Look(marks=re.compile(r"^ *(?P<strong>proved)\b")),
    "aside": Look(SOFT),
    "ready": Look(marks=re.compile(r"^(?P<strong>ready)|; (?P<warning>waiting for)")),
    "summary": Look(marks=re.compile(r"^(?P<soft> +[a-z][a-z ]*:)")),
    "table": Look(marks=_MOVED),
    "note": Look(marks=re.compile(r"^ *(?P<strong>[Nn]ote):")),
    "warning": Look(marks=re.compile(r": (?P<warning>warning):")),
    "looked": Look(marks=re.compile(r"^(?:(?P<wrong>wrong)|(?P<warning>look)|(?P<soft>unknown))(?= )")),
    "fault": Look(marks=re.compile(r"^(?P<wrong>.+?):(?= )")),
}
"""Kinds that are not here look plain."""


def kind_of(line: str) -> str:
    """What kind of line it is, where it says so."""
    return line.kind if isinstance(line, Told) else ""


def parts(line: str) -> Iterator[tuple[str, str]]:
    """The line in parts, each with its style, first to last. Together they are the line. A time at its head is soft."""
    head = line.head if isinstance(line, Told) else 0
    look = LOOKS.get(kind_of(line), Look())
    text = str(line)
    if head:
        yield text[:head], SOFT
    at = head
    for found in look.marks.finditer(text, head) if look.marks is not None else ():
        for name, part in found.groupdict().items():
            if part is not None:
                start, end = found.span(name)
                yield text[at:start], look.whole
                yield part, _GROUPS[name.rstrip("2")]
                at = end
    yield text[at:], look.whole
