"""Where the night goes: next, back, go to, recall, fall back."""

from __future__ import annotations

from types import MappingProxyType

from msgspec.structs import asdict, replace

from stagectl.core.actions import Back, FallBack, GoTo, Lasts, Next, Recall
from stagectl.core.asking import left_at, want
from stagectl.core.cues import begin, stop_all
from stagectl.core.effects import Arrived, Reason, Told
from stagectl.core.nudges import Nudges, no_nudges
from stagectl.core.plan import Plan
from stagectl.core.state import Place, Wishes
from stagectl.core.stored import song_begins
from stagectl.core.whole_mixes import above_now
from stagectl.core.work import Presser, Work, refuse


def next_stop(work: Work, by: Presser, _: Next) -> None:
    """One stop on."""
    state = work.state
    if state.last_next is not None and work.at - state.last_next < work.plan.limits.settle_ns:
        refuse(work, by, Reason.TOO_SOON)
        return
    if state.brought is not None and work.at - state.brought < work.plan.limits.settle_ns:
        refuse(work, by, Reason.JUST_BROUGHT)
        return
    stop = state.place.stop + 1
    if stop >= len(work.plan.stops):
        refuse(work, by, Reason.LAST)
        return
    work.set(last_next=work.at)
    arrive(work, by, Place(stop=stop), starts=True)


def back(work: Work, by: Presser, _: Back) -> None:
    """One stop back."""
    if work.state.place.stop == 0:
        refuse(work, by, Reason.FIRST)
        return
    arrive(work, by, Place(stop=work.state.place.stop - 1), starts=False)


def go_to(work: Work, by: Presser, action: GoTo) -> None:
    """To a stop."""
    if work.state.place == Place(stop=action.stop) and work.state.recalled:
        refuse(work, by, Reason.ALREADY_THERE)
        return
    arrive(work, by, Place(stop=action.stop), starts=True)


def arrive(work: Work, by: Presser, place: Place, *, starts: bool, begins: bool = True, remembers: bool = True) -> None:
    """Go to another stop. `starts`: whether its messages go out, and (with `begins`) its track starts, where it does so
    with the song; not on the way back. `remembers`: whether it can be undone."""
    state, plan = work.state, work.plan
    old, new = plan.stops[state.place.stop], plan.stops[place.stop]
    wishes = replace(state.wishes, place=place, nudges=lasting(plan, state.nudges, state.place, place))
    if remembers:
        _change(work, by, wishes)
    else:
        # What feet did before is not to be undone from here on: they were not asked.
        work.set(undo=tuple(one for one in state.undo if one.before.place == one.after.place))
        settle(work, by, wishes)
    if starts:
        song = plan.begun(state.place.stop, place.stop)
        of_song = () if song is None or song is new else song.messages
        for message in (*of_song, *new.messages):
            work.out(Told(at=work.at, press=by.press, message=message))
        if begins and old.song != new.song and new.cue is not None and not new.cue.by_press:
            begin(work, by, new.cue)


def scope(plan: Plan, place: Place, lasts: Lasts) -> int:
    """What a nudge that lasts so long belongs to: two places with the same scope share it."""
    if lasts is Lasts.NIGHT:
        return 0
    if lasts is Lasts.HELD:
        scene = 0 if place.scene is None else place.scene + 1
        return 2 * (place.stop * (len(plan.scenes) + 1) + scene) + place.base
    return place.stop if lasts is Lasts.SECTION else plan.stops[place.stop].song


def lasting(plan: Plan, nudges: Nudges, old: Place, new: Place) -> Nudges:
    """The nudges that last from one place to another."""
    ended = [lasts for lasts in Lasts if nudges[lasts] and scope(plan, old, lasts) != scope(plan, new, lasts)]
    if not ended:
        return nudges
    return tuple(MappingProxyType({}) if Lasts(at) in ended else kept for at, kept in enumerate(nudges))


def _change(work: Work, by: Presser, wishes: Wishes) -> None:
    before = work.state.wishes
    settle(work, by, wishes)
    if wishes.place != before.place:
        work.remember(by.who, before)


def settle(work: Work, by: Presser, wishes: Wishes, *, gently: bool = False) -> None:
    """Be at a place with these nudges: what the desk should have follows from it, and from where it has whole mixes
    that the show leaves alone. `gently`: however short the fade of the place is."""
    plan, was, place = work.plan, work.state.place, wishes.place
    wishes, left = replace(wishes, above=above_now(plan, work.state)), left_at(work, work.state.left)
    old, new = plan.stops[was.stop], plan.stops[place.stop]
    work.set(**asdict(wishes), recalled=True, left=frozenset())
    if was != place:
        work.set(brought=None)
        work.out(Arrived(at=work.at, press=by.press, stop=place.stop, scene=place.scene, base=place.base))
    if old.song != new.song:
        stop_all(work, by)
    song = plan.begun(was.stop, place.stop)
    if song is not None:
        song_begins(work, by.press, song.stored)
    fade_ns = _fade(plan, was, place)
    want(work, by, work.aims(), fade_ns=max(fade_ns, plan.limits.gentle_ns) if gently else fade_ns, let_go=left)


def _fade(plan: Plan, was: Place, place: Place) -> int:
    """How long the change to a place takes: to the base that was fallen back to, and away from it, gently."""
    fade_ns = plan.stops[place.stop].fade_ns if place.scene is None else plan.scenes[place.scene].fade_ns
    return max(fade_ns, plan.limits.gentle_ns) if place.base or was.base else fade_ns


def recall(work: Work, by: Presser, action: Recall) -> None:
    """Assert the present scene whole, or lay a named one over it."""
    state = work.state
    if action.scene is None:
        work.set(retell=frozenset(range(len(state.asked))))
        place = Place(stop=state.place.stop)
    else:
        place = replace(state.place, scene=action.scene)
        if place == state.place:
            refuse(work, by, Reason.ALREADY_THERE)
            return
    nudges = lasting(work.plan, state.nudges, state.place, place)
    _change(work, by, replace(state.wishes, place=place, nudges=nudges))


def fall_back(work: Work, by: Presser, _: FallBack) -> None:
    """To the levels of the base, with nobody's nudges and rides; what is hushed stays so."""
    state = work.state
    place = Place(stop=state.place.stop, base=state.place.stop > 0)
    fallen = Wishes(place=place, nudges=no_nudges(), rides=MappingProxyType({}), hushed=state.hushed, above=state.above)
    if fallen == state.wishes and not state.left:
        refuse(work, by, Reason.ALREADY_THERE)
        return
    settle(work, by, fallen, gently=True)
    work.remember(by.who, state.wishes)
