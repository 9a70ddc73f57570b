"""Histories, written by hand, in which bugs are caught that need more to come together than a drawn night is likely to
have: a report that is lost in just that moment, or somebody who has the page open when its process falls.

They stay what they are, whatever nights are drawn from. The shows are those of `shows.py`: 0 is the demo set over OSC,
1 has a pedal with a cable, 2 has a timetable and the built-in player (`test_planted.py` looks).
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from .clock import MS, SECOND
from .inputs import Input
from .people import edge

OSC: Final = 0
CABLE: Final = 1
TIMES: Final = 2


class History(NamedTuple):
    """The number of a show, and what happens to it."""

    show: int
    inputs: tuple[Input, ...]


def _at(at_s: float, kind: str, *what: Any) -> Input:
    return Input(round(at_s * SECOND), kind, what)


def _press(at_s: float, control: str) -> Input:
    """A short press of the OSC pedal."""
    return _at(at_s, "foot", 0, ((0, edge("osc", control, True)), (60 * MS, edge("osc", control, False))))


def _unknown(times: int) -> Input:
    """A pedal says so often what none of its controls stands for."""
    return _at(5, "foot", 0, tuple((at * MS, bytes((0x90, 5, 64))) for at in range(times)))


BY_HAND: Final[dict[str, History]] = {
    "unknown message dropped silently": History(CABLE, (_unknown(1),)),
    "unknown messages recorded without bound": History(CABLE, (_unknown(40),)),
    # The one report of a hand is lost; that of the first input would be asked for all the same.
    "probe always asks for the same": History(
        OSC,
        (
            _press(5, "on"),
            _at(20, "wires", (("delay_ns", 0), ("loss", 1.0)), 300 * MS),
            _at(20.1, "hand", 1, 2, ((0, -2_500),)),
        ),
    ),
    "lost player still counts as here": History(TIMES, (_at(10, "sound dies", 30 * SECOND), _at(30, "end"))),
    "page's pipe without bound": History(
        OSC,
        (
            _at(2, "page client", 60 * SECOND, True),
            _at(4, "page stands still", 15 * SECOND),
            *(_press(5 + at * 0.15, ("more", "less")[at % 2]) for at in range(60)),
        ),
    ),
    "page that comes again is given no boards": History(
        OSC, (_at(2, "page client", 60 * SECOND, True), _at(10, "page dies"))
    ),
    # At 18:40 people are told that it is half an hour to the curfew.
    "reminder comes again when the clock is set back": History(
        TIMES, (_at(620, "clock step", -40 * SECOND), _at(660, "end"))
    ),
    "missed reminders are not told": History(TIMES, (_at(580, "clock step", 300 * SECOND), _at(600, "end"))),
    # The press after the hand finds it at rest; the edit is about another mix.
    "hands are not brought over to edited files": History(
        OSC,
        (
            _press(5, "on"),
            _at(20, "hand", 3, 2, ((0, -2_500),)),
            _press(40, "more"),
            _at(60, "edit"),
            _at(60.1, "kill", "now", 1, SECOND),
        ),
    ),
}
"""By the name of the bug."""
