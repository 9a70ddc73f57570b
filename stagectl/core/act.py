"""What each action does to the night: one function an action, and the table that finds it.

Each either changes the state and records it, or refuses and changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from stagectl.core.actions import (
    Action,
    Back,
    ClearNudges,
    GoTo,
    Lasts,
    Next,
    Nothing,
    Nudge,
    Recall,
    StartCue,
    StopCue,
    SwitchLayer,
    Tell,
    Undo,
)
from stagectl.core.asking import want
from stagectl.core.effects import Arrived, Cue, Layered, Reason, RecallStored, Told
from stagectl.core.nudges import Nudges, Wish, nudged, touched, without
from stagectl.core.plan import CueCall
from stagectl.core.state import MovedNudges, MovedPlace, Place, Undoable
from stagectl.core.touch import DESK, take_all
from stagectl.core.work import Presser, Work, refuse


def act(work: Work, by: Presser, action: Action) -> None:
    """Do an action. What hands have moved on the desk until now comes before it."""
    if work.state.touches:
        take_all(work)
    DO[type(action)](work, by, action)


# -- places -----------------------------------------------------------------------------------------------


def _next(work: Work, by: Presser, _: Next) -> None:
    state = work.state
    if state.last_next is not None and work.at - state.last_next < work.plan.limits.settle_ns:
        refuse(work, by, Reason.TOO_SOON)
        return
    stop = state.place.stop + 1
    if stop >= len(work.plan.stops):
        refuse(work, by, Reason.LAST)
        return
    work.set(last_next=work.at)
    _arrive(work, by, Place(stop=stop), starts=True)


def _back(work: Work, by: Presser, _: Back) -> None:
    if work.state.place.stop == 0:
        refuse(work, by, Reason.FIRST)
        return
    _arrive(work, by, Place(stop=work.state.place.stop - 1), starts=False)


def _go_to(work: Work, by: Presser, action: GoTo) -> None:
    if work.state.place == Place(stop=action.stop) and work.state.recalled:
        refuse(work, by, Reason.ALREADY_THERE)
        return
    _arrive(work, by, Place(stop=action.stop), starts=True)


def _arrive(work: Work, by: Presser, place: Place, *, starts: bool) -> None:
    """Go to another stop. `starts`: whether its cue and its messages go out (not on the way back)."""
    state, plan = work.state, work.plan
    old, new = plan.stops[state.place.stop], plan.stops[place.stop]
    nudges = state.nudges if old.song == new.song else without(state.nudges, Lasts.SONG)
    if place != state.place:
        work.remember(MovedPlace(who=by.who, before=state.place, after=place, nudges_before=state.nudges))
    _settle(work, by, place, nudges)
    if starts:
        for message in new.messages:
            work.out(Told(at=work.at, press=by.press, message=message))
        begins = old.song != new.song and new.cue is not None and not new.cue.by_press
        if begins and new.cue is not None:
            _start(work, by, new.cue)


def _settle(work: Work, by: Presser, place: Place, nudges: Nudges) -> None:
    """Be at a place with these nudges: what the desk should have follows from it."""
    plan, was = work.plan, work.state.place
    old, new = plan.stops[was.stop], plan.stops[place.stop]
    work.set(place=place, nudges=nudges, recalled=True, left=frozenset())
    if was != place:
        work.out(Arrived(at=work.at, press=by.press, stop=place.stop, scene=place.scene))
    if old.song != new.song:
        _stop_all(work, by)
    scene = None if place.scene is None else plan.scenes[place.scene]
    if new.stored is not None and was.stop != place.stop:
        # What the desk itself stored is not known here: afterwards everything is asserted.
        work.set(asked=(None,) * len(work.state.asked))
        if work.state.desk_here:
            work.out(RecallStored(at=work.at, press=by.press, number=new.stored))
            work.carries(plan.link.recall_ns)
            work.set(known=work.state.known._replace(stored=work.at))
    fade_ns = new.fade_ns if scene is None else scene.fade_ns
    want(work, by, work.targets(), fade_ns=fade_ns)


def _recall(work: Work, by: Presser, action: Recall) -> None:
    place = Place(stop=work.state.place.stop, scene=action.scene)
    if action.scene is None:
        # Assert the present scene whole: what the desk has is taken as unknown.
        work.set(asked=(None,) * len(work.state.asked))
    elif place == work.state.place:
        refuse(work, by, Reason.ALREADY_THERE)
        return
    if place != work.state.place:
        before, nudges = work.state.place, work.state.nudges
        work.remember(MovedPlace(who=by.who, before=before, after=place, nudges_before=nudges))
    _settle(work, by, place, work.state.nudges)


# -- nudges -----------------------------------------------------------------------------------------------


def send_meant(work: Work, by: Presser, column: int | None, listener: int | None) -> int | Reason:
    """The send that an action means: the column of the action's listener, or of the presser's own."""
    whose = by.listener if listener is None else listener
    if whose is None:
        return Reason.NO_LISTENER
    if column is None:
        column = work.plan.own[whose]
        if column is None:
            return Reason.NO_OWN_INPUT
    return work.plan.send(whose, column)


def _nudge(work: Work, by: Presser, action: Nudge) -> None:
    send = send_meant(work, by, action.column, action.listener)
    if isinstance(send, Reason):
        refuse(work, by, send)
        return
    base = work.scene_levels(work.state.place)[send]
    bounds = work.bounds(send)
    if base is None or bounds is None:
        refuse(work, by, Reason.NOT_DRIVEN, work.plan.send_name(send))
        return
    wish = Wish(send=send, base=base, by=action.by, lasts=action.lasts, ride=work.state.rides.get(send, 0))
    nudges = nudged(wish, work.state.nudges, bounds)
    if isinstance(nudges, Reason):
        refuse(work, by, nudges, work.plan.send_name(send))
        return
    before = work.state.nudges
    work.remember(MovedNudges(who=by.who, song=work.song, before=before, after=nudges, sends=(send,)))
    work.set(nudges=nudges)
    retarget(work, by, (send,), leading=send)


def retarget(work: Work, by: Presser, sends: tuple[int, ...], leading: int | None = None) -> None:
    """Work out the targets of some sends anew and take the desk there; a fade that runs goes on to its end."""
    base = work.scene_levels(work.state.place)
    wanted = list(work.state.wanted)
    for send in sends:
        wanted[send] = work.target(send, base)
    want(work, by, tuple(wanted), fade_ns=None, leading=leading)


def _clear(work: Work, by: Presser, action: ClearNudges) -> None:
    before = work.state.nudges
    if not action.everyone and by.listener is None:
        refuse(work, by, Reason.NO_LISTENER)
        return
    moved = touched(before) | work.state.left
    gone = {send for send in moved if action.everyone or work.plan.listener_of(send) == by.listener}
    if not gone:
        refuse(work, by, Reason.NOTHING_TO_CLEAR)
        return
    after: Nudges = tuple(
        MappingProxyType({send: nudge for send, nudge in kept.items() if send not in gone}) for kept in before
    )
    sends = tuple(sorted(gone))
    work.remember(MovedNudges(who=by.who, song=work.song, before=before, after=after, sends=sends))
    work.set(nudges=after, left=work.state.left - gone)
    retarget(work, by, sends)


# -- undo -------------------------------------------------------------------------------------------------


def _undo(work: Work, by: Presser, _: Undo) -> None:
    """Take back the presser's last change that still stands: one that somebody changed again since, or whose
    song is over, is passed over."""
    entries = list(work.state.undo)
    for at in range(len(entries) - 1, -1, -1):
        entry = entries[at]
        if entry.who != by.who and not _by_hand_for(work, entry, by):
            continue
        del entries[at]
        if isinstance(entry, MovedPlace):
            if work.state.place == entry.after:
                work.set(undo=tuple(entries))
                _settle(work, by, entry.before, _song_nudges_back(work, entry))
                return
        elif (nudges := _put_back(work, entry)) is not None or _left_by_hand(work, entry):
            left = work.state.left - set(entry.sends)
            work.set(undo=tuple(entries), nudges=work.state.nudges if nudges is None else nudges, left=left)
            retarget(work, by, entry.sends, leading=entry.sends[0] if len(entry.sends) == 1 else None)
            return
    refuse(work, by, Reason.NOTHING_TO_UNDO)


def _by_hand_for(work: Work, entry: Undoable, by: Presser) -> bool:
    """Whether somebody's hand on the desk changed the presser's own mix: that is theirs to take back."""
    if entry.who != DESK or by.listener is None or isinstance(entry, MovedPlace):
        return False
    return all(work.plan.listener_of(send) == by.listener for send in entry.sends)


def _left_by_hand(work: Work, entry: MovedNudges) -> bool:
    """Whether the desk still stands where a hand has put it, and no nudge reaches."""
    return entry.who == DESK and not work.state.left.isdisjoint(entry.sends)


def _put_back(work: Work, entry: MovedNudges) -> Nudges | None:
    """The nudges without what the entry changed, or None where that does not stand any more. Of an entry
    whose song is over, only what lasts for the night counts."""
    out, any_changed = [], False
    for lasts in Lasts:
        kept, before, after = (nudges[lasts.value] for nudges in (work.state.nudges, entry.before, entry.after))
        put_back = dict(kept)
        if lasts is Lasts.NIGHT or entry.song == work.song:
            for send in entry.sends:
                if before.get(send) == after.get(send):
                    continue
                if kept.get(send) != after.get(send):
                    return None
                any_changed = True
                put_back.pop(send, None)
                if send in before:
                    put_back[send] = before[send]
        out.append(MappingProxyType(put_back))
    return tuple(out) if any_changed else None


def _song_nudges_back(work: Work, entry: MovedPlace) -> Nudges:
    """The nudges that lasted for the song that is gone back to; those of the night stay as they are now."""
    stops = work.plan.stops
    if stops[entry.before.stop].song == stops[entry.after.stop].song:
        return work.state.nudges
    return tuple(
        entry.nudges_before[lasts.value] if lasts is Lasts.SONG else work.state.nudges[lasts.value] for lasts in Lasts
    )


# -- cues and messages ------------------------------------------------------------------------------------


def _start(work: Work, by: Presser, cue: CueCall) -> None:
    playing = list(work.state.playing)
    playing[cue.player] = cue.number
    work.set(playing=tuple(playing))
    work.out(Cue(at=work.at, press=by.press, player=cue.player, number=cue.number, starts=True))


def _stop_all(work: Work, by: Presser) -> bool:
    """Stop whatever plays; whether anything did."""
    running = [(player, number) for player, number in enumerate(work.state.playing) if number is not None]
    for player, number in running:
        work.out(Cue(at=work.at, press=by.press, player=player, number=number, starts=False))
    work.set(playing=(None,) * len(work.state.playing))
    return bool(running)


def _start_cue(work: Work, by: Presser, _: StartCue) -> None:
    cue = work.plan.stops[work.state.place.stop].cue
    if cue is None:
        refuse(work, by, Reason.NO_CUE)
        return
    _start(work, by, cue)


def _stop_cue(work: Work, by: Presser, _: StopCue) -> None:
    if not _stop_all(work, by):
        refuse(work, by, Reason.NOT_PLAYING)


def _tell(work: Work, by: Presser, action: Tell) -> None:
    work.out(Told(at=work.at, press=by.press, message=action.message))


# -- what the feet do -------------------------------------------------------------------------------------


def _switch_layer(work: Work, by: Presser, action: SwitchLayer) -> None:
    if by.pedal is None:
        refuse(work, by, Reason.NO_PEDAL)
        return
    layers = list(work.state.layers)
    lies = layers[by.pedal]
    if lies is None and action.layer is None:
        refuse(work, by, Reason.NO_LAYER)
        return
    layers[by.pedal] = None if lies == action.layer else action.layer
    work.set(layers=tuple(layers))
    work.out(Layered(at=work.at, press=by.press, pedal=by.pedal, layer=layers[by.pedal]))


def _nothing(work: Work, by: Presser, _: Nothing) -> None:
    refuse(work, by, Reason.NOT_MAPPED)


DO: Final[Mapping[type, Callable[[Work, Presser, Any], None]]] = {
    Next: _next,
    Back: _back,
    GoTo: _go_to,
    Recall: _recall,
    Nudge: _nudge,
    ClearNudges: _clear,
    Undo: _undo,
    StartCue: _start_cue,
    StopCue: _stop_cue,
    Tell: _tell,
    SwitchLayer: _switch_layer,
    Nothing: _nothing,
}
