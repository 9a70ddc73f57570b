"""From down and up to gestures: one table, and the theory of it.

A foot goes down and up; the mapping wants presses, holds, double presses and repeats. The only question is how
long a press has to wait until it is sure to be one:

- nothing else mapped: it fires on the way down, at once;
- a repeat mapped: the press fires at once all the same, and the repeats follow while the foot stays down, the
  first after `repeat_ns`, each gap four fifths of the one before, never shorter than `fastest_ns`, and never more
  than `REPEAT_MAX` of them: a bag on a switch must come to an end;
- a hold mapped: down could still become a hold, so the press fires on the way up, and the hold at its
  length while the foot is still down (a hold and a repeat claim the same foot: a file with both is refused, and
  here the hold has it);
- a double press mapped: a second press may follow within the window, counted from the first way down, so
  the press fires when the window has run out, foot up or down (and repeats, where mapped, count from there);
- a hold and a double press: the hold wins while the foot stays down; after an early release the rest of the
  window is waited;
- part of a pair (`Pair` in `plan.py`): all of this waits for `together_ns`, or for the way up if that is sooner. If the
  partner comes down by then, the pair fires, and neither of the two fires anything alone, not even its release.
  The second press of a double press does not wait: its first way down has already shown that it is alone.

States of one control:

    IDLE ---down---> APART (part of a pair), WAIT (hold or double mapped), REPEAT or SPENT (press fires)
    IDLE ---joined-> TAKEN (the pair fires)
    APART --due----> WAIT, REPEAT or SPENT (press fires): as from IDLE, its lengths counted from the way down
    APART --up-----> IDLE (press fires) or BETWEEN (double mapped)
    APART --joined-> TAKEN (the pair fires)
    WAIT ---up-----> IDLE (press fires) or BETWEEN (the double window is still open)
    WAIT ---due----> SPENT (hold fires) or, with no hold mapped, REPEAT or SPENT (press fires)
    BETWEEN -down--> SPENT (double fires)
    BETWEEN -due---> IDLE (press fires, and its release)
    REPEAT -due----> REPEAT (repeat fires), after the last one SPENT
    REPEAT -up-----> IDLE
    SPENT --up-----> IDLE
    TAKEN --up-----> IDLE
    any ----gone---> IDLE, and nothing fires: a pulled cable is not a foot

`release` fires at every way up where it is mapped, but for that of a pair; one that ends a press which still waits for
a second one comes right after it, and not at all where the second one comes. What was mapped when the foot first went
down is what counts until the control is idle again, whatever the song does meanwhile. Downs and ups come here free of
bounce (`contacts.py`). Times are integer nanoseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import Final

from msgspec import Struct

from stagectl.core.actions import Action


class Word(Enum):
    """A word of which there is one. Each press looks several up in tables, so they hash as objects: that is quicker.
    So is `word`, which is the value."""

    __hash__ = object.__hash__

    def __init__(self, word: str) -> None:
        self.word = word


class Gesture(Word):
    """What a foot can mean. The value is the word in a mapping file."""

    PRESS = "press"
    RELEASE = "release"
    HOLD = "hold"
    DOUBLE = "double press"
    REPEAT = "repeat"
    TURN = "turn"


class Phase(Word):
    """Where a control is within a gesture."""

    IDLE = "idle"
    APART = "apart"
    WAIT = "wait"
    BETWEEN = "between"
    REPEAT = "repeat"
    SPENT = "spent"
    TAKEN = "taken"


UNDECIDED: Final = frozenset((Phase.APART, Phase.WAIT, Phase.BETWEEN))
"""Phases of a foot that has come down, and nothing has fired for it yet."""


class Edge(Word):
    """What happens to a control. `JOINED`: it or its partner came down in time to make their pair."""

    DOWN = "down"
    UP = "up"
    DUE = "due"
    JOINED = "joined"
    GONE = "gone"


HOLD_DEFAULT_NS: Final = 600_000_000
DOUBLE_DEFAULT_NS: Final = 350_000_000

REPEAT_DEFAULT_NS: Final = 400_000_000
"""From the press to the first repeat: longer than a foot rests on a switch for one press."""

FASTEST_DEFAULT_NS: Final = 80_000_000
"""The shortest gap between two repeats by default: 12 a second, which a foot can still stop at a wanted one."""

FASTEST_MIN_NS: Final = 20_000_000
"""The shortest gap that can be set: 50 a second, as many as a fade has frames."""

REPEAT_RATIO: Final = (4, 5)
"""Each gap between repeats is so much of the one before, rounded down to a nanosecond."""

REPEAT_MAX: Final = 100
"""Repeats of one hold: at the default lengths some nine seconds of holding."""

TOGETHER: Final = "together"
"""What two controls of a pair do is recorded under this word, and its key in a mapping file is the same."""

TOGETHER_DEFAULT_NS: Final = 50_000_000
"""How far apart the two ways down of a pair may be: two feet that mean one thing come closer than that, and a
press that has to wait so long is still felt as one with its sound."""


class Timing(Struct, frozen=True, kw_only=True):
    """A control's own lengths, ns. `together_ns`: how long it waits for a partner, 0 where it is part of no pair."""

    hold_ns: int = HOLD_DEFAULT_NS
    double_ns: int = DOUBLE_DEFAULT_NS
    repeat_ns: int = REPEAT_DEFAULT_NS
    fastest_ns: int = FASTEST_DEFAULT_NS
    together_ns: int = 0


