"""What track players are told, and what of it the state remembers.

One track runs at a time: that of the present song. What it brings about by itself is in `tracks.py`. A player that has
to stop while it is away is told when it comes back, and so is one that says that it runs, whatever is known of it.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.actions import PauseCue, StopCue
from stagectl.core.effects import Cue, Reason, Tells, Track, Tracked
from stagectl.core.players import CueCall
from stagectl.core.state import Running
from stagectl.core.work import Presser, Work, refuse

NOTHING_DONE: Final = -1
"""Added to the position at which a track begins: what is due at that very place is still to be done."""


def due(work: Work, track: Running) -> int | None:
    """When a track gets to its next section, or to its end, ns: now, where that is in the past."""
    cue = work.plan.stops[work.state.place.stop].cue
    if track.paused is not None or cue is None:
        return None
    section = cue.ahead(track.done)
    position = cue.length_ns if section is None else section.position
    return None if position is None else max(track.zero + position, work.at)


def keep(work: Work, track: Running) -> None:
    """The track is so from now on."""
    work.set(track=replace(track, due=due(work, track)))


def start(work: Work, by: Presser, cue: CueCall, position: int | None = None) -> bool:
    """Start the present song's track, with its count-in, or at a position, ns; whether its player is here to be told.
    What happens at that very position is done already."""
    if cue.player not in work.state.players_here:
        return False
    begins = position is None
    at, done = (-cue.lead_ns, -cue.lead_ns + NOTHING_DONE) if position is None else (position, position)
    track = Running(cue.player, cue.number, work.song, zero=work.at - at, done=done, since=work.at)
    work.set(starts=None)
    _tell(work, by, track, Tells.START, at, begins=begins)
    keep(work, track)
    return True


def begin(work: Work, by: Presser, cue: CueCall) -> None:
    """The present song's track starts with the song, or by itself; where its player is away, the show goes on without
    it."""
    if not start(work, by, cue):
        note(work, by, cue, Track.MISSED)


def note(work: Work, by: Presser, cue: CueCall, what: Track) -> None:
    """Record what became of a start."""
    at = work.at
    work.out(Tracked(at=at, press=by.press, player=cue.player, what=what, position=-cue.lead_ns, due=at))


def stop_all(work: Work, by: Presser) -> bool:
    """Stop what plays, or is about to; whether anything was."""
    state = work.state
    track, others = state.track, state.players_run
    playing = [] if track is None else [track]
    playing += [_unknown(work, player) for player in sorted(others) if track is None or player != track.player]
    for one in playing:
        stop(work, by, one)
    if track is not None or state.starts is not None:
        work.set(track=None, starts=None)
    return bool(playing) or state.starts is not None


def stop(work: Work, by: Presser, track: Running) -> None:
    """Tell a player to stop, now or when it comes back."""
    if track.player in work.state.players_here:
        _tell(work, by, track, Tells.STOP, track.position(work.at))
    else:
        work.set(owed=MappingProxyType({**work.state.owed, track.player: track}))


def _unknown(work: Work, player: int) -> Running:
    """What a player plays that says that it runs, though nothing of it is known."""
    cue = work.plan.stops[work.state.place.stop].cue
    number = cue.number if cue is not None and cue.player == player else 0
    return Running(player, number, work.song, zero=work.at, done=0, since=work.at)


def stop_cue(work: Work, by: Presser, _: StopCue) -> None:
    """Stop what plays. A player at the end of a wire that says nothing of itself is told so too where its track should
    be over by its length: that may be a few seconds short."""
    if stop_all(work, by):
        return
    state, cue = work.state, work.plan.stops[work.state.place.stop].cue
    player = None if cue is None else work.plan.players[cue.player]
    if cue is None or player is None or player.is_ours or player.says or state.cued is None:
        refuse(work, by, Reason.NOT_PLAYING)
    else:
        stop(work, by, _unknown(work, cue.player))


def pause_cue(work: Work, by: Presser, _: PauseCue) -> None:
    """Pause, or go on."""
    track = work.state.track
    if track is None:
        refuse(work, by, Reason.NOT_PLAYING)
        return
    player = work.plan.players[track.player]
    if not player.pauses:
        refuse(work, by, Reason.CANNOT_PAUSE, player.name)
    elif track.player not in work.state.players_here:
        refuse(work, by, Reason.PLAYER_AWAY, player.name)
    elif track.paused is None:
        position = track.position(work.at)
        _tell(work, by, track, Tells.PAUSE, position)
        keep(work, replace(track, paused=position))
    else:
        _tell(work, by, track, Tells.GO_ON, track.paused)
        keep(work, replace(track, zero=work.at - track.paused, paused=None, since=work.at))


def _tell(work: Work, by: Presser, track: Running, tells: Tells, position: int, *, begins: bool = False) -> None:
    owed = {player: one for player, one in work.state.owed.items() if player != track.player}
    work.set(cued=work.at, report=None, owed=MappingProxyType(owed))
    work.out(
        Cue(
            at=work.at,
            press=by.press,
            player=track.player,
            number=track.number,
            song=track.song,
            tells=tells,
            position=position,
            begins=begins,
        )
    )
