"""A page as the standard library's HTML parser sees it: its balance, its tables, and where its text stands.

The parser knows nothing of the report. Void elements are those of the HTML Living Standard, 13.1.2 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Final, NamedTuple

VOID: Final = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Box(NamedTuple):
    """Where a text of a drawing stands, CSS pixels: the drawing's number, the corners, and the text."""

    drawing: int
    left: float
    top: float
    right: float
    bottom: float
    text: str


class Page(HTMLParser):
    """Everything that the tests ask of a page. `sizes`: of text, by class, as the style sheet says it."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.boxes: list[Box] = []
        self.rows: list[list[str]] = []
        self.style = ""
        self.ids: set[str] = set()
        self.drawings: list[tuple[float, float]] = []
        self._open: list[tuple[str, dict[str, str | None]]] = []
        self._sizes = {name: float(size) for name, size in re.findall(r"svg \.(\w)\{font-size:([\d.]+)px\}", text)}
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag, _ in self._open if tag != "html"]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if len(found) != len(attrs):
            self.faults.append(f"<{tag}> says something twice: {attrs}")
        if "id" in found:
            if found["id"] in self.ids:
                self.faults.append(f"two elements are called {found['id']}")
            self.ids.add(str(found["id"]))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in VOID:
            self._open.append((tag, found))
        if tag == "svg" and not any(name == "svg" for name, _ in self._open[:-1]):
            self.drawings.append((float(found["width"] or 0), float(found["height"] or 0)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1][0] != tag:
            self.faults.append(f"</{tag}> closes {self._open[-1][0] if self._open else 'nothing'}")
        else:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self._open]
        if tags[-1:] == ["style"]:
            self.style += data
        elif data.strip():
            self.words.append(data)
            if "title" not in tags and ("td" in tags or "th" in tags):
                self.rows[-1][-1] += data
        if tags[-1:] == ["text"]:
            self._place(data)

    def _place(self, data: str) -> None:
        found = self._open[-1][1]
        size = self._sizes[str(found["class"]).split()[0]]
        x, y = float(found["x"] or 0), float(found["y"] or 0)
        # 0.61 of the size is what a monospace character takes; a clipped name takes no more than its place.
        long = len(data) * 0.61 * size
        for tag, around in self._open[:-1]:
            if tag == "svg" and "x" in around:
                x, y = x + float(around["x"] or 0), y + float(around["y"] or 0)
                long = float(around["width"] or 0)
        left = x - long if found.get("text-anchor") == "end" else x
        # A capital is some 0.75 of the size high, and some 0.2 goes below the base line.
        self.boxes.append(Box(len(self.drawings), left, y - 0.75 * size, left + long, y + 0.2 * size, data))

    @property
    def text(self) -> str:
        """All words."""
        return " ".join(self.words)


def overlaps(page: Page) -> Iterator[tuple[Box, Box]]:
    """Texts of one drawing that stand over each other."""
    by: dict[int, list[Box]] = {}
    for box in page.boxes:
        by.setdefault(box.drawing, []).append(box)
    for boxes in by.values():
        boxes.sort(key=lambda box: box.top)
        for at, one in enumerate(boxes):
            for other in boxes[at + 1 :]:
                if other.top >= one.bottom:
                    break
                if one.left < other.right - 0.01 and other.left < one.right - 0.01:
                    yield one, other


def outside(page: Page) -> list[Box]:
    """Texts that stand beyond the edges of their drawing."""
    return [
        box
        for box in page.boxes
        if box.left < -0.01
        or box.top < -0.01
        or box.right > page.drawings[box.drawing - 1][0] + 0.01
        or box.bottom > page.drawings[box.drawing - 1][1] + 0.01
    ]
