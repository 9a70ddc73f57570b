"""What a night does by the clock on the wall: what people are reminded of, countdowns, and the backup of the desk.

Nothing here touches a song, a level or a cue: those go by the monotonic clock, in the core.

When the clock was set, the night that is meant is looked for anew, and what has not been said of it is planned anew: a
reminder comes when the clock on the wall says so, and none comes twice. What the clock jumped over is said where it is
late by no more than the schedule's grace, or else told as missed; set back again, it comes at its time after all.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Final

from stagectl.live.clock import GRACE_S, local_zone
from stagectl.show.clock_values import MINUTE_NS, SECOND_NS, clock_text
from stagectl.show.reminders import Key, Reminder, due, night_text, reminders
from stagectl.show.timetable import OVER_NS, Entry, TimetableModel, clock_of, night_of, times, timetable_at
from stagectl.show.timetable_fit import change_text

if TYPE_CHECKING:
    from pathlib import Path

    from stagectl.core.plan import Plan
    from stagectl.core.state import State
    from stagectl.live.backup import Backup
    from stagectl.live.schedule import Schedule
    from stagectl.show.load import Show
    from stagectl.show.rig import RigModel

EVERY_NS: Final = 10 * MINUTE_NS
"""How often the desk's levels are written where the rig does not say, ns."""

SAID_MAX: Final = 2_000
"""Reminders that are remembered as said, or as missed; a night has some hundred. The oldest are forgotten."""

MISSED_MAX: Final = 6
"""Missed reminders that a sentence names; more are counted."""

LOOKED_NS: Final = 5 * SECOND_NS
"""How long before a step of the clock was noticed it may have happened, ns."""

MOMENT: Final = timedelta(seconds=2)
"""The schedule looks at the clock a moment before a reminder is said. Meanwhile it may have gone on, or have been set
by so little that nobody has noticed."""

REMINDERS: Final = "the reminders"
NEXT: Final = "the next night"
CURFEW: Final = "curfew"
BACKUP: Final = "the backup of the desk's levels"
"""What the jobs are called."""


def utc_now() -> datetime:
    """The time."""
    return datetime.now(UTC)


def backup_every(rig: RigModel, plan: Plan) -> int | None:
    """How often the desk's levels are to be written, ns; None where they are not: left to itself, that is where they
    cannot be read."""
    if rig.desk.backup_every is not None:
        return rig.desk.backup_every or None
    return EVERY_NS if plan.answers.reads else None


def night_jobs(
    show: Show,
    plan: Plan,
    venue: str | None,
    *,
    journal: Path,
    state: Callable[[], State],
    remind: Callable[[str], None],
    trouble: Callable[[str], None],
    to_go: Callable[[], int | None],
) -> NightJobs:
    """What a night at a venue does by the clock, with the desk's levels kept beside its journal."""
    timetable, every = timetable_at(show.setlist, venue), backup_every(show.rig, plan)
    if timetable is None and every is None:
        return NightJobs(timetable=None, zone=UTC, remind=remind, trouble=trouble)
    zone = (timetable.here if timetable is not None else None) or local_zone()
    where = f" at `{venue}`" if venue is not None else ""
    night = f"`{show.setlist.title}`{where}"
    backup = None
    if every is not None:
        from stagectl.live.backup import Backup, backup_path

        backup = Backup(plan, state, backup_path(journal), night, zone, trouble, utc_now)
    return NightJobs(
        timetable=timetable,
        zone=zone,
        remind=remind,
        trouble=trouble,
        to_go=to_go,
        backup=backup,
        backup_every=every,
    )


