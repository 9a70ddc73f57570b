"""Chance out of bytes: hypothesis draws them at once, and makes them short and small where a test fails. To draw each
level, each length and each gesture of a night by itself costs ten times what the night costs that is played.

Where a byte is 0, and where there are none left, comes what is the simplest: the first of several, no more of a list,
the number nearest 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from hypothesis import strategies as st

T = TypeVar("T")


class Dice:
    """What bytes say, one throw after the other."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw
        self._at = 0

    def below(self, many: int) -> int:
        """0 … `many` − 1, each as likely, to what whole bytes can do."""
        if many <= 1:
            return 0
        length = ((many - 1).bit_length() + 7) // 8
        here = self._raw[self._at : self._at + length]
        self._at += length
        return int.from_bytes(here, "big") % many

    def between(self, low: int, high: int) -> int:
        """`low` … `high`, both of them among it, and more often than the others."""
        edge = self.below(16)
        if edge in (1, 2):
            return low if edge == 1 else high
        simplest = min(max(low, 0), high)
        span = high - low + 1
        return low + (simplest - low + self.below(span)) % span

    def coin(self) -> bool:
        """No, or as likely yes."""
        return self.below(2) == 1

    def one(self, some: Sequence[T]) -> T:
        """One of these."""
        return some[self.below(len(some))]

    def each(self, some: Sequence[T]) -> list[T]:
        """Those of these for which a coin says so."""
        return [one for one in some if self.coin()]

    def many(self, most: int, make: Callable[[], T], least: int = 0) -> list[T]:
        """`least` to `most` of what is made."""
        return [make() for _ in range(least + self.below(most - least + 1))]

    def maybe(self, make: Callable[[], T], one_in: int = 2) -> T | None:
        """Nothing in one of so many throws, else what is made."""
        return make() if self.below(one_in) else None


@st.composite
def thrown(draw: st.DrawFn, make: Callable[[Dice], T], size: int) -> T:
    """What is made by dice; it is what a failing test prints, not the bytes. `size`: as many bytes as it needs, more or
    less."""
    return make(Dice(draw(st.binary(min_size=size, max_size=size))))
