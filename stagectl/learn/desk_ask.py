"""The moves that are asked for, one after the other, and what may be answered. Pure: lines in, moves out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from stagectl.learn.desk_moves import Move, Spot, Way, parse_move
from stagectl.show.decibels import LevelText

FIRST: Final = Spot(1, 1)
"""The send that is moved the most."""

INTRODUCTION: Final = (
    "Move what is asked for on the desk, then press Enter. `skip` leaves a move out, `again` asks for the last one "
    "anew, `end` ends it. What was moved instead may be typed: `input 9 mix 4`, or `whole mix 1 at -10` for a mark."
)

WHOLE: Final = Spot(None, 1)
"""The whole mix that is."""

MARKS: Final = (
    "Set {} to a mark of its scale and type what the desk shows there, such as `off`, `-40` or `0`. Take the "
    "bottom, the lowest level above off, the top, 0, and some between; an empty line goes on."
)


@dataclass(frozen=True)
class Step:
    """One question. `spot`: what is moved where nothing else is typed; None where nothing is to be touched. `marks`:
    they are asked for until a line is empty."""

    asks: str
    spot: Spot | None
    marks: bool = False

    @property
    def move(self) -> Move | None:
        """The move that an empty line means; None where it goes on."""
        if self.marks:
            return None
        return Move(Way.NOTHING) if self.spot is None else Move(Way.SWEEP, self.spot)


def _sweep(spot: Spot, more: str = "") -> Step:
    return Step(f"Move {spot} slowly from the bottom to the top{more}.", spot)


def _marks(spot: Spot) -> Step:
    return Step(MARKS.format(spot), spot, marks=True)


STEPS: Final = (
    Step("Touch nothing for some seconds.", None),
    _sweep(FIRST),
    _marks(FIRST),
    _sweep(Spot(2, 1)),
    _sweep(Spot(1, 2)),
    _sweep(Spot(3, 2), ", or better one that is far off, and type which: `input 16 mix 4`"),
    _sweep(WHOLE, ": the level of the mix as a whole; `skip` where there is none"),
    _marks(WHOLE),
    _sweep(Spot(None, 2)),
)


_THE_WHOLE: Final = next(step for step in STEPS if step.spot == WHOLE)


_STANDS: Final = " Where the fader stands counts for the next one."


@dataclass(frozen=True)
class Answer:
    """What an answer does with what was heard since the last one: `keep` it as the move, or leave it out. `forget`: the
    last move that was kept is forgotten too. `hold`: what was heard, that of a forgotten move too, counts for the next
    answer, as the fader stands where it was said. `say`: a line for the user."""

    keep: Move | None = None
    forget: bool = False
    hold: bool = False
    say: str = ""


class Asking:
    """Where the questions are."""

    def __init__(self) -> None:
        self._at = 0
        self._kept: list[tuple[int, Way]] = []

    @property
    def asks(self) -> str | None:
        """The question; None at the end."""
        return STEPS[self._at].asks if self._at < len(STEPS) else None

    def answer(self, typed: str) -> Answer:
        """Take a line."""
        word = " ".join(typed.lower().split())
        if word == "end":
            self._at = len(STEPS)
            return Answer(say="What was heard since the last move is left out.")
        if word == "skip":
            # A mix that has no level as a whole has no marks of it, and nor have others.
            self._at = len(STEPS) if STEPS[self._at] == _THE_WHOLE else self._at + 1
            return Answer(say="Left out.")
        if word == "again":
            if self._kept:
                self._at, way = self._kept.pop()
                # A mark is where a fader stands; a sweep is made anew from its bottom.
                hold = way is Way.MARK
                return Answer(forget=True, hold=hold, say="The last move is forgotten." + _STANDS * hold)
            return Answer(say="Nothing was moved yet.")
        return self._move(word)

    def _move(self, word: str) -> Answer:
        step = STEPS[self._at]
        if step.move is None and not word:
            self._at += 1
            return Answer(say="")
        try:
            move = self._meant(step, word)
        except ValueError as error:
            return Answer(hold=True, say=f"{error}. Type it again: what was heard counts for it.")
        self._kept.append((self._at, move.way))
        # A mark may be set at any question, which is then asked once more.
        if step.move is not None and move.way is not Way.MARK:
            self._at += 1
        return Answer(keep=move)

    def _meant(self, step: Step, word: str) -> Move:
        """The move that a line means at this question. Raises ValueError."""
        if step.move is None and not word.startswith(("input", "whole")):
            return Move(Way.MARK, step.spot, LevelText().parse(word))
        if not word:
            assert step.move is not None
            return step.move
        move = parse_move(word)
        # A send that is named where a sweep was asked for was swept.
        asked = Way.ANY if step.move is None else step.move.way
        return Move(asked, move.spot) if move.way is Way.ANY and asked is Way.SWEEP else move
