"""A night on each of the plans that it was played by, each until the next one's turn.

Every plan is played from the beginning, so that it is where the night was by its own files when its turn comes. What
hands have moved is found on the plan that was in force, and given to the plans after it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

from stagectl.story.entry import Heard
from stagectl.story.hands import Hand
from stagectl.story.replay import Chapter, Moment, Played, See
from stagectl.story.rows import Row

Found: TypeAlias = tuple[Chapter, list[Hand]]
"""Hands that have come to rest, and the chapter on whose plan that was."""


def _nobody(_at: int, _rows: list[Row]) -> None:
    """Nobody is told."""


class Retold:
    """A night, played again. `chapters`: its plans, the earliest first; `turns`: for each, the time of the last row
    that was made before it was in force, ns since the night began; `zero`: as in `Played`. `tell` is called with a
    chapter's place among them, and rows that were made in it; `see` with its place, and each of its moments as in
    `Played`. `watched`: hands are wanted for another plan, too; `deaf`: with no desk."""

    def __init__(
        self,
        chapters: Sequence[Chapter],
        turns: Sequence[int],
        zero: int = 0,
        *,
        tell: Callable[[int, list[Row]], None] = _nobody,
        see: Callable[[int, Moment], None] | None = None,
        watched: bool = False,
        deaf: bool = False,
    ) -> None:
        self.chapters = chapters
        self.at = 0
        """The chapter that the night is in."""
        watched = watched or len(chapters) > 1
        self._see = see
        self.own = [
            Played(chapter.plan, chapters[: at + 1], zero, deaf=deaf, watched=watched, see=self._seen_in(at))
            for at, chapter in enumerate(chapters)
        ]
        self._turns = turns
        self._tell = tell

    def _seen_in(self, chapter: int) -> See | None:
        """Sees the moments of a chapter, while the night is in it."""
        see = self._see
        if see is None:
            return None

        def seen(moment: Moment) -> None:
            if chapter == self.at:
                see(chapter, moment)

        return seen

    @property
    def last(self) -> Played:
        """The night on the last of its plans."""
        return self.own[-1]

    def take(self, number: int, kept: Heard) -> list[Found]:
        """Play the event with that number. Returns the hands that have come to rest by then. Raises ValueError where it
        is no event."""
        found = []
        while self.at + 1 < len(self.chapters) and number > self.chapters[self.at + 1].since:
            found += self._turn()
        now, *later = self.own[self.at :]
        self._tell(self.at, now.take(number, kept))
        found += self._found()
        for one in later:
            one.take(number, kept)
        return found

    def until(self, at: int) -> list[Found]:
        """There are no more events: let time pass on the last plan up to `at`, ns since the night began. Returns the
        hands that have come to rest in it."""
        found = []
        while self.at + 1 < len(self.chapters):
            found += self._turn()
        self._tell(self.at, self.last.until(at))
        return found + self._found()

    def _turn(self) -> list[Found]:
        """The next plan comes into force. What time alone has brought by then, the one before has told."""
        was, now = self.own[self.at], self.own[self.at + 1]
        turn = self._turns[self.at + 1]
        self._tell(self.at, was.until(turn))
        found = self._found()
        now.until(turn)
        now.goes_on_from(was, self.chapters[self.at + 1].desk, self.chapters[self.at].desk)
        self.at += 1
        return found

    def _found(self) -> list[Found]:
        """Hands that the plan in force has just found at rest; the plans after it learn of them."""
        chapter, (now, *later) = self.chapters[self.at], self.own[self.at :]
        if not now.hands:
            return []
        for one in later:
            one.learn(chapter, now.hands)
        return [(chapter, now.hands)]
