"""What only the show knows of a night: its timetable, when each song was to begin, and how loud a send may be.

What reads shows is loaded where there is one: it takes longer to load than a short night takes to read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Final, NamedTuple

from stagectl.core.levels import Level
from stagectl.report.figures import Mark, SendKey

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


class Planned(NamedTuple):
    """`zone`: the timetable's, None where it names none. `marks`: its times. `songs`: when each song was to begin, UTC,
    by name, where the timetable says when the set begins. `tops`: the highest level of each send, in the desk's steps.
    `listeners`: in the rig's order."""

    zone: tzinfo | None
    marks: Sequence[Mark]
    songs: Mapping[str, datetime]
    tops: Mapping[SendKey, Level]
    listeners: Sequence[str]
    unsaid: int = 0
    """Songs whose length nobody said, and which count as `UNSAID_NS`."""


NO_SHOW: Final = Planned(zone=None, marks=(), songs={}, tops={}, listeners=())


def planned(show: Show, plan: Plan, venue: str | None, begun: datetime) -> Planned:
    """What the show says of the night that began at an aware time."""
    from stagectl.show.set_length import lengths_of
    from stagectl.show.timetable import night_of, timetable_at

    model = timetable_at(show.setlist, venue if venue in show.setlist.venues else None)
    entries = () if model is None else night_of(model, begun)
    marks = [Mark(entry.name, entry.at.astimezone(UTC)) for entry in entries]
    begins = next((mark.at for mark in marks if mark.name == "set"), None)
    lengths = lengths_of(show, plan)
    return Planned(
        zone=None if model is None else model.here,
        marks=marks,
        songs={} if begins is None else _songs(show, plan, lengths, begins),
        tops=_tops(plan),
        listeners=plan.listeners,
        unsaid=0 if begins is None else sum(length is None for length in lengths),
    )


def _songs(show: Show, plan: Plan, lengths: Sequence[int | None], begins: datetime) -> Mapping[str, datetime]:
    from stagectl.show.set_length import UNSAID_NS, gaps_of

    out: dict[str, datetime] = {}
    at = 0
    for song, length, gap in zip(show.setlist.songs, lengths, [*gaps_of(show, plan), 0], strict=True):
        out[song.name] = begins + timedelta(microseconds=at // 1000)
        at += (UNSAID_NS if length is None else length) + gap
    return out


def _tops(plan: Plan) -> Mapping[SendKey, Level]:
    """The highest level that each send may have; whole mixes that the show lets be are the desk's own."""
    from stagectl.core.whole_mixes import is_left_alone

    sends = {names: send for names, send in plan.sends_by_name.items() if not is_left_alone(plan, send)}
    tops = {names: plan.in_steps(send, plan.tops[send]) for names, send in sends.items()}
    return {names: level for names, level in tops.items() if level is not None}
