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
be older than that: it may move the zero a little, and nothing else.
"""

from __future__ import annotations

from typing import Final

from stagectl.core.actions import StartCue
from stagectl.core.advancing import arrive
from stagectl.core.cues import begin, keep, start
from stagectl.core.effects import Connected, Reason, Track, Tracked
from stagectl.core.events import PlayerCame, PlayerEnded, PlayerFailed, PlayerSaid, PlayerWent
from stagectl.core.plan import MS
from stagectl.core.players import Then
from stagectl.core.state import Place, Running
from stagectl.core.work import Presser, Work, refuse

JUMP_NS: Final = 500 * MS
"""A player that is further from where it was thought to be has jumped."""

GRACE_NS: Final = 500 * MS
"""How long a player takes to do what it was told: its buffers, its wire, and what it said just before."""

BY_TRACK: Final = "track"
"""What a track asks for."""


def next_due(track: Running | None, starts: int | None) -> int | None:
    """When a track has something to do by itself."""
    if track is None or track.due is None:
        return starts
    return track.due if starts is None else min(track.due, starts)


def track_due(work: Work) -> None:
    """A track is where something happens, or its time to start has come."""
    state, track = work.state, work.state.track
    if state.starts == work.at:
        work.set(starts=None)
        cue = work.plan.stops[state.place.stop].cue
        if cue is not None and track is None:
            begin(work, _by(work, cue.player), cue)
    elif track is not None and track.due == work.at:
        _got_there(work, track)


def _got_there(work: Work, track: Running) -> None:
    """The track is at its next section, or at its end."""
    cue = work.plan.stops[work.state.place.stop].cue
    assert cue is not None
    ahead = [section for section in cue.sections if section.position > track.done]
    if ahead and (cue.length_ns is None or ahead[0].position <= cue.length_ns):
        keep(work, track._replace(done=ahead[0].position))
        if work.state.place.stop < ahead[0].stop:
            _bring(work, track, Track.REACHED, ahead[0].position, ahead[0].stop)
    else:
        assert cue.length_ns is not None
        _end(work, track, cue.length_ns)


def _bring(work: Work, track: Running, what: Track, position: int, stop: int) -> None:
    """A track takes the night to a stop."""
    if work.state.place.base:
        _note(work, track, Track.HELD, position)
        return
    by = _note(work, track, what, position)
    work.set(brought=work.at)
    arrive(work, by, Place(stop=stop), starts=True, remembers=False)


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
    work.set(track=None, cued=work.at)
    by = _note(work, track, Track.ENDED, position)
    first = plan.first_of(work.song + 1)
    if cue is None or cue.then is Then.STAY or first is None:
        return
    if place.base:
        _note(work, track, Track.HELD, position)
        return
    work.set(brought=work.at)
    arrive(work, by, Place(stop=first), starts=True, begins=False, remembers=False)
    if cue.then is Then.START and plan.stops[first].cue is not None:
        work.set(starts=work.at + cue.pause_ns)


# -- the feet ---------------------------------------------------------------------------------------------


def start_cue(work: Work, by: Presser, action: StartCue) -> None:
    """Start the present song's track; where its sections follow it, the night goes to where the track is."""
    plan, state = work.plan, work.state
    stop = state.place.stop
    cue, track = plan.stops[stop].cue, state.track
    if cue is None:
        refuse(work, by, Reason.NO_CUE)
        return
    if track is not None and track.paused is None and work.at - track.since < plan.limits.settle_ns:
        refuse(work, by, Reason.JUST_STARTED)
        return
    position = None
    if action.here and stop != plan.first_of(plan.stops[stop].song):
        position = next((section.position for section in cue.sections if section.stop == stop), None)
        if position is None:
            refuse(work, by, Reason.NO_TIME)
            return
        if not plan.players[cue.player].seeks:
            refuse(work, by, Reason.CANNOT_SEEK, plan.players[cue.player].name)
            return
    if not start(work, by, cue, position):
        refuse(work, by, Reason.PLAYER_AWAY, plan.players[cue.player].name)
        return
    first = plan.in_force(stop, -cue.lead_ns)
    if position is None and first is not None and first != stop:
        arrive(work, by, Place(stop=first), starts=True)


# -- what players say -------------------------------------------------------------------------------------


def player_came(work: Work, event: PlayerCame) -> None:
    """It can be told things again. Nothing starts by itself."""
    work.set(players_here=work.state.players_here | {event.player})
    work.out(Connected(at=work.at, player=event.player, here=True))


def player_went(work: Work, event: PlayerWent) -> None:
    """The sound of the built-in player is gone with it, and its sections are up to the feet. One at the end of a wire
    plays on, and its sections come by the clock."""
    track = work.state.track
    out = {event.player}
    work.set(players_here=work.state.players_here - out, players_run=work.state.players_run - out)
    work.out(Connected(at=work.at, player=event.player, here=False))
    if track is not None and track.player == event.player and work.plan.players[event.player].is_ours:
        work.set(track=None)


def player_failed(work: Work, event: PlayerFailed) -> None:
    """The show goes on without the track: its sections are up to the feet."""
    track = work.state.track
    if track is not None and track.player == event.player and track.song == event.song:
        work.set(track=None)
        _note(work, track, Track.MISSED, track.position(work.at))


def player_ended(work: Work, event: PlayerEnded) -> None:
    """The track is played to its end."""
    track = work.state.track
    if track is not None and track.player == event.player and track.song == event.song:
        _end(work, track, track.position(work.at))


def player_said(work: Work, event: PlayerSaid) -> None:
    """A player says where it is."""
    state, track = work.state, work.state.track
    told = state.cued is not None and work.at - state.cued < GRACE_NS
    ran, one = event.player in state.players_run, {event.player}
    if ran is not event.runs:
        work.set(players_run=state.players_run | one if event.runs else state.players_run - one)
    if track is None:
        cue = work.plan.stops[state.place.stop].cue
        if event.runs and not ran and not told and cue is not None and cue.player == event.player:
            track = Running(cue.player, cue.number, work.song, work.at - event.position, event.position, work.at)
            work.set(starts=None)
            _follow(work, track, Track.RUNS, event.position)
        return
    if track.player != event.player:
        return
    if (track.paused is None) is not event.runs:
        if not told and event.runs:
            track = track._replace(paused=None, zero=work.at - event.position, done=event.position, since=work.at)
            _follow(work, track, Track.RUNS, event.position)
        elif not told:
            keep(work, track._replace(paused=event.position))
            _note(work, track._replace(paused=event.position), Track.STANDS, event.position)
        return
    if abs(event.position - track.position(work.at)) > JUMP_NS:
        if not told:
            track = track._replace(zero=work.at - event.position, done=event.position)
            _follow(work, track if event.runs else track._replace(paused=event.position), Track.JUMPED, event.position)
    elif event.runs:
        keep(work, track._replace(zero=work.at - event.position))
    else:
        keep(work, track._replace(paused=event.position))


def _follow(work: Work, track: Running, what: Track, position: int) -> None:
    """A track is somewhere else than was known: the night goes to the section in force there."""
    keep(work, track)
    stop = work.plan.in_force(work.state.place.stop, position)
    if stop is None or stop == work.state.place.stop:
        _note(work, track, what, position)
    else:
        _bring(work, track, what, position, stop)
