"""The small pieces of HTML that the parts share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from stagectl.report.words import clipped, named, safe

if TYPE_CHECKING:
    from stagectl.sheet.scene_map import StopEntry

NOTES_MAX: Final = 2_000
"""Characters of a note that are printed; a longer one ends with `…`."""

HAND: Final = "Your notes"
"""The head of what is left free for a pen."""


def table(caption: str, heads: Sequence[str], bodies: Iterable[Iterable[str]], look: str) -> str:
    """A table of rows in groups. `look`: its class, which says how wide its columns are. Heads are text, rows HTML."""
    columns = "".join(f'<col class="c{at}">' for at in range(len(heads)))
    top = "".join(f'<th scope="col">{safe(head)}</th>' for head in heads)
    rows = "".join(f"<tbody>{''.join(body)}</tbody>" for body in bodies)
    return (
        f'<table class="{look}"><caption>{safe(caption)}</caption><colgroup>{columns}</colgroup>'
        f"<thead><tr>{top}</tr></thead>{rows}</table>"
    )


def row(head: str, cells: Iterable[str], look: str = "") -> str:
    """A row: what it is about, then its cells, all HTML."""
    said = f' class="{look}"' if look else ""
    return f'<tr{said}><th scope="row">{head}</th>{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>'


def lines(some: Iterable[str]) -> str:
    """Texts, one under the other."""
    return "<br>".join(map(named, some))


def note(text: str | None) -> str:
    """Somebody's note, as it was written, with its own lines."""
    if not text:
        return ""
    return lines(line for line in clipped(text.strip(), NOTES_MAX).splitlines() if line.strip())


def section(part: str, head: str, body: str, look: str = "") -> str:
    """A part of the sheet, which begins a page of its own. On a narrow screen it is scrolled sideways, by keys too."""
    named_by = f'tabindex="0" aria-labelledby="{part}"'
    return f'<section class="part {look}" {named_by}><h2 id="{part}">{head}</h2>{body}</section>'


def stop_name(stop: StopEntry) -> str:
    """A stop by its own name: the section's, or the song's."""
    return stop["section"] or stop["song"] or "base"
