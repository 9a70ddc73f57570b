"""Messages that mean something only together, one after the other."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Generic, TypeVar

MeaningT = TypeVar("MeaningT")


class Phrases(Generic[MeaningT]):
    """Sequences of messages, each with its meaning. What stands in between breaks a sequence off."""

    def __init__(self, phrases: Sequence[tuple[Sequence[Hashable], MeaningT]]) -> None:
        self._phrases = [(tuple(words), meaning) for words, meaning in phrases]
        self._known = {word for words, _ in self._phrases for word in words}
        self._at = [0] * len(self._phrases)

    def __contains__(self, message: Hashable) -> bool:
        """Whether the message is part of a sequence."""
        return message in self._known

    def hear(self, message: Hashable) -> list[MeaningT] | None:
        """The meanings that this message completes; None where it is part of no sequence."""
        out = []
        for at, (words, meaning) in enumerate(self._phrases):
            if self._at[at] and words[self._at[at]] != message:
                self._at[at] = 0
            if words[self._at[at]] == message:
                self._at[at] += 1
            if self._at[at] == len(words):
                self._at[at] = 0
                out.append(meaning)
        return out if message in self._known else None

    def forget(self) -> None:
        """Nothing is half said any more."""
        self._at = [0] * len(self._phrases)
