"""What a look has found, and what all of them come to in one sentence. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final, Literal, NamedTuple, TypeAlias

Word: TypeAlias = Literal["fine", "look", "wrong", "unknown"]

WORDS: Final[tuple[Word, ...]] = ("fine", "look", "wrong", "unknown")
"""`look`: worth another look, and the night can be played; `wrong`: something that it needs is missing; `unknown`: this
machine does not say, which keeps nobody from playing."""

FAULTS, SYSTEM = 1, 3
"""Exit codes where something is wrong: with what the user wrote, or with a device or the system."""


class Finding(NamedTuple):
    """One line. `what`: what was looked at; `says`: what was found, in figures; `do`: what to do, where it is not fine.
    `written`: what is wrong is in what the user wrote."""

    word: Word
    what: str
    says: str
    do: str = ""
    written: bool = False


def fine(what: str, says: str) -> Finding:
    """It is as it should be."""
    return Finding("fine", what, says)


def look(what: str, says: str, do: str) -> Finding:
    """It is worth another look."""
    return Finding("look", what, says, do)


def wrong(what: str, says: str, do: str, *, written: bool = False) -> Finding:
    """It is not as it has to be."""
    return Finding("wrong", what, says, do, written)


def unknown(what: str, says: str) -> Finding:
    """Nobody here knows."""
    return Finding("unknown", what, says)


def things(number: int) -> str:
    """`1 thing`, `2 things`."""
    return f"{number} thing" + ("" if number == 1 else "s")


def counted(findings: Iterable[Finding]) -> Counter[str]:
    """How many there are, by word."""
    return Counter(one.word for one in findings)


def sentence(findings: Iterable[Finding]) -> str:
    """All of them in one sentence."""
    count = counted(findings)
    wrongs, looks = count["wrong"], count["look"]
    if not wrongs:
        return "ready for doors" + (f", with {things(looks)} to look at" if looks else "")
    return f"{things(wrongs)} to see to" + (f", and {looks} to look at" if looks else "")


def exit_code(findings: Iterable[Finding]) -> int:
    """0 where nothing is wrong."""
    wrongs = [one for one in findings if one.word == "wrong"]
    if not wrongs:
        return 0
    return FAULTS if any(one.written for one in wrongs) else SYSTEM
