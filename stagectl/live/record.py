"""Which night is played: a new one, or one that was broken off; and that nobody else plays it, nor drives its desk."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import stagectl
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.errors import DeviceError, JournalError, NightInUse, closest, nearest
from stagectl.journal.claim import Claim, ClaimedError, holder_of, make_own, name_of, running
from stagectl.journal.elsewhere import copied, unwritable
from stagectl.journal.paths import folders, new_path, ordered
from stagectl.journal.record import Recorder, begin
from stagectl.journal.schema import Night
from stagectl.live.broken_off import LOOKED_AT_MAX, BrokenOff, begun, broken_off, broken_off_of
from stagectl.live.own_zone import own_zone
from stagectl.ports.udp import machines
from stagectl.show.load import Show
from stagectl.show.timetable import timetable_at
from stagectl.typed import typed
from stagectl.zones import kept_zone

if TYPE_CHECKING:
    from stagectl.live.resume import TakenUp


class OtherVenueError(JournalError):
    """A night was broken off at another venue than the one that was asked for."""


class Record(NamedTuple):
    """The record of the night. `zero`: the monotonic time that counts as its beginning, ns. `taken_up`: how it goes on,
    where it was broken off; `state`: its state then."""

    recorder: Recorder
    zero: int
    taken_up: TakenUp | None = None

    @property
    def state(self) -> State | None:
        """The state that it goes on from."""
        return None if self.taken_up is None else self.taken_up.state


class DeskClaim:
    """The desk, for this process alone, by everything that it is called by."""

    def __init__(self, names: Iterable[str], wants: str) -> None:
        """`wants`: what the rig calls it. Raises DeviceError where another process drives it. Where there can be no
        claim, there is none."""
        self._claims: list[Claim] = []
        self._names: set[str] = set()
        self._wants = wants
        try:
            for name in sorted(names):
                self._claim(name)
        except ClaimedError as error:
            self.give_up()
            raise DeviceError(f"the desk at `{wants}` is driven by {error} already; end that first") from error

    def _claim(self, name: str) -> None:
        """Raises ClaimedError."""
        if name not in self._names:
            with suppress(OSError):
                self._claims.append(Claim(running() / name_of("desk", name)))
                self._names.add(name)

    def found_at(self, port: str) -> None:
        """The MIDI port at which it was found, by its full name: another rig may call the same one by another part of
        it. Raises DeviceError where another process drives it."""
        try:
            self._claim(_at_port(port))
        except ClaimedError as error:
            raise DeviceError(f"`{port}` is driven by {error} already; end that first") from error

    def again(self) -> str | None:
        """Claim it anew where what was claimed by was taken away. Returns what is the matter, if anything is."""
        for claim in self._claims:
            try:
                claim.again(waits=False)
            except ClaimedError as error:
                return f"the desk at `{self._wants}` is driven by {error} as well"
            except OSError:
                continue
        return None

    def give_up(self) -> None:
        """Let go of it."""
        while self._claims:
            self._claims.pop().give_up()


def desk_claim(show: Show) -> DeskClaim:
    """The desk, for this process alone. Raises DeviceError where another process drives it."""
    desk = show.rig.desk
    return DeskClaim(desk_names(show), desk.port or "{}:{}".format(*(desk.host or ("", 0))))


def desk_names(show: Show) -> list[str]:
    """Everything that a show's desk is called by where it is claimed."""
    desk = show.rig.desk
    if desk.port is not None:
        return [_at_port(desk.port)]
    host, port = desk.host or ("", 0)
    return [f"{machine}:{port}" for machine in machines(host)]


def _at_port(port: str) -> str:
    """What a MIDI port is claimed by. Each JACK server is a world of its own; ports are found whatever their case."""
    return f"{os.environ.get('JACK_DEFAULT_SERVER', '')} {port.lower()}"


def desk_driver(show: Show) -> int | None:
    """The process that drives a show's desk; None where none does. Nothing is claimed to find out."""
    paths = [running() / name_of("desk", name) for name in sorted(desk_names(show))]
    return next((pid for path in paths if (pid := holder_of(path)) is not None), None)


def record(
    show: Show,
    plan: Plan,
    venue: str | None,
    path: Path | None,
    *,
    fresh: bool,
    tell: Callable[[str | None], None],
    warn: Callable[[str], None],
) -> Record:
    """The night that is to be played. `path`: the journal that was asked for; `fresh`: no night is taken up again;
    `tell`: as in `Recorder`; `warn`: takes sentences. Raises JournalError where another process plays it, and where the
    journal that was asked for cannot be kept; OtherVenueError where a night was broken off elsewhere."""
    if path is not None and not path.exists():
        _may_be_begun(path)
        warn(f"a new night is begun in {path}")
    now, wall_us = time.monotonic_ns(), time.time_ns() // 1000
    try:
        found = None if fresh else _to_take_up(show, venue, path, wall_us, warn)
        if found is not None:
            from stagectl.live.resume import take_up

            taken = take_up(found, show, plan, now, wall_us, tell)
            return Record(recorder=taken.recorder, zero=taken.zero, taken_up=taken)
    except (NightInUse, OtherVenueError):
        raise
    except Exception as error:
        # Whatever is the matter with an old night, this one is played.
        if path is not None:
            raise
        warn(f"the last night is not taken up again: {error}; a new one is begun")
    return Record(recorder=_new(show, venue, path, now, wall_us, tell, warn), zero=now)


