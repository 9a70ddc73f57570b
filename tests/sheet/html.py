"""A sheet as the standard library's HTML parser sees it."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "br", "col"}
"""Those of the HTML Living Standard, 13.1.2, that a sheet has."""


class Parsed(HTMLParser):
    """What the tests ask of a page. `rows`: of each table, by its class, the cells of each row, as far as they go
    across; `faults`: what is not closed, or closed twice."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.faults: list[str] = []
        self.rows: list[tuple[str, list[tuple[str, int]]]] = []
        self.style = ""
        self._open: list[str] = []
        self._table = ""
        self.feed(text)
        self.close()
        self.faults += self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag == "table":
            self._table = str(found["class"])
        if tag == "tr":
            self.rows.append((self._table, []))
        if tag in ("td", "th"):
            self.rows[-1][1].append(("", int(found.get("colspan") or 1)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data: str) -> None:
        if self._open[-1:] == ["style"]:
            self.style += data
            return
        self.words.append(data)
        if {"td", "th"} & set(self._open):
            cells = self.rows[-1][1]
            cells[-1] = (cells[-1][0] + data, cells[-1][1])