NOTHING: Final[Mapping[Gesture, Action]] = {}


class Hand(Struct, frozen=True):
    """The state of one control that is not idle. `since`: when the (first) way down was; `due`: when its wait
    ends, None where it waits for nothing; `does`: what was mapped then. `gap`: the last gap between two repeats,
    ns; `repeats`: how many there were."""

    phase: Phase
    since: int
    due: int | None = None
    does: Mapping[Gesture, Action] = NOTHING
    gap: int = 0
    repeats: int = 0


class Outcome(Struct, frozen=True):
    """The new state (None: idle) and the gestures that fired, in order."""

    hand: Hand | None
    fired: tuple[Gesture, ...]


class Context(Struct, frozen=True):
    """What a row of the table may look at. `since`: when the first way down was: now, if this is it; `does`: what was
    mapped then."""

    hand: Hand | None
    now: int
    since: int
    does: Mapping[Gesture, Action]
    timing: Timing

    @property
    def window_end(self) -> int:
        """When a second press would no longer count as a double."""
        return self.since + self.timing.double_ns

    def to(self, phase: Phase, due: int | None = None, gap: int = 0, repeats: int = 0) -> Hand:
        """The hand in another phase. A wait never ends before now."""
        due = None if due is None else max(due, self.now)
        return Hand(phase, self.since, due, self.does, gap, repeats)


def _down_from_idle(c: Context) -> Outcome:
    if c.timing.together_ns:
        return Outcome(c.to(Phase.APART, c.now + c.timing.together_ns), ())
    return _alone(c)


def _alone(c: Context) -> Outcome:
    """The foot is down, and no pair is meant."""
    if Gesture.HOLD in c.does:
        return Outcome(c.to(Phase.WAIT, c.since + c.timing.hold_ns), ())
    if Gesture.DOUBLE in c.does and c.now < c.window_end:
        return Outcome(c.to(Phase.WAIT, c.window_end), ())
    return _press_while_down(c)


def _press_while_down(c: Context) -> Outcome:
    if Gesture.REPEAT in c.does:
        gap = c.timing.repeat_ns
        fired = (Gesture.PRESS,) if Gesture.PRESS in c.does else ()
        return Outcome(c.to(Phase.REPEAT, c.now + gap, gap), fired)
    return Outcome(c.to(Phase.SPENT), (Gesture.PRESS,))


def _up_from_wait(c: Context) -> Outcome:
    if Gesture.DOUBLE in c.does and c.now < c.window_end:
        # A release that ends a press comes after it.
        fired = () if Gesture.PRESS in c.does else (Gesture.RELEASE,)
        return Outcome(c.to(Phase.BETWEEN, c.window_end), fired)
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE))