def _to_take_up(
    show: Show, venue: str | None, path: Path | None, wall_us: int, warn: Callable[[str], None]
) -> BrokenOff | None:
    """The night that was broken off, if it is this one. Raises OtherVenueError where it was at another venue."""
    found = broken_off_of(_setlist(show), path, wall_us, warn)
    if found is not None and found.head.venue != venue:
        raise _elsewhere(found, path)
    return found if found is None or path is not None else _writable(found, warn)


def _writable(found: BrokenOff, warn: Callable[[str], None]) -> BrokenOff | None:
    """A night whose journal can be written on: where that is not so, as on a disk that has become read-only, it goes on
    in a copy. None where that shows that it was over. Raises JournalError where there can be no copy."""
    trouble = unwritable(found.path)
    if trouble is None:
        return found
    says = f"the journal {found.path} cannot be written on: {trouble}"
    folder = found.path.parent
    try:
        copy = copied(found.path, [other for other in folders() if other != folder])
    except JournalError as error:
        raise JournalError(f"{says}; {error}") from error
    warn(f"{says}. {_copy_it(copy)}")
    again = broken_off(copy)
    return again and replace(again, lived_us=found.lived_us)


def _copy_it(where: Path) -> str:
    return f"The journal is kept in {where} instead, which a restart may empty: copy it tonight."


def venue_again(show: Show, path: Path | None) -> str | None:
    """The venue of the night that is taken up where none is named; None where there is no such night, or it was at
    none. `path`: the journal that was asked for. Raises NightInUse where another process plays it, and OtherVenueError
    where the show does not have that venue any more."""
    try:
        found = broken_off_of(_setlist(show), path, time.time_ns() // 1000)
    except NightInUse:
        raise
    except Exception:  # noqa: BLE001 - whatever is the matter with that night is said when it comes to be taken up
        return None
    if found is None or found.head.venue is None:
        return None
    if found.head.venue not in show.setlist.venues:
        raise _elsewhere(
            found, path, f", which the setlist does not have{nearest(found.head.venue, show.setlist.venues)}"
        )
    return found.head.venue


def _elsewhere(found: BrokenOff, path: Path | None, more: str = "") -> OtherVenueError:
    """Both ways on from a night that was broken off elsewhere."""
    there = found.head.venue
    on = "without `--venue`" if there is None else f"`--venue {typed(there)}`"
    new = "`--fresh`" if path is None else "another `--journal`"
    says = f"the night of {begun(found.head)} was broken off at {there or 'no venue'}{more}"
    return OtherVenueError(f"{says}: {on} goes on with it, {new} begins a new one")


def _may_be_begun(path: Path) -> None:
    """Whether a night may be begun at a path that was asked for. Raises JournalError where its folder is missing: it
    may be mistyped, and the night that was meant would lie elsewhere."""
    if path.parent.is_dir():
        return
    beside = ordered(*path.parent.parents, *folders())
    names = {one.name: one for one in beside[:LOOKED_AT_MAX]}
    near = closest(path.name, names)
    meant = f"; did you mean `{names[near]}`?" if near else "; make it first, if that is where it is to be"
    raise JournalError(f"there is no folder {path.parent} for the journal {path.name}{meant}")


def _setlist(show: Show) -> Path:
    return show.sources["setlist"].path.resolve()


def _zone(show: Show, venue: str | None, wall_us: int) -> tuple[str, int]:
    """What the journal's head says of the night's zone, which is the timetable's, or else this machine's: its name, or
    what its clocks are called now where it has none to keep; and its seconds east of UTC."""
    timetable = timetable_at(show.setlist, venue)
    if timetable is None or timetable.zone is None:
        zone = here = own_zone(wall_us / 1e6)
    else:
        zone, here = kept_zone(timetable.zone), ZoneInfo(timetable.zone)
    local = datetime.fromtimestamp(wall_us / 1e6, UTC).astimezone(here)
    offset = local.utcoffset() or timedelta()
    return (local.tzname() or "UTC") if zone is None else zone.key, offset // timedelta(seconds=1)


def _new(
    show: Show,
    venue: str | None,
    path: Path | None,
    now: int,
    wall_us: int,
    tell: Callable[[str | None], None],
    warn: Callable[[str], None],
) -> Recorder:
    zone, zone_offset = _zone(show, venue, wall_us)
    head = Night(
        setlist=show.setlist.title,
        venue=venue,
        begun_us=wall_us,
        zone=zone,
        zone_offset=zone_offset,
        program=stagectl.__version__,
        zero=now,
        path=str(_setlist(show)),
        files=show.files,
    )
    if path is not None:
        return begin(path, head, tell)
    # The night goes on, in the folder for temporary files, or in memory.
    folder, *others = known = folders()
    for other in others:
        try:
            return begin(new_path(folder, head.begun_us, *known), head, tell)
        except (JournalError, OSError) as error:
            warn(f"{error} {_copy_it(other)}")
            folder = other
            with suppress(OSError):
                make_own(folder)
    return begin(new_path(folder, head.begun_us, *known), head, tell)
