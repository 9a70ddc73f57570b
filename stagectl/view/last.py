"""What the last press did, or why it was refused, in the words of the story.

A contact that bounced, or a treadle that only trembled, is no press to the foot that made it, and a desk that leaves a
level unanswered has pressed nothing: they are in the journal, and leave what the page says alone.

The page of one listener tells what concerns them: what they pressed themselves, what moved their mix, and what is for
everybody, such as the next song. That somebody else's press was refused is no business of theirs.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Final, NamedTuple

from stagectl.core.effects import Reason
from stagectl.story.rows import BY_DESK, PAGE_FOR, Row
from stagectl.story.words import lines, meant

SAID_MAX: Final = 3
"""Lines that what a press did comes to; more are counted."""

NO_PRESS: Final = frozenset(
    reason.value
    for reason in (
        Reason.BOUNCE,
        Reason.JITTER,
        Reason.ALREADY_DOWN,
        Reason.ALREADY_UP,
        Reason.NOT_PICKED_UP,
        Reason.UNANSWERED,
    )
)
"""Refusals of what nobody has meant as a press. A treadle that looks for its level says so with every frame."""

_BEGINS: Final = ("press", "track", "refusal")
_FOLLOWS: Final = ("arrival", "change", "cue", "stored scene", "told", "layer")
_FOR_ALL: Final = ("arrival", "cue", "stored scene", "told")
"""What follows a press, and is for everybody."""

_NOTICES: Final = ("reminder", "trouble")

SENT_UNKNOWN: Final = "sent something unknown"
"""What a pedal did that sent what none of its controls sends. The bytes are in the journal."""


class Last(NamedTuple):
    """What somebody wanted last. `text`: what came of it; `refused`: why nothing did. `at`: monotonic ns, so that no
    clock that is set changes it; `told`: whether the desk could be told what it moves; `whose`: whom it concerns, by
    name; None for everybody."""

    who: str
    what: str
    control: str | None
    pedal: str | None
    text: str
    refused: str | None
    at: int
    told: bool = True
    whose: frozenset[str] | None = None


class Lasts:
    """The last press of all, and for each listener the last that concerns them. `listeners`: their names."""

    def __init__(self, listeners: Collection[str]) -> None:
        self.last: Last | None = None
        self._of: dict[str, Last | None] = dict.fromkeys(listeners)

    def hear(self, rows: Sequence[Row], zero: int, *, desk_here: bool) -> bool:
        """The rows of a step, as `last_of` takes them. Whether there was a press in them."""
        presses: dict[int | None, list[Row]] = {}
        for row in rows:
            presses.setdefault(row.press, []).append(row)
        lasts = [last for some in presses.values() if (last := last_of(some, zero, desk_here=desk_here)) is not None]
        for last in lasts:
            self._take(last)
        return bool(lasts)

    def _take(self, last: Last) -> None:
        """One that concerns none of the listeners is for everybody: it is a pedal's, or the page's, that belongs to
        nobody."""
        self.last = last
        for name in (last.whose or frozenset()).intersection(self._of) or self._of:
            self._of[name] = last

    def go_on_from(self, other: Lasts) -> None:
        """What another has heard is told on, as far as the listeners are the same."""
        self.last = other.last
        self._of.update((name, last) for name, last in other._of.items() if name in self._of)

    def apart(self) -> Iterator[tuple[str, Last | None]]:
        """The listeners whose last press is not the last of all, with theirs."""
        return ((name, last) for name, last in self._of.items() if last is not self.last)


class Notice(NamedTuple):
    """What the night was reminded of last, or what was wrong. `at`: monotonic ns."""

    kind: str
    text: str
    at: int


def last_of(rows: Sequence[Row], zero: int, *, desk_here: bool) -> Last | None:
    """What the rows of a step say of the last press in them; None where there is none. `zero`: when the night began,
    monotonic ns; `desk_here`: whether the desk could be told anything then."""
    rows = meant(rows)
    for begins in reversed(rows):
        if begins.kind in _BEGINS and begins.detail not in NO_PRESS:
            break
        if begins.kind == "change" and begins.what == "hand":
            break
    else:
        return None
    mine = [row for row in rows if row.kind in _FOLLOWS and row.press == begins.press and row.at == begins.at]
    press = next((row for row in rows if row.kind == "press" and row.press == begins.press), begins)
    refused = begins.detail if begins.kind == "refusal" else None
    if refused and begins.what and begins.what != press.what and press is not begins:
        # What was refused, where that is not what was asked for as a whole.
        refused = f"{begins.what}: {refused}"
    who, what = begins.who, press.what if press.kind == "press" else begins.what
    if begins.detail == Reason.UNKNOWN.value:
        who, what = begins.pedal or who, SENT_UNKNOWN
    said = _said(mine if begins.kind != "track" else [begins, *mine])
    return Last(
        who=who or "",
        what=what or "",
        control=begins.control or press.control,
        pedal=begins.pedal or press.pedal,
        text="" if refused else "; ".join(said),
        refused=refused,
        at=zero + begins.at,
        told=desk_here or not any(row.kind == "change" and row.what not in BY_DESK for row in mine),
        whose=_whose(begins, mine),
    )


def _whose(begins: Row, mine: Sequence[Row]) -> frozenset[str] | None:
    """Whom a press concerns: who pressed, and whose mixes it moved."""
    if begins.kind == "track" or any(row.kind in _FOR_ALL for row in mine):
        return None
    names = {row.listener for row in (begins, *mine) if row.kind == "change"}
    if begins.what not in BY_DESK and begins.who is not None:
        names.add(begins.who.removeprefix(PAGE_FOR))
    return frozenset(name for name in names if name is not None)


def notice_of(rows: Sequence[Row], zero: int) -> Notice | None:
    """The last reminder, or trouble, in some rows. `zero`: when the night began, monotonic ns."""
    row = next((row for row in reversed(rows) if row.kind in _NOTICES), None)
    return None if row is None else Notice(row.kind, row.what or "", zero + row.at)


def _said(rows: Sequence[Row]) -> list[str]:
    """The lines of the story without their times."""
    said = [line[line.head :].strip() for line in lines(rows)]
    return said if len(said) <= SAID_MAX else [*said[:SAID_MAX], f"and {len(said) - SAID_MAX} more"]
