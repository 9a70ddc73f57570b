"""Jobs by the clock on the wall, run by APScheduler in the daemon's own loop.

It is the only place that knows APScheduler, and is loaded only where a night has something to schedule. Jobs are
coroutines: they run in the loop's thread, one at a time between presses, and have to be short, or wait for a thread.
All is kept in memory: what a night has to say follows from its files, so nothing is to be found again after a restart.

APScheduler waits by the loop's monotonic clock until the next job. Where the clock on the wall is set meanwhile, it has
to be woken: `wake` has it compare anew. What is then too late by more than `GRACE_S` is missed, and told as such.

The triggers are our own. To add a job takes APScheduler half a millisecond, so one job says all reminders of a night: a
hundred jobs, planned anew when the clock is set, would hold up presses for as long. And its interval trigger makes up
for every period that has gone by, one by one: a clock that was set forward by a year would hold up presses for a tenth
of a second, and one that began in 1970 for seconds. Ours only looks ahead.
"""

from __future__ import annotations

import asyncio
import logging
from bisect import bisect_right
from collections.abc import Callable, Coroutine, Iterable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final, TypeAlias

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.executors.asyncio import AsyncIOExecutor
from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger

from stagectl.live.clock import GRACE_S

AT_ONCE_MAX: Final = 4
"""How often a job that ends at once may be under way."""

Job: TypeAlias = Callable[[], Coroutine[Any, Any, None]]

# What goes wrong is told in sentences of our own: the library's lines are for whoever asks for them.
logging.getLogger("apscheduler").addHandler(logging.NullHandler())


class Every(BaseTrigger):  # type: ignore[misc]
    """Fires a period after it was fired last, whenever that was."""

    __slots__ = ("period",)

    def __init__(self, period: timedelta) -> None:
        self.period = period

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """A period from now on."""
        return now + self.period


class At(BaseTrigger):  # type: ignore[misc]
    """Fires at some times, which are in UTC and in order, one after the other."""

    __slots__ = ("times",)

    def __init__(self, times: Sequence[datetime]) -> None:
        self.times = times

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """The first, or the next one; also where that is past, so that none is passed over in silence."""
        at = 0 if previous_fire_time is None else bisect_right(self.times, previous_fire_time)
        return self.times[at] if at < len(self.times) else None


class Schedule:
    """`missed` gets the key of a job and the time, in UTC, for which it came too late; `trouble` a sentence where a job
    fails or is not finished when it is due again. Made and used in a running loop's thread."""

    def __init__(self, zone: tzinfo, missed: Callable[[str, datetime], None], trouble: Callable[[str], None]) -> None:
        self._missed = missed
        self._trouble = trouble
        self._scheduler = AsyncIOScheduler(
            timezone=zone,
            jobstores={"default": MemoryJobStore()},
            executors={"default": AsyncIOExecutor()},
        )
        self._scheduler.add_listener(self._happened, EVENT_JOB_MISSED | EVENT_JOB_ERROR | EVENT_JOB_MAX_INSTANCES)
        self._scheduler.start()

    def at(self, key: str, times: Iterable[datetime], job: Job, *, grace_s: int | None = GRACE_S) -> None:
        """Do a job at some aware times, each time for itself; for a time that is past at once, and not any more where
        it is past by more than `grace_s`. A job of the same key is replaced. It has to end at once: where the clock is
        set in the moment in which it runs, it may run twice at a time."""
        found = sorted({at.astimezone(UTC) for at in times})
        if not found:
            self.drop(key)
            return
        self._scheduler.add_job(
            job,
            At(found),
            id=key,
            replace_existing=True,
            misfire_grace_time=grace_s,
            coalesce=False,
            max_instances=AT_ONCE_MAX,
        )

    def every(self, key: str, period_ns: int, job: Job) -> None:
        """Do a job again and again, the first time a period from now on, and however late it is. It never runs twice at
        a time. Given again, its period begins anew."""
        self._scheduler.add_job(
            job,
            Every(timedelta(microseconds=period_ns // 1000)),
            id=key,
            replace_existing=True,
            misfire_grace_time=None,
            coalesce=True,
            max_instances=1,
        )

    def drop(self, key: str) -> None:
        """Forget a job; one that is not known is none."""
        if self._scheduler.get_job(key) is not None:
            self._scheduler.remove_job(key)

    def wake(self) -> None:
        """The clock on the wall was set: work out anew what is due."""
        self._scheduler.wakeup()

    def _happened(self, event: Any) -> None:
        if event.code == EVENT_JOB_MISSED:
            self._missed(event.job_id, event.scheduled_run_time)
        elif event.code == EVENT_JOB_MAX_INSTANCES:
            self._trouble(f"{event.job_id}: the last time is not over yet, so this time is left out")
        elif not isinstance(event.exception, asyncio.CancelledError):
            self._trouble(f"{event.job_id}: {type(event.exception).__name__}: {event.exception}")

    async def close(self) -> None:
        """Do nothing more. What is being done is broken off."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
            # It ends in the loop's next round.
            await asyncio.sleep(0)
