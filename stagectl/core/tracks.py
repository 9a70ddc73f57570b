"""Tracks that move the night: what happens where a track gets to, and what its player says of itself.

A track's position is the time since its beginning; a count-in is before that, at positions below 0. The state keeps
when the position was 0 (`Running.zero`), so that where the track is follows from the monotonic clock alone, and the
next place that something happens at is due at a time like everything else here: a section that says where it begins,
and the end. Late wake-ups change nothing, and a rehearsal at any speed comes to the same.

Each place is done once, when it is passed: a section is recalled if the night is not there yet. So a foot that has gone
there before, or beyond, wins, and one that goes back stays back until the next section's time. Right after a track has
brought a section, the foot that was about to bring it itself is refused, as a second `next` would be. Where the levels
have fallen back to the base, no track takes them away from there: what it would have brought is only recorded.

A player that says where it is is right about it; one that begins to run by itself plays the present song. A small
difference moves the zero, so that the clock of its sound card is followed; one of more than `JUMP_NS` is a jump, and
the night goes to the section that is in force there. For `GRACE_NS` after a player was told something, what it says may
be older than that: what does not fit with it waits until then, and counts if nothing else was said by that time.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.actions import StartCue
from stagectl.core.advancing import arrive
from stagectl.core.cues import begin, keep, note, start, stop
from stagectl.core.effects import Connected, Reason, Track, Tracked
from stagectl.core.events import PlayerCame, PlayerEnded, PlayerFailed, PlayerSaid, PlayerWent
from stagectl.core.plan import MS
from stagectl.core.players import CueCall, Then
from stagectl.core.state import Place, Report, Running, State
from stagectl.core.touch import take_all
from stagectl.core.work import Presser, Work, refuse

JUMP_NS: Final = 500 * MS
"""A player that is further from where it was thought to be has jumped."""

GRACE_NS: Final = 500 * MS
"""How long a player takes to do what it was told: its buffers, its wire, and what it said just before."""

END_NS: Final = 1_000 * MS
"""A track that its player ends so shortly before the length that the setlist says has ended."""

BY_TRACK: Final = "track"
"""What a track asks for."""


def next_due(state: State) -> int | None:
    """When a track has something to do by itself, ns."""
    dues = [] if state.starts is None else [state.starts]
    if state.track is not None and state.track.due is not None:
        dues.append(state.track.due)
    if state.report is not None and state.cued is not None:
        dues.append(state.cued + GRACE_NS)
    return min(dues, default=None)


def track_due(work: Work) -> None:
    """A track is where something happens, or its time to start has come, or that to look at what its player said."""
    state, track = work.state, work.state.track
    if state.report is not None and state.cued is not None and state.cued + GRACE_NS == work.at:
        work.set(report=None)
        passed = work.at - state.report.at if state.report.runs else 0
        _hear(work, replace(state.report, position=state.report.position + passed, at=work.at))
    elif state.starts == work.at:
        work.set(starts=None)
        cue = work.plan.stops[state.place.stop].cue
        if cue is not None and track is None:
            by = _by(work, cue.player)
            if state.place.base:
                note(work, by, cue, Track.HELD)
            else:
                begin(work, by, cue)
    elif track is not None and track.due == work.at:
        _got_there(work, track)


def _cue(work: Work) -> CueCall | None:
    return work.plan.stops[work.state.place.stop].cue


def _got_there(work: Work, track: Running) -> None:
    """The track is at its next section, or at its end."""
    cue = _cue(work)
    assert cue is not None
    section = cue.ahead(track.done)
    if section is None:
        assert cue.length_ns is not None
        _end(work, track, cue.length_ns)
        return
    keep(work, replace(track, done=section.position))
    if work.state.place.stop < section.stop:
        _bring(work, track, Track.REACHED, section.position, section.stop)


def _bring(work: Work, track: Running, what: Track, position: int, stop_: int) -> None:
    """A track takes the night to a stop."""
    if work.state.place.base:
        _note(work, track, Track.HELD, position)
        return
    _go(work, _note(work, track, what, position), stop_)


def _go(work: Work, by: Presser, stop_: int, *, begins: bool = True) -> None:
    """The night goes to a stop with a track. What hands have moved on the desk until now comes before it. `begins`: as
    in `arrive`."""
    if work.state.touches:
        take_all(work)
    arrive(work, by, Place(stop=stop_), starts=True, begins=begins, remembers=False)
    work.set(brought=work.at)


def _note(work: Work, track: Running, what: Track, position: int) -> Presser:
    """Record where a track is, as a press of its own."""
    by = _by(work, track.player)
    due = track.zero + position if track.paused is None else work.at
    work.out(Tracked(at=work.at, press=by.press, player=track.player, what=what, position=position, due=due))
    return by


def _by(work: Work, player: int) -> Presser:
    return Presser(press=work.next_press(), who=work.plan.players[player].name, what=BY_TRACK)


def _end(work: Work, track: Running, position: int) -> None:
    """The track has ended: what its song says happens then."""
    plan, place = work.plan, work.state.place
    cue = plan.stops[place.stop].cue
    work.set(track=None, cued=work.at, report=None)
    by = _note(work, track, Track.ENDED, position)
    first = plan.first_of(work.song + 1)
    if cue is None or cue.then is Then.STAY or first is None:
        return
    if place.base:
        _note(work, track, Track.HELD, position)
        return
    _go(work, by, first, begins=False)
    then = plan.stops[first].cue
    if then is not None and cue.then is Then.START:
        work.set(starts=work.at + cue.pause_ns)
    elif then is not None:
        note(work, by, then, Track.WAITS)


# -- the feet ---------------------------------------------------------------------------------------------


def start_cue(work: Work, by: Presser, action: StartCue) -> None:
    """Start the present song's track; where its sections follow it, the night goes to where the track is."""
    plan, state = work.plan, work.state
    stop_ = state.place.stop
    cue, track = plan.stops[stop_].cue, state.track
    if cue is None:
        refuse(work, by, Reason.NO_CUE)
        return
    if track is not None and track.paused is None and work.at - track.since < plan.limits.settle_ns:
        refuse(work, by, Reason.JUST_STARTED)
        return
    position = None
    if action.here and stop_ != plan.first_of(plan.stops[stop_].song):
        position = next((section.position for section in cue.sections if section.stop == stop_), None)
        if position is None:
            refuse(work, by, Reason.NO_TIME)
            return
        if not plan.players[cue.player].seeks:
            refuse(work, by, Reason.CANNOT_SEEK, plan.players[cue.player].name)
            return
    if not start(work, by, cue, position):
        refuse(work, by, Reason.PLAYER_AWAY, plan.players[cue.player].name)
        return
    first = plan.in_force(stop_, -cue.lead_ns)
    if position is None and first is not None and first != stop_:
        # Where the levels have fallen back, they stay so until a foot goes on.
        arrive(work, by, Place(stop=first, base=state.place.base), starts=True)


