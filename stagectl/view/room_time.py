"""The time of the rehearsal room: the song with its sections, where its track is and what comes by itself, how fast
time passes, and the whole set to jump in."""

from __future__ import annotations

from typing import Any, NamedTuple

from stagectl.core.plan import MS, Plan
from stagectl.core.state import State
from stagectl.show.load import Show
from stagectl.show.set_length import lengths_of
from stagectl.view.room_board import place_of


class Passing(NamedTuple):
    """How time passes. `at`: the rehearsal's time, ns; `rate`: how many times as fast as on stage it passes now;
    `speed`: at which it was set; `still`: it is held still; `began`: when the present song began, ns; `plays`: what
    presses by itself (a script, the last night), None where nothing does; `done`: how many things that has done;
    `next_at`: when it does the next, ns."""

    at: int
    rate: int
    speed: int
    still: bool
    began: int
    plays: str | None = None
    done: int = 0
    next_at: int | None = None


class Timeline:
    """Boards of the songs of a show."""

    def __init__(self, show: Show, plan: Plan) -> None:
        self.plan = plan
        self._lengths = lengths_of(show, plan)

    def board(self, state: State, passing: Passing, now: int) -> dict[str, Any]:
        """The present song. Times in ms; positions since the track's beginning."""
        stop = self.plan.stops[state.place.stop]
        cue = stop.cue
        by_itself = {} if cue is None else {one.stop: one.position // MS for one in cue.sections}
        sections = [
            {"stop": at, "name": one.name if one.section >= 0 else None, "at": by_itself.get(at)}
            for at, one in enumerate(self.plan.stops)
            if one.song == stop.song
        ]
        length = self._lengths[stop.song] if stop.song >= 0 else None
        if cue is not None and cue.length_ns is not None:
            length = cue.length_ns
        track = state.track
        return {
            "now": now,
            "at": passing.at // MS,
            "rate": passing.rate,
            "speed": passing.speed,
            "still": passing.still,
            "began": passing.began // MS,
            "plays": passing.plays,
            "done": passing.done,
            "next": None if passing.next_at is None else passing.next_at // MS,
            "place": place_of(self.plan, state),
            "sections": sections,
            "length": None if length is None else length // MS,
            "lead": 0 if cue is None else cue.lead_ns // MS,
            "cue": None if cue is None else {"player": self.plan.players[cue.player].name, "press": cue.by_press},
            "then": None if cue is None else cue.then.value,
            "track": None
            if track is None
            else {"position": track.position(passing.at) // MS, "runs": track.paused is None},
            "starts": None if state.starts is None else state.starts // MS,
        }

    def whole(self, now: int) -> dict[str, Any]:
        """The whole set, to jump in."""
        songs: list[dict[str, Any]] = []
        for at, stop in enumerate(self.plan.stops):
            if stop.section < 0:
                songs.append({"name": stop.name, "stop": at, "number": stop.song + 1, "sections": []})
            else:
                songs[-1]["sections"].append({"name": stop.name, "stop": at})
        return {"now": now, "songs": songs}
