"""How far the set has got: what is to go of it, for the countdown to the curfew."""

from __future__ import annotations

from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.show.load import Show
from stagectl.show.set_length import gaps_of, lengths_of, set_to_go


class Going:
    """Where the song is comes from its track, where one of known length runs, and else from when the song began."""

    def __init__(self, show: Show, plan: Plan) -> None:
        self._plan = plan
        self._lengths = lengths_of(show, plan)
        self._gaps = gaps_of(show, plan)
        self._song = -1
        self._began = 0

    def look(self, state: State) -> None:
        """The state after an event: a song may have begun."""
        song = self._plan.stops[state.place.stop].song
        if song != self._song:
            self._song, self._began = song, state.now

    def to_go(self, state: State, now: int) -> int | None:
        """What is to go of the set at a time, ns; None before its first song, and when it is over."""
        if self._song < 0:
            return None
        since, track = now - self._began, state.track
        cue = self._plan.stops[state.place.stop].cue
        if track is not None and track.song == self._song and cue is not None:
            since = track.position(now) + cue.lead_ns
        return set_to_go(self._lengths, self._gaps, self._song, since) or None
