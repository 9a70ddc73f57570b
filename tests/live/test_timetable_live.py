"""Reminders as they are said in a night, in a loop whose clock on the wall can be set."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from virtual_time import VirtualLoop, played

from stagectl.live.clock import GRACE_S, LOOK_S, STEP_NS, ClockWatch
from stagectl.live.schedule import At, Every, Schedule
from stagectl.live.timetable import MISSED_MAX, NightJobs
from stagectl.show.reminders import Reminder, reminders
from stagectl.show.timetable import TimetableModel, on

SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)

EVENING: Final = {
    "zone": "Europe/Lisbon",
    "doors": "19:30",
    "set": "21:00",
    "curfew": "22:45",
    "remind": ["10 min"],
    "also": [{"at": "20:45", "say": "in-ears on"}],
}


def lisbon(text: str) -> datetime:
    """A time of November 2026, when Lisbon has UTC."""
    return datetime.fromisoformat(f"2026-11-{text}").replace(tzinfo=UTC)


class Listening:
    """A night's jobs, and what they say, with the time on the wall. `watched`: whether the clock is looked at every
    second, which a night of days has no need of."""

    def __init__(
        self,
        loop: VirtualLoop,
        typed: dict[str, Any],
        to_go: Callable[[], int | None] = lambda: None,
        watched: bool = True,
    ) -> None:
        self.loop = loop
        self.said: list[str] = []
        self.troubles: list[str] = []
        self.steps: list[float] = []
        timetable = TimetableModel.model_validate(typed)
        self.jobs = NightJobs(
            timetable=timetable,
            zone=timetable.here or UTC,
            remind=self.remind,
            trouble=self.troubles.append,
            to_go=to_go,
            now=loop.now,
        )
        self.first = self.jobs.begin()
        watch = ClockWatch(self._stepped, loop.wall_ns, lambda: loop.monotonic_ns)
        self._watching = asyncio.ensure_future(watch.forever()) if watched else None

    def remind(self, sentence: str) -> None:
        self.said.append(f"{self.loop.now():%H:%M:%S} {sentence}")

    def _stepped(self, by_s: float) -> None:
        self.steps.append(by_s)
        self.jobs.stepped(by_s)

    async def until(self, wall: datetime) -> None:
        """Until the clock on the wall shows a time, if nobody sets it."""
        await asyncio.sleep((wall - self.loop.now()).total_seconds())

    def take(self) -> list[str]:
        """What was said since the last time."""
        said, self.said = self.said, []
        return said

    async def end(self) -> None:
        if self._watching is not None:
            self._watching.cancel()
        await self.jobs.close()


Night = Callable[[Listening], Coroutine[Any, Any, None]]


def play(
    begins: str, night: Night, typed: dict[str, Any] = EVENING, to_go: int | None = None, watched: bool = True
) -> Listening:
    """A night of November 2026, from a time on."""

    async def whole(loop: VirtualLoop) -> Listening:
        listening = Listening(loop, typed, lambda: to_go, watched)
        await night(listening)
        await listening.end()
        return listening

    return played(lisbon(begins), whole)


def test_a_night_is_said_to_the_second() -> None:
    async def night(listening: Listening) -> None:
        assert listening.first == ["the timetable of 2026-11-27 (Europe/Lisbon): doors 19:30, set 21:00, curfew 22:45"]
        await listening.until(lisbon("28T02:00"))

    said = play("27T18:00", night)
    assert said.troubles == [] and said.steps == []
    assert said.said == [
        "19:20:00 doors in 10 min",
        "19:30:00 it is 19:30: doors",
        "20:00:00 set in 1 h",
        "20:30:00 set in 30 min",
        "20:45:00 in-ears on",
        "20:45:00 set in 15 min",
        "20:50:00 set in 10 min",
        "20:55:00 set in 5 min",
        "20:59:00 set in 1 min",
        "21:00:00 it is 21:00: set",
        "21:45:00 curfew in 1 h",
        "22:15:00 curfew in 30 min",
        "22:30:00 curfew in 15 min",
        "22:35:00 curfew in 10 min",
        "22:40:00 curfew in 5 min",
        "22:44:00 curfew in 1 min",
        "22:45:00 it is 22:45: curfew",
    ]


def test_what_is_past_when_it_begins_is_not_said() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T21:00"))

    said = play("27T20:52", night).said
    assert said == ["20:55:00 set in 5 min", "20:59:00 set in 1 min", "21:00:00 it is 21:00: set"]


def test_the_curfew_speaks_of_what_is_to_go() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T22:36"))

    assert play("27T22:20", night, to_go=12 * 60 * 10**9).said == [
        "22:30:00 curfew in 15 min; about 12 min of the set to go",
        "22:35:00 curfew in 10 min; about 12 min of the set to go, 2 min too long",
    ]


# -- the clock is set -----------------------------------------------------------------------------------------


def test_set_forward_what_was_jumped_over_is_told_and_the_rest_comes_in_time() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T19:00"))
        listening.loop.set_wall(HOUR + 40 * MINUTE)
        await asyncio.sleep(2)
        assert listening.steps == [pytest.approx(6000)]
        assert listening.take() == [
            "20:40:00 missed: doors in 10 min (19:20), it is 19:30: doors (19:30), set in 1 h (20:00), "
            "set in 30 min (20:30)"
        ]
        await listening.until(lisbon("27T20:51"))
        assert listening.take() == ["20:45:00 in-ears on", "20:45:00 set in 15 min", "20:50:00 set in 10 min"]

    assert play("27T18:00", night).troubles == []


def test_many_that_are_missed_are_counted() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T19:00"))
        listening.loop.set_wall(4 * HOUR)
        await asyncio.sleep(2)
        (line,) = listening.take()
        assert line.startswith("23:00:00 missed: doors in 10 min (19:20), ") and line.endswith(" and 11 more")
        assert line.count("(") == MISSED_MAX

    play("27T18:00", night)


def test_set_back_nothing_is_said_twice() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T20:52"))
        assert len(listening.take()) == 7
        listening.loop.set_wall(-HOUR)
        await listening.until(lisbon("27T20:56"))
        assert listening.steps == [pytest.approx(-3600)]
        assert listening.take() == ["20:55:00 set in 5 min"]

    play("27T18:00", night)


def test_set_back_what_had_been_missed_comes_at_its_time_after_all() -> None:
    """Somebody sets the clock an hour too far, and then right."""

    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T20:29"))
        listening.take()
        listening.loop.set_wall(HOUR)
        await asyncio.sleep(20)
        assert len(listening.take()) == 1
        listening.loop.set_wall(-HOUR)
        await listening.until(lisbon("27T20:46"))
        assert listening.take() == ["20:30:00 set in 30 min", "20:45:00 in-ears on", "20:45:00 set in 15 min"]

    play("27T18:00", night)


def test_what_is_late_by_less_than_the_grace_is_said_as_it_is() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T20:58:50"))
        listening.take()
        listening.loop.set_wall(30 * SECOND)
        await asyncio.sleep(2)
        assert listening.take() == ["20:59:20 set in 40 s"]
        await listening.until(lisbon("27T21:00:01"))
        assert listening.take() == ["21:00:00 it is 21:00: set"]

    play("27T18:00", night)


def test_a_clock_that_is_only_corrected_is_not_told_and_costs_nothing() -> None:
    async def night(listening: Listening) -> None:
        for _ in range(600):
            await asyncio.sleep(10)
            listening.loop.set_wall(timedelta(milliseconds=5))
        await listening.until(lisbon("27T21:00:01"))
        assert listening.steps == []
        assert len(listening.take()) == 10

    play("27T18:00", night)


def test_a_machine_without_a_clock_finds_its_night_when_it_finds_the_time() -> None:
    """It begins in 1970, and is set when it finds a network."""

    async def night(loop: VirtualLoop) -> None:
        listening = Listening(loop, EVENING)
        await asyncio.sleep(60)
        loop.set_wall(lisbon("27T20:40") - loop.now())
        await asyncio.sleep(2)
        (missed,) = listening.take()
        assert missed.startswith("20:40:00 missed: doors in 10 min (19:20)")
        await listening.until(lisbon("27T20:51"))
        assert listening.take() == ["20:45:00 in-ears on", "20:45:00 set in 15 min", "20:50:00 set in 10 min"]
        await listening.end()

    played(datetime(1970, 1, 1, 12, tzinfo=UTC), night)


@pytest.mark.parametrize("by", [-3600, -5, -1, 1, 5, GRACE_S - 1])
def test_set_in_the_very_moment_of_a_reminder_it_comes_once(by: int) -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("27T19:30"))
        listening.loop.set_wall(by * SECOND)
        await listening.until(lisbon("27T19:32"))
        assert [line[9:] for line in listening.take()] == ["doors in 10 min", "it is 19:30: doors"]

    assert play("27T18:00", night).troubles == []


class Set(NamedTuple):
    """The clock is set `by` so many seconds, after the night went on for `after`, and a moment."""

    after: int
    by: int


STEPS = st.lists(
    st.builds(Set, st.integers(5, 600), st.integers(-1_800, 1_800) | st.integers(-40, 40)), min_size=1, max_size=5
)

SLACK: Final = (LOOK_S + 1) * SECOND

SHORT: Final = {
    "zone": "Europe/Lisbon",
    "date": "2026-11-27",
    "doors": "19:10",
    "set": "19:14",
    "curfew": "19:25",
    "remind": ["3 min"],
}
"""A night of minutes. What is said of one of its times is at least a minute apart, so that a reminder that is late by
the grace is no other one."""


@pytest.mark.slow
@given(steps=STEPS)
def test_however_the_clock_is_set_each_reminder_comes_at_its_time_and_once(steps: list[Set]) -> None:
    """Against the ways that the clock on the wall has gone: between two steps it runs from one time to another."""
    ways: list[tuple[datetime, datetime]] = []

    async def night(listening: Listening) -> None:
        for one in [*steps, Set(1_800, 0)]:
            start = listening.loop.now()
            await asyncio.sleep(one.after + 0.3)
            ways.append((start, listening.loop.now()))
            listening.loop.set_wall(timedelta(seconds=one.by))

    listening = play("27T19:00", night, SHORT)
    assert listening.troubles == []
    model = TimetableModel.model_validate(SHORT)
    zone = model.here
    assert zone is not None
    some = reminders(model, on(model, lisbon("27T00:00").date(), zone))
    assert len({one.text for one in some}) == len(some)
    told = [line for line in listening.said if "missed: " not in line]
    missed = [line for line in listening.said if "missed: " in line]
    for one in some:
        passed = [(start, end) for start, end in ways if start + SLACK < one.at < end - SLACK]
        # Late by no more than the grace, it says how much there really was left.
        came = [line for line in told if _is(line, one)]
        assert len(came) <= 1
        assert came or not passed, one.text
        # What was jumped over is told, by name, or as one of many.
        if lisbon("27T19:00") < one.at < ways[-1][1] - SLACK:
            assert came or any(one.text in line or line.endswith(" more") for line in missed), one.text
    # Nothing else was said, and nobody is told of anything missed where nothing was jumped over.
    assert all(any(_is(line, one) for one in some) for line in told)
    jumps = sum(one.by > GRACE_S - LOOK_S for one in steps)
    assert len(missed) <= jumps


def _is(line: str, one: Reminder) -> bool:
    """Whether a line, with its time, is a reminder that came at its time, or late by no more than the grace."""
    at = datetime.fromisoformat(f"2026-11-27T{line[:8]}+00:00")
    in_time = timedelta() <= at - one.at <= GRACE_S * SECOND + SLACK
    return in_time and line[9:] in {one.text_at(at + s * SECOND / 10) for s in range(10)}


def test_a_step_is_a_second_or_more() -> None:
    steps: list[float] = []
    clocks = iter(range(0, 100, 10))
    wall = iter([0, 10 + STEP_NS, 20 + 2 * STEP_NS + 1, 30 + 2 * STEP_NS, 40])
    watch = ClockWatch(steps.append, lambda: next(wall), lambda: next(clocks) // 20 * 10)
    for _ in range(5):
        watch.look()
    assert steps == [pytest.approx(1, abs=1e-6), pytest.approx(-2, abs=1e-6)]


def test_a_look_between_whose_clocks_the_process_stood_still_counts_for_nothing() -> None:
    steps: list[float] = []
    # The second look reads the monotonic clock, is stopped for an hour, and then reads the clock on the wall.
    hour = 3600 * 10**9
    monotonic = iter([0, 0, 10**9, 10**9 + hour, 2 * 10**9 + hour, 2 * 10**9 + hour])
    wall = iter([0, 10**9 + hour, 2 * 10**9 + hour])
    watch = ClockWatch(steps.append, lambda: next(wall), lambda: next(monotonic))
    for _ in range(3):
        watch.look()
    assert steps == []


# -- more nights than one -------------------------------------------------------------------------------------


def test_left_running_it_goes_on_to_the_next_night() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("29T12:00"))

    said = play("27T18:00", night, watched=False).said
    assert len(said) == 34 and said[:17] == said[17:]


def test_a_date_that_is_past_is_said() -> None:
    async def night(listening: Listening) -> None:
        await listening.until(lisbon("29T12:00"))
        assert listening.first[-1] == "the night of the timetable, 2026-11-26, is over: nothing of it is reminded of"

    assert play("27T18:00", night, {**EVENING, "date": "2026-11-26"}, watched=False).said == []


def test_a_time_that_comes_twice_is_said_at_once_and_counted_to_its_first() -> None:
    """25 October 2026, Lisbon: the hour from 1:00 comes twice, the first time as summer time, an hour ahead of UTC."""

    async def night(loop: VirtualLoop) -> list[str]:
        typed = {"zone": "Europe/Lisbon", "date": "2026-10-24", "set": "23:30", "curfew": "1:30", "remind": []}
        listening = Listening(loop, typed)
        assert listening.first[1:] == [
            "`curfew`: 1:30 on 2026-10-25 comes twice, as clocks are put back then; the first is meant"
        ]
        await listening.until(datetime(2026, 10, 25, 3, tzinfo=UTC))
        await listening.end()
        return listening.said

    said = played(datetime(2026, 10, 24, 22, 31, tzinfo=UTC), night)
    assert said[0] == "23:30:00 curfew in 1 h"
    assert said[-1] == "00:30:00 it is 1:30: curfew"


# -- faults ---------------------------------------------------------------------------------------------------


def test_what_fails_is_told_in_a_sentence_and_stops_nothing_else(capfd: pytest.CaptureFixture[str]) -> None:
    async def night(loop: VirtualLoop) -> tuple[list[str], list[str]]:
        said: list[str] = []
        troubles: list[str] = []

        def remind(sentence: str) -> None:
            said.append(sentence)
            if sentence == "set in 10 min":
                raise OSError("nobody listens")

        jobs = NightJobs(
            timetable=TimetableModel.model_validate(EVENING),
            zone=UTC,
            remind=remind,
            trouble=troubles.append,
            now=loop.now,
        )
        jobs.begin()
        await asyncio.sleep(11 * 60)
        await jobs.close()
        return said, troubles

    said, troubles = played(lisbon("27T20:49:30"), night)
    assert said == ["set in 10 min", "set in 5 min", "set in 1 min", "it is 21:00: set"]
    assert troubles == ["`set in 10 min`: OSError: nobody listens"]
    assert capfd.readouterr() == ("", "")


def test_a_periodic_job_never_runs_twice_at_a_time_and_makes_up_for_nothing() -> None:
    async def night(loop: VirtualLoop) -> None:
        runs: list[str] = []
        troubles: list[str] = []
        takes = 0.0

        async def job() -> None:
            runs.append(f"{loop.now():%H:%M:%S}")
            await asyncio.sleep(takes)

        schedule = Schedule(UTC, lambda _, __: None, troubles.append)
        schedule.every("counting", 600 * 10**9, job)
        await asyncio.sleep(30 * 60 + 1)
        assert runs == ["18:10:00", "18:20:00", "18:30:00"]
        loop.set_wall(timedelta(days=365))
        schedule.wake()
        await asyncio.sleep(1)
        assert len(runs) == 4, "once, however many periods the clock has jumped over"
        runs.clear()
        takes = 15 * 60
        await asyncio.sleep(30 * 60)
        assert len(runs) == 2
        assert troubles == ["counting: the last time is not over yet, so this time is left out"]
        await schedule.close()
        await asyncio.sleep(3600)
        assert len(runs) == 2

    played(lisbon("27T18:00"), night)


def test_a_trigger_only_looks_ahead() -> None:
    """However long the clock was wrong, the next time is one step away: the scheduler makes up for the rest one by one,
    in the thread that presses wait for."""
    now = lisbon("27T18:00")
    for long_ago in (None, now - MINUTE, datetime(1970, 1, 1, tzinfo=UTC), now + HOUR):
        assert Every(10 * MINUTE).get_next_fire_time(long_ago, now) == now + 10 * MINUTE
    trigger = At([now, now + MINUTE])
    assert trigger.get_next_fire_time(None, now + HOUR) == now, "what is past comes too, to be told as missed"
    assert trigger.get_next_fire_time(now, now + HOUR) == now + MINUTE
    assert trigger.get_next_fire_time(now + MINUTE, now) is None


def test_a_night_with_nothing_by_the_clock_loads_no_scheduler() -> None:
    code = """