# -- what players say -------------------------------------------------------------------------------------


def player_came(work: Work, event: PlayerCame) -> None:
    """It can be told things again. Nothing starts by itself; what it should have stopped, it stops now."""
    owed = dict(work.state.owed)
    track = owed.pop(event.player, None)
    work.set(players_here=work.state.players_here | {event.player}, owed=MappingProxyType(owed))
    work.out(Connected(at=work.at, pedal=None, player=event.player, here=True))
    if track is not None:
        stop(work, _by(work, event.player), track)


def player_went(work: Work, event: PlayerWent) -> None:
    """The sound of the built-in player is gone with it, and its sections are up to the feet. One at the end of a wire
    plays on, and its sections come by the clock, unless nobody knows any more what it does."""
    track = work.state.track
    out = {event.player}
    work.set(players_here=work.state.players_here - out, players_run=work.state.players_run - out)
    work.out(Connected(at=work.at, pedal=None, player=event.player, here=False))
    is_ours = work.plan.players[event.player].is_ours
    if track is not None and track.player == event.player and (is_ours or event.broken_off):
        work.set(track=None)
        _note(work, track, Track.LOST if is_ours else Track.UNKNOWN, track.position(work.at))
    if event.broken_off and work.state.starts is not None:
        work.set(starts=None)


