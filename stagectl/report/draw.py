"""Drawings by hand: shapes and text at places, CSS pixels from the top left corner."""

from __future__ import annotations

from functools import lru_cache

from stagectl.report.style import SIZES
from stagectl.report.words import CELL, NUMBERS_KEPT, clipped, safe, width


class Drawing:
    """One inline SVG. Text is real text, in a monospace font, so that its width is known; a name that needs other
    letters than ASCII, which may be wider, is clipped to its place."""

    def __init__(self, label: str, wide: float) -> None:
        self.wide = wide
        self._label = label
        self._parts: list[str] = []

    def put(self, markup: str) -> None:
        """Some markup, as it is."""
        self._parts.append(markup)

    def rect(self, x: float, y: float, w: float, h: float, look: str, title: str = "") -> None:
        """A box."""
        self._shape(
            f'rect x="{px(x)}" y="{px(y)}" width="{px(w)}" height="{px(h)}" class="{look}"',
            "rect",
            title,
        )

    def path(self, d: str, look: str, title: str = "") -> None:
        """A path."""
        self._shape(f'path d="{d}" class="{look}"', "path", title)

    def _shape(self, head: str, name: str, title: str) -> None:
        self.put(f"<{head}><title>{safe(title)}</title></{name}>" if title else f"<{head}/>")

    def text(self, x: float, y: float, said: str, look: str, end: bool = False) -> None:
        """Text of our own, in ASCII, whose base line begins (or ends) there. `look`: its size, then other classes."""
        anchor = ' text-anchor="end"' if end else ""
        self.put(f'<text x="{px(x)}" y="{px(y)}" class="{look}"{anchor}>{safe(said)}</text>')

    def name(self, x: float, y: float, said: str, look: str, cells: int, whole: str | None = None) -> None:
        """A name, clipped to so many cells. Where it is, or is not `whole`, all of it is its title."""
        shown = clipped(said, cells)
        title = f"<title>{safe(whole or said)}</title>" if shown != (whole or said) else ""
        size = SIZES[look.split()[0]]
        if shown.isascii():
            self.put(f'<text x="{px(x)}" y="{px(y)}" class="{look}">{safe(shown)}{title}</text>')
            return
        box = f'x="{px(x)}" y="{px(y - 1.1 * size)}" width="{px(cells * CELL * size)}" height="{px(1.5 * size)}"'
        self.put(f'<svg {box}><text x="0" y="{px(1.1 * size)}" class="{look} i">{safe(shown)}{title}</text></svg>')

    def svg(self, high: float) -> str:
        """The whole drawing."""
        head = f'viewBox="0 0 {px(self.wide)} {px(high)}" width="{px(self.wide)}" height="{px(high)}"'
        return f'<svg {head} role="group" aria-label="{safe(self._label)}">{"".join(self._parts)}</svg>'


def wide(said: str, look: str) -> float:
    """How wide a text is at most, CSS pixels."""
    return width(said) * CELL * SIZES[look.split()[0]]


def triangle(x: float, y: float, up: bool) -> str:
    """The path of a triangle that is 6 wide and 6 high, with its left lower corner at a place."""
    return f"M{px(x)} {px(y)}l3-6 3 6z" if up else f"M{px(x)} {px(y - 6)}h6l-3 6z"


@lru_cache(NUMBERS_KEPT)
def px(value: float) -> str:
    """A place or a length as the markup has it, to a hundredth of a pixel."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
