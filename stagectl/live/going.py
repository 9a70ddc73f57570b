"""How far the set has got: what is to go of it, for the countdown to the curfew."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.errors import JournalError
from stagectl.journal.read import open_read, song_began
from stagectl.show.load import Show
from stagectl.show.set_length import gaps_of, lengths_of, set_to_go


class Going:
    """Where the song is comes from its track, where one of known length runs, and else from when the song began: at
    its track's beginning, where there was one."""

    def __init__(self, show: Show, plan: Plan) -> None:
        self._show, self._plan = show, plan
        self._lengths = lengths_of(show, plan)
        self._gaps = gaps_of(show, plan)
        self._song = -1
        self._began = 0
        self._by_track: int | None = None
        """When the song's track began, with its count-in, as it ran last, ns."""

    def look(self, state: State) -> None:
        """The state after an event: a song may have begun."""
        song = self._plan.stops[state.place.stop].song
        if song != self._song:
            self._song, self._began, self._by_track = song, state.now, None
        track, cue = state.track, self._plan.stops[state.place.stop].cue
        if track is not None and track.song == song and track.paused is None and cue is not None:
            self._by_track = track.zero - cue.lead_ns

    def know(self, lengths: Mapping[int, int]) -> None:
        """So long are the tracks of songs by their stems, ns."""
        self._lengths = lengths_of(replace(self._show, lengths=lengths), self._plan)

    def take_up(self, state: State, zero: int, journal: Path) -> None:
        """A night goes on that was broken off in `state`. `zero`: what counts as its beginning, ns. `journal`: it tells
        when the song began."""
        self.look(state)
        if self._song < 0:
            return
        with suppress(JournalError), closing(open_read(journal)) as connection:
            at = song_began(connection, self._plan.song_name(state.place.stop))
            if at is not None:
                self._began = zero + at

    def go_on_from(self, other: Going, state: State) -> None:
        """A night goes on by edited files, in `state`; `other` has followed it by those of before. The song that it is
        in, by its name, began when it did."""
        self.look(state)
        if self._song < 0 or self._name != other._name:
            return
        self._began = other._began
        if self._by_track is None:
            self._by_track = other._by_track

    @property
    def _name(self) -> str | None:
        """The present song's."""
        first = None if self._song < 0 else self._plan.first_of(self._song)
        return None if first is None else self._plan.stops[first].name

    @property
    def began(self) -> int | None:
        """When the present song began, ns; None before the first."""
        return None if self._song < 0 else self._began

    def to_go(self, state: State, now: int) -> int | None:
        """What is to go of the set at a time, ns; None before its first song, and when it is over."""
        if self._song < 0:
            return None
        since, track = now - (self._began if self._by_track is None else self._by_track), state.track
        cue = self._plan.stops[state.place.stop].cue
        if track is not None and track.song == self._song and cue is not None:
            since = track.position(now) + cue.lead_ns
        return set_to_go(self._lengths, self._gaps, self._song, since) or None
