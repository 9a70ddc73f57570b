"""A line for people that knows what kind of line it is, so that a terminal can show it so."""

from __future__ import annotations


class Told(str):
    """A line, and what kind of line it is: that of its rows, or another. `head`: how many characters at its beginning
    say when."""

    __slots__ = ("head", "kind")

    kind: str
    head: int

    def __new__(cls, text: str, kind: str, head: int = 0) -> Told:
        line = super().__new__(cls, text)
        line.kind, line.head = kind, head
        return line
