"""The bench of one step: the state as it becomes, and the effects as they collect.

A `Work` lives for one call of `step` and is never seen outside the core.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stagectl.core.effects import Effect, Pressed, Reason, Refused
from stagectl.core.levels import Level
from stagectl.core.nudges import Bounds, target, touched
from stagectl.core.plan import Levels, Plan, layered
from stagectl.core.state import UNDO_MAX, Key, Place, State, Undoable


@dataclass(slots=True)
class Work:
    """The plan, the state so far and the effects so far, at the nominal time `at`. `looked_at`: how many of the
    effects the lamps have seen."""

    plan: Plan
    state: State
    at: int
    effects: list[Effect] = field(default_factory=list)
    looked_at: int = 0

    def set(self, **fields: Any) -> None:
        """Replace fields of the state."""
        self.state = self.state._replace(**fields)

    def out(self, effect: Effect) -> None:
        """One more effect."""
        self.effects.append(effect)

    def next_press(self) -> int:
        """The number of a new press."""
        self.set(presses=self.state.presses + 1)
        return self.state.presses

    def remember(self, entry: Undoable) -> None:
        """One more change that can be taken back."""
        self.set(undo=(*self.state.undo, entry)[-UNDO_MAX:])

    def carries(self, takes: int) -> None:
        """The desk's link is given so much to carry now, ns."""
        self.set(wire_free=max(self.state.wire_free, self.at) + takes)

    def aim(self, wanted: Levels) -> None:
        """Make these the exact levels that the desk should have; its own steps follow."""
        steps = list(self.state.steps)
        for send, (old, new) in enumerate(zip(self.state.wanted, wanted, strict=True)):
            if new != old:
                steps[send] = self.plan.in_steps(send, new)
        self.set(wanted=wanted, steps=tuple(steps))

    @property
    def song(self) -> int:
        """The present song, -1 at the base."""
        return self.plan.stops[self.state.place.stop].song

    def bounds(self, send: int) -> Bounds | None:
        """What bounds the send; None where the desk has no message for it."""
        grid = self.plan.grid_of(send)
        if grid is None:
            return None
        return Bounds(ceiling=self.plan.ceilings[send], grid=grid, limits=self.plan.limits)

    def scene_levels(self, place: Place) -> Levels:
        """The levels of a place before nudges and ceilings."""
        levels = self.plan.stops[place.stop].levels
        return levels if place.scene is None else layered(levels, self.plan.scenes[place.scene].layer)

    def target(self, send: int, base: Levels) -> Level | None:
        """The exact level that a send should have now."""
        bounds = self.bounds(send)
        if bounds is None:
            return None
        return target(base[send], send, self.state.nudges, self.state.rides.get(send, 0), bounds)

    def targets(self) -> Levels:
        """The exact level of every send at the present place."""
        state, place = self.state, self.state.place
        base = self.scene_levels(place)
        out = list(self.plan.bounded[place.stop] if place.scene is None else self.plan.bound(base))
        for send in touched(state.nudges) | state.rides.keys():
            out[send] = self.target(send, base)
        return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Presser:
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