def player_failed(work: Work, event: PlayerFailed) -> None:
    """The show goes on without the track: its sections are up to the feet."""
    track = work.state.track
    if track is not None and track.player == event.player and track.song == event.song:
        work.set(track=None)
        _note(work, track, Track.MISSED, track.position(work.at))


def player_ended(work: Work, event: PlayerEnded) -> None:
    """The track is played to its end."""
    track = work.state.track
    work.set(players_run=work.state.players_run - {event.player})
    if track is not None and track.player == event.player and track.song == event.song:
        _end(work, track, track.position(work.at))


def player_said(work: Work, event: PlayerSaid) -> None:
    """A player says where it is."""
    state = work.state
    report = Report(event.player, event.position, event.runs, work.at)
    told = state.cued is not None and work.at - state.cued < GRACE_NS
    if told and not _fits(state, report):
        work.set(report=report)
        return
    if state.report is not None and state.report.player == event.player:
        work.set(report=None)
    _hear(work, report)


def _fits(state: State, said: Report) -> bool:
    """Whether what a player says fits with what is known of it."""
    track = state.track
    if track is None or track.player != said.player:
        return not said.runs
    return (track.paused is None) is said.runs and not _is_away(track, said)


def _is_away(track: Running, said: Report) -> bool:
    return abs(said.position - track.position(said.at)) > JUMP_NS


def _hear(work: Work, said: Report) -> None:
    """What a player says counts."""
    track, cue = work.state.track, _cue(work)
    ran, one = said.player in work.state.players_run, {said.player}
    if ran is not said.runs:
        work.set(players_run=work.state.players_run | one if said.runs else work.state.players_run - one)
    if cue is None or (track is not None and track.player != said.player):
        return
    ends = cue.length_ns
    over = ends is not None and said.position >= ends
    if track is None:
        if said.runs and not ran and not over and cue.player == said.player:
            work.set(starts=None)
            begun = Running(cue.player, cue.number, work.song, work.at - said.position, said.position, work.at)
            _follow(work, begun, Track.RUNS, said.position)
        return
    moved = replace(track, zero=work.at - said.position) if said.runs else replace(track, paused=said.position)
    if (track.paused is None) is said.runs:
        if _is_away(track, said) and not over:
            _follow(work, replace(moved, done=said.position), Track.JUMPED, said.position)
        else:
            # Where it is over, its end is due at once.
            keep(work, replace(moved, done=said.position) if over else moved)
    elif said.runs:
        _follow(work, replace(moved, paused=None, done=said.position, since=work.at), Track.RUNS, said.position)
    elif ends is not None and said.position >= ends - END_NS:
        _end(work, track, said.position)
    else:
        keep(work, moved)
        _note(work, moved, Track.STANDS, said.position)


def _follow(work: Work, track: Running, what: Track, position: int) -> None:
    """A track is somewhere else than was known: the night goes to the section in force there. Where feet have gone on
    from that to a section that has no time in the track, they stay."""
    keep(work, track)
    cue, here = _cue(work), work.state.place.stop
    stop_ = work.plan.in_force(here, position)
    later = None if cue is None else cue.ahead(position)
    stays = stop_ is None or (stop_ <= here and (later is None or here < later.stop))
    if stop_ is None or stays:
        _note(work, track, what, position)
    else:
        _bring(work, track, what, position, stop_)
