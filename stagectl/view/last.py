"""What the last press did, or why it was refused, in the words of the story.

A contact that bounced, or a treadle that only trembled, is no press to the foot that made it, and a desk that leaves a
level unanswered has pressed nothing: they are in the journal, and leave what the page says alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from stagectl.core.effects import Reason
from stagectl.ears.night import BY_DESK
from stagectl.story.rows import Row
from stagectl.story.words import lines

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
_NOTICES: Final = ("reminder", "trouble")


class Last(NamedTuple):
    """What somebody wanted last. `text`: what came of it; `refused`: why nothing did. `at`: monotonic ns, so that no
    clock that is set changes it; `told`: whether the desk could be told what it moves."""

    who: str
    what: str
    control: str | None
    pedal: str | None
    text: str
    refused: str | None
    at: int
    told: bool = True


class Notice(NamedTuple):
    """What the night was reminded of last, or what was wrong. `at`: monotonic ns."""

    kind: str
    text: str
    at: int


def last_of(rows: Sequence[Row], zero: int, *, desk_here: bool) -> Last | None:
    """What the rows of a step say of the last press in them; None where there is none. `zero`: when the night began,
    monotonic ns; `desk_here`: whether the desk could be told anything then."""
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
    said = _said(mine if begins.kind != "track" else [begins, *mine])
    return Last(
        who=begins.who or "",
        what=(press.what if press.kind == "press" else begins.what) or "",
        control=begins.control or press.control,
        pedal=begins.pedal or press.pedal,
        text="" if refused else "; ".join(said),
        refused=refused,
        at=zero + begins.at,
        told=desk_here or not any(row.kind == "change" and row.what not in BY_DESK for row in mine),
    )


def notice_of(rows: Sequence[Row], zero: int) -> Notice | None:
    """The last reminder, or trouble, in some rows. `zero`: when the night began, monotonic ns."""
    row = next((row for row in reversed(rows) if row.kind in _NOTICES), None)
    return None if row is None else Notice(row.kind, row.what or "", zero + row.at)


def _said(rows: Sequence[Row]) -> list[str]:
    """The lines of the story without their times."""
    said = [line[line.head :].strip() for line in lines(rows)]
    return said if len(said) <= SAID_MAX else [*said[:SAID_MAX], f"and {len(said) - SAID_MAX} more"]
