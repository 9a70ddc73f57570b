"""Tables, and what else the sections of the page share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from stagectl.report.figures import Report
from stagectl.report.visits import BEFORE
from stagectl.report.words import named, safe

NAMES_MAX: Final = 24
"""Names of a list; more are counted."""


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table. A head that begins with `#` is of numbers, one with `@` of times of day; cells are HTML."""
    looks = [{"#": "n", "@": "t"}.get(head[:1], "") for head in heads]
    classes = [f' class="{look}"' if look else "" for look in looks]
    top = "".join(
        f'<th scope="col"{look}>{safe(head.lstrip("#@"))}</th>' for head, look in zip(heads, classes, strict=True)
    )
    body = []
    for first, *rest in rows:
        cells = "".join(f"<td{look}>{cell}</td>" for cell, look in zip(rest, classes[1:], strict=True))
        body.append(f'<tr><th scope="row"{classes[0]}>{first}</th>{cells}</tr>')
    return (
        f"<table><caption>{safe(caption)}</caption><thead><tr>{top}</tr></thead><tbody>{''.join(body)}</tbody></table>"
    )


def more(number: int, what: str) -> str:
    """`and 812 more songs`; nothing for none."""
    return f'<p class="soft">and {number:,} more {what}</p>' if number else ""


def names(some: Sequence[str]) -> str:
    """Names with commas, and how many more there are."""
    rest = len(some) - NAMES_MAX
    return ", ".join(map(named, some[:NAMES_MAX])) + (f" and {rest:,} more" if rest > 0 else "")


def song_name(song: str) -> str:
    """A song, or what was before the first one."""
    return named("before the first song" if song == BEFORE else song)


def first_number(report: Report) -> int:
    """The number of the first song: 0 where what was before the first song is shown too."""
    return 0 if report.before else 1
