"""From a night that is played again to what was wished for: the nudges that stood when each song was left.

What counts is a player's own nudge of a send, and a hand at the desk: the core's own nudges (`core/nudges.py`), with
what was given to make room for others put back. Treadles, hushes, a fall back and a scene laid over a song are no
nudges; nor is what a ceiling held, and a press took as it was heard (`as_heard` of `core/room.py`).

`undo` and `clear nudges` take a wish back: it was a passing one, and does not count for songs that it stood in before,
unless these were `STOOD_SONGS` or more.

Wishes are believed as far as the journal's rows show the levels that they come to (`shown.py`): where rows or events
are missing, or another version of the program would have done otherwise, what was wanted of a send cannot be told. A
night that goes another way than its rows is believed up to there.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from stagectl.core.actions import WISHED, ClearNudges, Lasts, NudgeRest, Undo
from stagectl.core.actions import Nudge as NudgeAction
from stagectl.core.effects import Arrived, Changed, Pressed
from stagectl.core.nudges import Nudge, Nudges, no_nudges, target, with_nudges
from stagectl.core.plan import Plan
from stagectl.core.state import Place, State, begin, differ
from stagectl.core.targets import scene_levels
from stagectl.core.touch import HAND
from stagectl.keep.told import Stood, Told, Visit, by_name
from stagectl.story.replay import Moment
from stagectl.story.rows import stop_names
from stagectl.story.shown import Shown

STOOD_SONGS: Final = 3
"""Songs that a wish stood in, from which on it was no passing one, whatever ended it."""

NUDGED: Final = frozenset((NudgeAction.word, NudgeRest.word, HAND))
"""Causes that ask for a level."""

BACK: Final = frozenset((Undo.word, ClearNudges.word))
"""Causes that take one back."""


class Asked(NamedTuple):
    """What was asked for of a send, hundredths of a dB: `shift` counts where the show has a level, `lift` above the
    nudge floor where it is off; None: it stays off."""

    shift: int = 0
    lift: int | None = None

    @property
    def is_any(self) -> bool:
        """Whether it is a wish."""
        return self.shift != 0 or self.lift is not None


class Wished:
    """Watches one night. `plan`: the first that it was played by; `shown`: its rows."""

    def __init__(self, plan: Plan, shown: Shown) -> None:
        self.plan = plan
        self.told = Told()
        self._state, self._shown = begin(plan, 0), shown
        self._visit: Visit | None = None
        self._since: dict[int, int] = {}
        self._runs: dict[int, list[int]] = {}

    def see(self, moment: Moment) -> None:
        """Something was done."""
        self._state = moment.after
        if self.told.strays is not None:
            return
        # One press may go through several places: one that it goes on from at once was never left with anything.
        arrivals = [one for one in moment.effects if isinstance(one, Arrived)]
        for arrival in arrivals:
            if not self._shown.comes_to(*stop_names(self.plan, arrival.stop)):
                self._strays(moment.before)
                return
            if arrival is arrivals[0]:
                self._leave(moment.before, arrival.at)
            self._arrive(arrival)
        if any(arrival.base for arrival in arrivals):
            self._runs.clear()
        else:
            self._nudged(moment, moved=bool(arrivals))

    def end(self) -> Told:
        """The night is over, or its journal is. What it told."""
        agrees = self._shown.comes_to_its_end()
        if self.told.strays is None and agrees:
            self._leave(self._state, self._shown.now)
            self._end_visit(self._shown.now)
        elif self.told.strays is None:
            self._strays(self._state)
        self.told.ended = self._shown.ended
        return self.told

    def goes_on_by(self, plan: Plan, state: State) -> None:
        """From now on the night was played by another text: the place, and what stands, go along by their names."""
        visit, told = self._visit, self.told
        if visit is not None and visit.song != stop_names(plan, state.place.stop)[0]:
            self._keep_stood(self._state, self._state.now)
            self._end_visit(self._state.now)
        found = ((send, plan.sends_by_name.get(names)) for names, send in self.plan.sends_by_name.items())
        there = {send: to for send, to in found if to is not None}
        self.plan, self._state = plan, state
        self._since, self._runs = by_name(self._since, there), by_name(self._runs, there)
        told.first = by_name(told.first, there)
        for one in (*told.visits, *(() if self._visit is None else (self._visit,))):
            one.renamed(there)

    # -- wishes -------------------------------------------------------------------------------------------

    def _nudged(self, moment: Moment, *, moved: bool) -> None:
        """What a moment did to wishes: first words, and wishes that are over. `moved`: the night is elsewhere."""
        before, after = moment.before.nudges, moment.after.nudges
        if before is after:
            return
        causes = {one.cause for one in moment.effects if isinstance(one, Changed)}
        causes |= {one.what for one in moment.effects if isinstance(one, Pressed)}
        is_asked = not causes.isdisjoint(NUDGED)
        for send in sorted({send for was, now in zip(before, after, strict=True) for send in differ(was, now)}):
            had, has = self._asked(before, send), self._asked(after, send)
            if is_asked and has.is_any and has != had:
                self._since[send] = moment.at
                self.told.first.setdefault(send, len(self.told.visits))
            if had.is_any and not has.is_any:
                self._over(send, passing=not moved and not causes.isdisjoint(BACK))

    def _asked(self, nudges: Nudges, send: int) -> Asked:
        """What is asked for of a send by nudges of all lengths."""
        if self.plan.bounds[send] is None:
            return Asked()
        some = [_with_its_room(kept[send]) for lasts in WISHED if send in (kept := nudges[lasts])]
        lifts = [one.lift for one in some if one.lift is not None]
        return Asked(sum(one.shift for one in some), sum(lifts) if lifts and sum(lifts) >= 0 else None)

    def _over(self, send: int, *, passing: bool) -> None:
        """A wish is over; where it was a passing one, the songs that it stood in are told so."""
        run = self._runs.pop(send, [])
        if passing and len(run) < STOOD_SONGS:
            for at in run:
                self.told.visits[at].passing.add(send)

    # -- places -------------------------------------------------------------------------------------------

    def _arrive(self, arrival: Arrived) -> None:
        song, _ = stop_names(self.plan, arrival.stop)
        if self._visit is None or self._visit.song != song:
            self._end_visit(arrival.at)
            self._visit = Visit(song=song, begun=arrival.at)
        self._visit.fell = self._visit.fell or arrival.base

    def _strays(self, state: State) -> None:
        """From a state on the rows go another way: what comes after is not believed, nor the stay that it came in."""
        self.told.strays = stop_names(self.plan, state.place.stop)[0]
        self._visit = None

    def _leave(self, state: State, at: int) -> None:
        """Keep what stands as a place is left, and whether the rows agree."""
        self._keep_stood(state, at)
        if self._visit is not None:
            self._visit.unlike = self._shown.unlike(self.plan, state)

    def _keep_stood(self, state: State, at: int) -> None:
        visit, place = self._visit, state.place
        if visit is None or place.base:
            return
        _, visit.last = stop_names(self.plan, place.stop)
        texts = scene_levels(self.plan, Place(stop=place.stop))
        stood = {}
        for send in sorted({send for kept in state.nudges for send in kept}):
            asked, bounds, text = self._asked(state.nudges, send), self.plan.bounds[send], texts[send]
            if not asked.is_any or bounds is None or text is None:
                continue
            alone = with_nudges(no_nudges(), Lasts.NIGHT, {send: Nudge(shift=asked.shift, lift=asked.lift)})
            level = target(text, send, alone, 0, bounds)
            held = isinstance(text, int) and isinstance(level, int) and level < text + asked.shift
            held = held or send in state.nudges[Lasts.HELD]
            if level is not None:
                stood[send] = Stood(asked.shift, level, text, held, self._since.get(send, 0))
        visit.stood[visit.last] = stood
        visit.left = at

    def _end_visit(self, at: int) -> None:
        visit = self._visit
        if visit is None:
            return
        self._visit = None
        visit.left = at
        for send in visit.stood.get(visit.last, ()):
            self._runs.setdefault(send, []).append(len(self.told.visits))
        self.told.visits.append(visit)


def _with_its_room(nudge: Nudge) -> Asked:
    """A nudge as if it had made no room for others: what it gave for that was a part of its lift where the send was off
    by itself, and else of its shift."""
    if not nudge.room:
        return Asked(nudge.shift, nudge.lift)
    lifts = [one.lift or 0 for one in nudge.trail] + [nudge.lift or 0]
    steps = zip(nudge.trail, lifts, lifts[1:], strict=False)
    given = sum(before - after for gave, before, after in steps if gave.by == 0)
    return Asked(nudge.shift + nudge.room - given, None if nudge.lift is None else nudge.lift + given)