class NightJobs:
    """Everything that a night has scheduled. Used in the loop's thread.

    `remind` takes a sentence for people, `trouble` one of something that went wrong. `to_go`: what is to go of the set,
    ns, None while it is not running. `zone`: the timetable's, or else this machine's. `backup_every`: ns.
    """

    def __init__(
        self,
        *,
        timetable: TimetableModel | None,
        zone: tzinfo,
        remind: Callable[[str], None],
        trouble: Callable[[str], None],
        to_go: Callable[[], int | None] = lambda: None,
        backup: Backup | None = None,
        backup_every: int | None = None,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self.reminding = None if timetable is None else Reminding(timetable, zone, remind, trouble, to_go, now)
        self._zone = zone
        self._trouble = trouble
        self._backup = backup
        self._every = backup_every
        self._schedule: Schedule | None = None

    def begin(self) -> list[str]:
        """Plan the night. Returns what is planned, in sentences. Loads APScheduler where there is anything to do, which
        takes some 30 ms."""
        if self.reminding is None and (self._backup is None or self._every is None):
            return []
        from stagectl.live.schedule import Schedule

        self._schedule = Schedule(self._zone, self._missed, self._trouble)
        self._plan_backup()
        return [] if self.reminding is None else self.reminding.begin(self._schedule)

    @property
    def curfew_ms(self) -> int | None:
        """When it has to be quiet, on the wall, ms since 1970; None where the timetable does not say it."""
        night = () if self.reminding is None else self.reminding.night
        return next((round(one.at.timestamp() * 1000) for one in night if one.name == CURFEW and not one.own), None)

    def stepped(self, by_s: float) -> None:
        """The clock on the wall was set, by so many seconds."""
        if self._schedule is None:
            return
        if self.reminding is not None:
            self.reminding.stepped(by_s)
        self._plan_backup()
        self._schedule.wake()

    def _plan_backup(self) -> None:
        if self._schedule is not None and self._backup is not None and self._every is not None:
            self._schedule.every(BACKUP, self._every, self._backup.keep)

    def _missed(self, key: str, at: datetime) -> None:
        if self.reminding is not None and key == REMINDERS:
            self.reminding.missed(at)

    async def close(self) -> None:
        """Remind of nothing more, and keep the desk's levels a last time."""
        if self._schedule is not None:
            await self._schedule.close()
        if self._backup is not None and self._every is not None:
            await self._backup.close()


class Reminding:
    """Reminders and countdowns of the night that is meant."""

    def __init__(
        self,
        model: TimetableModel,
        zone: tzinfo,
        remind: Callable[[str], None],
        trouble: Callable[[str], None],
        to_go: Callable[[], int | None],
        now: Callable[[], datetime],
    ) -> None:
        self.model = model
        self.night: tuple[Entry, ...] = ()
        self._zone = zone
        self._remind = remind
        self._trouble = trouble
        self._to_go = to_go
        self._now = now
        self._schedule: Schedule | None = None
        self._waiting: dict[Key, Reminder] = {}
        self._said: dict[Key, None] = {}
        self._gone: dict[Key, None] = {}
        self._untold: list[Reminder] = []

    def begin(self, schedule: Schedule) -> list[str]:
        """Plan what is still to come. Returns the night in sentences."""
        self._schedule = schedule
        now = self._now()
        self._plan(now, now)
        if not self.night:
            return []
        day = min(self.night, key=lambda entry: entry.at.timestamp()).at.date()
        name = getattr(self._zone, "key", None) or str(self._zone)
        lines = [f"the timetable of {day} ({name}): {night_text(self.night)}"] if self.model.times else []
        lines += filter(None, map(change_text, self.night))
        if max(times(self.night)) < now:
            lines.append(f"the night of the timetable, {day}, is over: nothing of it is reminded of")
        return lines

    def stepped(self, by_s: float) -> None:
        """The clock was set: what it jumped over, and what is now to come, is planned anew."""
        now = self._now()
        before = now - timedelta(seconds=by_s, microseconds=LOOKED_NS // 1000)
        self._plan(now, min(before, now))

    def _plan(self, now: datetime, since: datetime) -> None:
        """Plan what waits of the night that is meant, and whatever of it is after a time and has not been said."""
        schedule = self._schedule
        assert schedule is not None
        self.night = night_of(self.model, now.astimezone(self._zone))
        whole = {one.key: one for one in reminders(self.model, self.night)}
        fresh = {
            one.key
            for one in due(whole.values(), since)
            if one.key not in self._said and (one.at > now or one.key not in self._gone)
        }
        self._waiting = {key: one for key, one in whole.items() if key in fresh or key in self._waiting}
        schedule.at(REMINDERS, (one.at for one in self._waiting.values()), self._say)
        if self.night and self.model.date_ is None:
            over = max(times(self.night)) + timedelta(microseconds=OVER_NS // 1000)
            schedule.at(NEXT, [over], self._next, grace_s=None)

    async def _next(self) -> None:
        """The night is over, and the daemon was left running: plan the next."""
        now = self._now()
        self._plan(now, now)

    async def _say(self) -> None:
        """Say whatever is due, and not too late: that is told as missed."""
        now = self._now()
        for key, one in list(self._waiting.items()):
            if -MOMENT <= now - one.at <= timedelta(seconds=GRACE_S) + MOMENT:
                del self._waiting[key]
                _note(self._said, key)
                try:
                    self._remind(one.text_at(now, self._to_go()))
                except Exception as error:  # noqa: BLE001 - one that fails keeps no other from being said
                    self._trouble(f"`{one.text}`: {type(error).__name__}: {error}")

    def missed(self, at: datetime) -> None:
        """The reminders of a time came too late to be of use. Those that are missed together are told together."""
        missed = [one for one in self._waiting.values() if one.at == at]
        for one in missed:
            del self._waiting[one.key]
            _note(self._gone, one.key)
        if missed and not self._untold:
            asyncio.get_running_loop().call_soon(self._tell_missed)
        self._untold += missed

    def _tell_missed(self) -> None:
        missed, self._untold = self._untold, []
        named = [f"{one.text} ({clock_text(clock_of(one.at.astimezone(self._zone)))})" for one in missed[:MISSED_MAX]]
        more = f" and {len(missed) - MISSED_MAX} more" if len(missed) > MISSED_MAX else ""
        self._remind(f"missed: {', '.join(named)}{more}")


def _note(some: dict[Key, None], key: Key) -> None:
    """Remember a key, and forget the oldest where there are too many."""
    some[key] = None
    if len(some) > SAID_MAX:
        del some[next(iter(some))]
