"""From down and up to gestures: one table, and the theory of it.

A foot goes down and up; the mapping wants presses, holds and double presses. The only question is how
long a press has to wait until it is sure to be one:

- nothing else mapped: it fires on the way down, at once;
- a hold mapped: down could still become a hold, so the press fires on the way up, and the hold at its
  length while the foot is still down;
- a double press mapped: a second press may follow within the window, counted from the first way down, so
  the press fires when the window has run out, foot up or down;
- both: the hold wins while the foot stays down; after an early release the rest of the window is waited.

States of one control:

    IDLE ---down---> WAIT (hold or double mapped) or SPENT (press fires)
    WAIT ---up-----> IDLE (press fires) or BETWEEN (the double window is still open)
    WAIT ---due----> SPENT (hold fires; or, with no hold mapped, press fires)
    BETWEEN -down--> SPENT (double fires)
    BETWEEN -due---> IDLE (press fires)
    SPENT --up-----> IDLE
    any ----gone---> IDLE, and nothing fires: a pulled cable is not a foot

`release` fires at every way up where it is mapped. Times are integer nanoseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple


class Gesture(Enum):
    """What a foot can mean. The value is the word in a mapping file."""

    PRESS = "press"
    RELEASE = "release"
    HOLD = "hold"
    DOUBLE = "double press"
    TURN = "turn"


class Phase(Enum):
    """Where a control is within a gesture."""

    IDLE = "idle"
    WAIT = "wait"
    BETWEEN = "between"
    SPENT = "spent"


class Edge(Enum):
    """What happens to a control."""

    DOWN = "down"
    UP = "up"
    DUE = "due"
    GONE = "gone"


HOLD_DEFAULT_NS: Final = 600_000_000
DOUBLE_DEFAULT_NS: Final = 350_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """A control's own lengths, ns."""

    hold_ns: int = HOLD_DEFAULT_NS
    double_ns: int = DOUBLE_DEFAULT_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """The state of one control that is not idle. `since`: when the (first) way down was; `due`: when its wait
    ends, None where it waits for nothing."""

    phase: Phase
    since: int
    due: int | None = None


class Outcome(NamedTuple):
    """The new state (None: idle) and the gestures that fired, in order."""

    hand: Hand | None
    fired: tuple[Gesture, ...]


class Context(NamedTuple):
    """What a row of the table may look at."""

    hand: Hand | None
    now: int
    mapped: Collection[Gesture]
    timing: Timing

    @property
    def window_end(self) -> int:
        """When a second press would no longer count as a double."""
        return (self.now if self.hand is None else self.hand.since) + self.timing.double_ns


def _down_from_idle(c: Context) -> Outcome:
    if Gesture.HOLD in c.mapped:
        return Outcome(Hand(phase=Phase.WAIT, since=c.now, due=c.now + c.timing.hold_ns), ())
    if Gesture.DOUBLE in c.mapped:
        return Outcome(Hand(phase=Phase.WAIT, since=c.now, due=c.window_end), ())
    return Outcome(Hand(phase=Phase.SPENT, since=c.now), (Gesture.PRESS,))


def _up_from_wait(c: Context) -> Outcome:
    assert c.hand is not None
    if Gesture.DOUBLE in c.mapped and c.now < c.window_end:
        waiting = Hand(phase=Phase.BETWEEN, since=c.hand.since, due=c.window_end)
        return Outcome(waiting, (Gesture.RELEASE,))
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE))


def _due_in_wait(c: Context) -> Outcome:
    assert c.hand is not None
    fired = Gesture.HOLD if Gesture.HOLD in c.mapped else Gesture.PRESS
    return Outcome(Hand(phase=Phase.SPENT, since=c.hand.since), (fired,))


def _down_in_between(c: Context) -> Outcome:
    assert c.hand is not None
    return Outcome(Hand(phase=Phase.SPENT, since=c.hand.since), (Gesture.DOUBLE,))


def _due_in_between(_: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS,))


def _up_when_spent(_: Context) -> Outcome:
    return Outcome(None, (Gesture.RELEASE,))


def _gone(_: Context) -> Outcome:
    return Outcome(None, ())


TABLE: Final[Mapping[tuple[Phase, Edge], Callable[[Context], Outcome]]] = {
    (Phase.IDLE, Edge.DOWN): _down_from_idle,
    (Phase.WAIT, Edge.UP): _up_from_wait,
    (Phase.WAIT, Edge.DUE): _due_in_wait,
    (Phase.BETWEEN, Edge.DOWN): _down_in_between,
    (Phase.BETWEEN, Edge.DUE): _due_in_between,
    (Phase.SPENT, Edge.UP): _up_when_spent,
    (Phase.WAIT, Edge.GONE): _gone,
    (Phase.BETWEEN, Edge.GONE): _gone,
    (Phase.SPENT, Edge.GONE): _gone,
}
"""Every pair that means something; a pair that is not here (up while idle, down while down) is refused."""


def turn_hand(hand: Hand | None, edge: Edge, now: int, mapped: Collection[Gesture], timing: Timing) -> Outcome | None:
    """What an edge does to a control, or None where it means nothing and is refused.

    Of the gestures that fire, those that are mapped are given; and a press that nothing is mapped to, so
    that it can be refused with its reason, unless its release is what the mapping waits for.
    """
    row = TABLE.get((Phase.IDLE if hand is None else hand.phase, edge))
    if row is None:
        return None
    outcome = row(Context(hand, now, mapped, timing))
    means_nothing = Gesture.PRESS if Gesture.RELEASE not in mapped else None
    fired = tuple(gesture for gesture in outcome.fired if gesture in mapped or gesture is means_nothing)
    return Outcome(outcome.hand, fired)
