"""What people are reminded of, by the clock on the wall: each thing once, when that clock says so, or told as missed.

The night's times are read from the setlist by a plain YAML reader (`shows.py`); the sentences are taken apart here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

CLOCK: Final = 15

GRACE_S: Final = 30
"""A reminder that is later than this is missed, s."""

NOTICED_S: Final = 5
"""How soon a clock that was set is noticed, s."""

SLACK_S: Final = 3
"""How soon something comes by that clock, s; so much it may be early where the clock was set meanwhile."""

COUNTED: Final = ("set", "curfew")
COUNTDOWN: Final = (60, 30, 15, 10, 5, 1)
"""Minutes before the set and the curfew (`README.md`: `run` counts down to both)."""

SPAN: Final = re.compile(r"(?:(\d+) h)? ?(?:(\d+) min)? ?(?:(\d+) s)?")


class Due(NamedTuple):
    """Something to be said, `before` minutes before a time of the night, at that time of UTC."""

    at: datetime
    name: str
    before: int


def dues(times: dict[str, str], remind: Iterable[int], day: datetime) -> list[Due]:
    """All of a night whose times are on one day."""
    out = []
    for name, text in times.items():
        hour, minute = map(int, text.split(":"))
        at = day.replace(hour=hour, minute=minute, second=0, microsecond=0)
        befores = {0, *remind, *(COUNTDOWN if name in COUNTED else ())}
        out += [Due(at - timedelta(minutes=before), name.replace("load in", "load-in"), before) for before in befores]
    return sorted(out)


class ClockRules:
    """Looks on, for as long as a process lasts."""

    def __init__(self, world: World) -> None:
        self.world = world
        day = world.clock.utc()
        self._all = dues(world.stage.timetable, world.stage.remind, day.astimezone(UTC))
        self.begins()

    def begins(self) -> None:
        """A process begins: it reminds of what is still to come."""
        self._told: set[Due] = set()
        self._gone: set[Due] = set()
        """What was told as missed: set back, the clock may say it after all."""
        self._since = self.world.clock.utc()
        self._stepped = self.world.clock.world

    def set_(self, by_ns: int) -> None:
        """Somebody sets the clock; that is noticed soon. What is to come by it then is missed no more."""
        self._stepped = self.world.clock.world
        soon = self.world.clock.utc() + timedelta(microseconds=by_ns // 1_000, seconds=NOTICED_S)
        self._gone = {one for one in self._gone if one.at <= soon}

    def said(self, sentence: str) -> None:
        """People are reminded of something."""
        if sentence.startswith("missed: "):
            self._missed(sentence.removeprefix("missed: "))
            return
        text = sentence.partition(";")[0]
        in_, at = re.fullmatch(r"([a-z -]+) in (.+)", text), re.fullmatch(r"it is [\d:]+: ([a-z -]+)", text)
        was = re.fullmatch(r"([a-z -]+) was at [\d:]+", text)
        found = in_ or at or was
        if found is None:
            return
        now, name = self.world.clock.utc(), found[1]
        fit = [
            one
            for one in self._all
            if one.name == name and -SLACK_S <= (now - one.at).total_seconds() <= GRACE_S + SLACK_S
        ]
        fresh = [one for one in fit if one not in self._told]
        if not fit:
            raise Broken(CLOCK, f"`{text}` is said at {now:%H:%M:%S}, when nothing of it is due")
        if not fresh:
            raise Broken(CLOCK, f"`{text}` is said twice, at {now:%H:%M:%S}")
        one = fresh[0]
        if in_ is not None and abs(_minutes(in_[2]) * 60 - (one.before * 60 - (now - one.at).total_seconds())) > 31:
            raise Broken(CLOCK, f"`{text}` is said at {now:%H:%M:%S}, and it is {one.before} min from {one.at:%H:%M}")
        self._told.add(one)

    def _missed(self, text: str) -> None:
        """What came too late to be said; where there are many, only some are named."""
        now = self.world.clock.utc()
        late = [
            one for one in self._all if one not in self._told and (now - one.at).total_seconds() > GRACE_S - SLACK_S
        ]
        named = re.findall(r"(?:it is [\d:]+: )?([a-z -]+?)(?: in ([^,()]+))? \(\d+:\d+\)", text)
        if not named:
            raise Broken(CLOCK, "it is told that something was missed, and not what")
        for name, before in named:
            minutes = round(_minutes(before)) if before else 0
            if not any((one.name, one.before) == (name.strip(), minutes) for one in late):
                raise Broken(CLOCK, f"`{name} {before}` is told as missed at {now:%H:%M:%S}, and was not due")
        self._gone.update(late)

    def settled(self) -> None:
        """Nothing has happened for long: what the clock has gone over was said, or told as missed."""
        life = self.world.life
        if life is None or not life.ready or self.world.clock.world - self._stepped < 4 * 10**9:
            return
        now = self.world.clock.utc()
        for one in self._all:
            gone = self._since + timedelta(seconds=SLACK_S) < one.at < now - timedelta(seconds=SLACK_S)
            if gone and one not in self._told | self._gone and self.world.clock.world - life.began > 4 * 10**9:
                raise Broken(CLOCK, f"nobody was told `{one.name}` {one.before} min before, at {one.at:%H:%M:%S}")


def _minutes(text: str) -> float:
    """`1 h 30 min` in minutes."""
    found = SPAN.fullmatch(text)
    if found is None:
        return 0.0
    hours, minutes, seconds = (int(one or 0) for one in found.groups())
    return hours * 60 + minutes + seconds / 60