import asyncio, sys
from datetime import UTC
from stagectl.live.timetable import NightJobs

async def night() -> None:
    jobs = NightJobs(timetable=None, zone=UTC, remind=print, trouble=print)
    assert jobs.begin() == []
    jobs.stepped(3600.0)
    await jobs.close()

asyncio.run(night())
print(sorted(name for name in sys.modules if name.startswith(("apscheduler", "tzlocal"))))
"""
    root = Path(__file__).resolve().parents[2]
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert run.stdout == "[]\n"


@pytest.mark.parametrize(
    ("tz", "says"),
    [
        ("Europe/Lisbon", "Europe/Lisbon 1:00:00"),
        (":Asia/Tokyo", "Asia/Tokyo 9:00:00"),
        # A rule without a name (POSIX, 8.3): its present offset is all that is left of it.
        ("XYZ-3", "None 3:00:00"),
        ("Nowhere/There", "None 0:00:00"),
    ],
)
def test_the_zone_of_this_machine(tz: str, says: str) -> None:
    code = """
from datetime import datetime
from stagectl.live.clock import local_zone
zone = local_zone()
print(getattr(zone, "key", None), datetime(2026, 7, 1, tzinfo=zone).utcoffset())
"""
    root = Path(__file__).resolve().parents[2]
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=root,
        env={**os.environ, "TZ": tz},
    )
    assert run.stdout == f"{says}\n"


def test_by_the_real_clock_and_the_library_s_own() -> None:
    """A reminder that is due a fifth of a second from now, on the minute after the next."""

    async def night() -> tuple[str, datetime, datetime]:
        now = datetime.now(UTC)
        entry = now.replace(second=0, microsecond=0) + 2 * MINUTE
        before = (entry - now).total_seconds() - 0.2
        heard: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        typed = {"zone": "UTC", "doors": f"{entry:%H:%M}", "remind": [f"{before:.6f} s"]}
        jobs = NightJobs(
            timetable=TimetableModel.model_validate(typed), zone=UTC, remind=heard.set_result, trouble=heard.set_result
        )
        jobs.begin()
        said = await asyncio.wait_for(heard, 20)
        await jobs.close()
        return said, now + timedelta(seconds=0.2), datetime.now(UTC)

    said, due, came = asyncio.run(night())
    assert said.startswith("doors in ") and came >= due - timedelta(milliseconds=2)
