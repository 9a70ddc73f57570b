"""The bench of one step: the state as it becomes, and the effects as they collect.

A `Work` lives for one call of `step` and is never seen outside the core.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.effects import Effect, Pressed, Reason, Refused
from stagectl.core.levels import Level
from stagectl.core.limits import Bounds
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import UNDO_MAX, Change, Key, State, Wishes
from stagectl.core.targets import Aimed, Aims, aims, aims_with, mixes_at, scene_levels


class Work:
    """The plan, the state so far and the effects so far, at the nominal time `at`. `out` takes one more effect;
    `looked_at`: how many of them the lamps have seen."""

    __slots__ = ("at", "effects", "looked_at", "out", "plan", "state")

    def __init__(self, plan: Plan, state: State, at: int) -> None:
        self.plan = plan
        self.state = state
        self.at = at
        self.effects: list[Effect] = []
        self.out: Callable[[Effect], None] = self.effects.append
        self.looked_at = 0

    def set(self, **fields: Any) -> None:
        """Replace fields of the state."""
        self.state = replace(self.state, **fields)

    def next_press(self) -> int:
        """The number of a new press."""
        self.set(presses=self.state.presses + 1)
        return self.state.presses

    def remember(self, who: str, before: Wishes) -> None:
        """What was asked for until now has changed, which can be taken back."""
        self.set(undo=self._undo(Change(who, self.at, before, self.state.wishes)))

    def change(self, who: str, before: Wishes, after: Wishes, hand: int | None = None) -> None:
        """Something else is asked for at the same place, which can be taken back. `before`: what is asked for now."""
        undo = self._undo(Change(who, self.at, before, after, hand))
        self.set(nudges=after.nudges, rides=after.rides, hushed=after.hushed, undo=undo)

    def _undo(self, entry: Change) -> tuple[Change, ...]:
        return (*self.state.undo, entry)[-UNDO_MAX:]

    def asked_at(self, send: int, level: Level) -> Levels:
        """What the desk was asked for, but for a send that it says to have at this level."""
        asked = list(self.state.asked)
        asked[send] = self.plan.standing(send, level)
        return tuple(asked)

    def carries(self, takes: int) -> None:
        """The desk's link is given so much to carry now, ns."""
        self.set(wire_free=self.free_after(takes))

    def free_after(self, takes: int) -> int:
        """When the desk's link has carried what it was given, and so much more, ns."""
        return max(self.state.wire_free, self.at) + takes

    @property
    def song(self) -> int:
        """The present song, -1 at the base."""
        return self.plan.stops[self.state.place.stop].song

    def bounds(self, send: int) -> Bounds:
        """What bounds a send that the desk has a message for."""
        bounds = self.plan.bounds[send]
        assert bounds is not None
        return bounds

    @property
    def base(self) -> Levels:
        """The levels of the present place before nudges and ceilings."""
        return scene_levels(self.plan, self.state.place)

    def aims(self) -> Aims:
        """What the desk should have now."""
        return aims(self.plan, self.state.wishes)

    def aims_of(self, sends: Sequence[int], mix: Aimed | None = None) -> Aims:
        """The same where only wishes for the mixes of these sends have changed (`mix`: the only one, where it is worked
        out already). Until a scene was recalled there are none."""
        state, plan = self.state, self.plan
        now = Aims(state.wanted, state.steps, state.held)
        if mix is None:
            whose = dict.fromkeys(map(plan.listener_of, sends))
            mixes = mixes_at(plan, whose, state.wishes)
        else:
            mixes = {plan.listener_of(sends[0]): mix}
        return aims_with(plan, now, mixes, tuple(mixes))


class Presser(Struct, frozen=True):
    """Who asks, and by which press. `listener`: whose own mix it is, if anybody's."""

    press: int
    who: str
    what: str
    listener: int | None = None
    pedal: int | None = None
    control: int | None = None


def refuse(work: Work, by: Presser, reason: Reason, what: str = "") -> None:
    """Record that nothing was changed, and why."""
    work.out(
        Refused(
            at=work.at,
            press=by.press,
            who=by.who,
            reason=reason,
            what=what or by.what,
            pedal=by.pedal,
            control=by.control,
        )
    )


def presser_of(work: Work, key: Key, what: str, press: int | None = None) -> Presser:
    """Who presses a control, under a new press number or under one that was given before."""
    pedal = work.plan.pedals[key[0]]
    return Presser(
        press=work.next_press() if press is None else press,
        who=work.plan.who(key[0]),
        what=what,
        listener=pedal.listener,
        pedal=key[0],
        control=key[1],
    )


def pressed(work: Work, by: Presser, gesture: str | None) -> None:
    """Record a gesture that was understood, or a wish from elsewhere (None)."""
    work.out(
        Pressed(
            at=work.at,
            press=by.press,
            who=by.who,
            what=by.what,
            pedal=by.pedal,
            control=by.control,
            gesture=gesture,
        )
    )
