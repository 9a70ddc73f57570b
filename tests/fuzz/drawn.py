"""Choices from bytes: a target that needs more than bytes draws what it needs from them, so that whoever changes the
bytes, a search guided by coverage or hypothesis, changes the choices. The same bytes are always the same choices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, TypeVar

T = TypeVar("T")

DEEP: Final = 3
"""How deep values are drawn in each other."""

ODD: Final[tuple[Any, ...]] = (
    *(None, True, False, 0, 1, -1, 127, 128, 16_383, 2**31, 2**63 - 1, -(2**63), 2**63, 2**64, 10**40),
    *(0.0, -0.0, 0.5, 1e308, -1e308, 1e-320),
    *("", "off", "0", "1e309", "nan", "0x10", "١٢", "\0", "\n", "\x1b[2J", "\ud800", "\u202e", "é" * 40, "x" * 5_000),
    *(b"", b"\0", b"\xff" * 9),
)
"""Values that something has stumbled over somewhere."""


class Drawn:
    """Reads choices from bytes; when they have ended, every choice is the first."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    @property
    def left(self) -> int:
        """How many bytes are left."""
        return len(self._data) - self._at

    def below(self, many: int) -> int:
        """A number from 0 to `many` - 1, of up to 65,536."""
        size = 1 if many <= 256 else 2
        taken = self._data[self._at : self._at + size]
        self._at += len(taken)
        return int.from_bytes(taken, "big") % many

    def pick(self, some: Sequence[T]) -> T:
        """One of some."""
        return some[self.below(len(some))]

    def raw(self, most: int) -> bytes:
        """Up to so many bytes as they stand."""
        size = self.below(most + 1)
        taken = self._data[self._at : self._at + size]
        self._at += len(taken)
        return taken

    def rest(self) -> bytes:
        """All that is left."""
        taken, self._at = self._data[self._at :], len(self._data)
        return taken

    def text(self, most: int = 20) -> str:
        """A text of any characters, halves of a pair too."""
        return self.raw(most).decode("utf-8", "surrogateescape")

    def value(self, known: Sequence[Any] = (), deep: int = DEEP) -> Any:
        """A value of any kind: one that is known, an odd one, a number, a text, a list or an object of such."""
        kind = self.below(6 if deep else 4)
        if kind == 0 and known:
            return self.pick(known)
        if kind <= 1:
            return self.pick(ODD)
        if kind == 2:
            return int.from_bytes(self.raw(9), "big", signed=True)
        if kind == 3:
            return self.text()
        values = [self.value(known, deep - 1) for _ in range(self.below(4))]
        return values if kind == 4 else {f"{self.value(known, 0)}": value for value in values}