def _due_in_wait(c: Context) -> Outcome:
    if Gesture.HOLD in c.does:
        return Outcome(c.to(Phase.SPENT), (Gesture.HOLD,))
    return _press_while_down(c)


def _down_in_between(c: Context) -> Outcome:
    return Outcome(c.to(Phase.SPENT), (Gesture.DOUBLE,))


def _due_in_between(c: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE) if Gesture.PRESS in c.does else (Gesture.PRESS,))


def _due_in_repeat(c: Context) -> Outcome:
    assert c.hand is not None
    repeats = c.hand.repeats + 1
    if repeats >= REPEAT_MAX:
        return Outcome(c.to(Phase.SPENT), (Gesture.REPEAT,))
    gap = max(c.timing.fastest_ns, c.hand.gap * REPEAT_RATIO[0] // REPEAT_RATIO[1])
    return Outcome(c.to(Phase.REPEAT, c.now + gap, gap, repeats), (Gesture.REPEAT,))


def _up_from_repeat(c: Context) -> Outcome:
    assert c.hand is not None
    # A press that nothing is mapped to is only known to be one when no repeat came of it.
    unmapped = Gesture.PRESS not in c.does and not c.hand.repeats
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE) if unmapped else (Gesture.RELEASE,))


def _up_when_spent(_: Context) -> Outcome:
    return Outcome(None, (Gesture.RELEASE,))


def _joined(c: Context) -> Outcome:
    return Outcome(c.to(Phase.TAKEN), ())


def _idle(_: Context) -> Outcome:
    return Outcome(None, ())


TABLE: Final[Mapping[tuple[Phase, Edge], Callable[[Context], Outcome]]] = {
    (Phase.IDLE, Edge.DOWN): _down_from_idle,
    (Phase.IDLE, Edge.JOINED): _joined,
    (Phase.APART, Edge.DUE): _alone,
    (Phase.APART, Edge.UP): _up_from_wait,
    (Phase.APART, Edge.JOINED): _joined,
    (Phase.WAIT, Edge.UP): _up_from_wait,
    (Phase.WAIT, Edge.DUE): _due_in_wait,
    (Phase.BETWEEN, Edge.DOWN): _down_in_between,
    (Phase.BETWEEN, Edge.DUE): _due_in_between,
    (Phase.REPEAT, Edge.DUE): _due_in_repeat,
    (Phase.REPEAT, Edge.UP): _up_from_repeat,
    (Phase.SPENT, Edge.UP): _up_when_spent,
    (Phase.TAKEN, Edge.UP): _idle,
    (Phase.APART, Edge.GONE): _idle,
    (Phase.WAIT, Edge.GONE): _idle,
    (Phase.BETWEEN, Edge.GONE): _idle,
    (Phase.REPEAT, Edge.GONE): _idle,
    (Phase.SPENT, Edge.GONE): _idle,
    (Phase.TAKEN, Edge.GONE): _idle,
}
"""Every pair that means something; a pair that is not here (up while idle, down while down) is refused."""


def turn_hand(
    hand: Hand | None, edge: Edge, now: int, does: Mapping[Gesture, Action], timing: Timing
) -> Outcome | None:
    """What an edge does to a control, or None where it means nothing and is refused.

    `does`: what is mapped now; of a control that is not idle, what was mapped at its way down counts. Of the
    gestures that fire, those that are mapped are given; and a press that nothing is mapped to, so that it can be
    refused with its reason, unless its release is what the mapping waits for.
    """
    row = TABLE.get((Phase.IDLE if hand is None else hand.phase, edge))
    if row is None:
        return None
    since, mapped = (now, does) if hand is None else (hand.since, hand.does)
    outcome = row(Context(hand, now, since, mapped, timing))
    if mapped.keys() >= set(outcome.fired):
        return outcome
    means_nothing = Gesture.PRESS if Gesture.RELEASE not in mapped else None
    fired = [gesture for gesture in outcome.fired if gesture in mapped or gesture is means_nothing]
    return Outcome(outcome.hand, tuple(fired))
