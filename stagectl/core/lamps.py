"""Lamps: what a pedal is told back, so that the foot gets an answer.

A lamp shows something of the state as a small whole number: a song's number, or 1 and 0 for on and off. What each
should show follows from the state alone; the state keeps what each was told last. Whatever differs is told, the
latest value only and no more often than the wire carries: while one message is on its way, a lamp may change its mind
as often as it likes, and nothing queues. A pedal that went away, or whose wire did, is known to show nothing; when
both are here again, every lamp is told anew.

`light` is called after each event and after each thing that came due, at its nominal time; what has to wait is due at
a nominal time of its own (`Lights.due`). So late wake-ups make no difference here either.

A new kind of lamp is one row in `SHOWS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.effects import Lit, Reason, Refused
from stagectl.core.feet import Lamp
from stagectl.core.state import Lights
from stagectl.core.work import Work

OFF: Final = 0
ON: Final = 1

UNMEANT: Final = frozenset(
    (
        Reason.UNKNOWN,
        Reason.ALREADY_DOWN,
        Reason.ALREADY_UP,
        Reason.OUT_OF_RANGE,
        Reason.BOUNCE,
        Reason.PEDAL_WENT,
        Reason.JITTER,
        Reason.NOT_PICKED_UP,
    )
)
"""Refusals that no foot meant: of contacts, of the wire, of a treadle on its way to the level. They light no lamp."""


class Showing(Struct, frozen=True):
    """What a lamp should show. `until`: when that changes by the passing of time alone, ns; later than now."""

    value: int
    until: int | None = None


class Shows(Struct, frozen=True):
    """A kind of lamp. `now`: what it should show at the time of the work, of a pedal by its index. `is_number`: it
    shows a number from 0 to the number of songs, and not on and off. `lasts`: it can be told for how long it is on."""

    word: str
    help: str
    now: Callable[[Work, int, Lamp], Showing]
    is_number: bool = False
    lasts: bool = False


def _song(work: Work, _pedal: int, _lamp: Lamp) -> Showing:
    return Showing(work.plan.stops[work.state.place.stop].song + 1)


def _running(work: Work, _pedal: int, _lamp: Lamp) -> Showing:
    track = work.state.track
    return Showing(OFF if track is None or track.paused is not None else ON)


def _refused(work: Work, pedal: int, lamp: Lamp) -> Showing:
    last = work.state.lights[pedal].refused
    if last is None or work.at >= last + lamp.lasts_ns:
        return Showing(OFF)
    return Showing(ON, until=last + lamp.lasts_ns)


def _desk(work: Work, _pedal: int, _lamp: Lamp) -> Showing:
    return Showing(ON if work.state.desk_here else OFF)


def _hushed(work: Work, pedal: int, _lamp: Lamp) -> Showing:
    whose, hushed = work.plan.pedals[pedal].listener, work.state.hushed
    return Showing(ON if (hushed if whose is None else whose in hushed) else OFF)


SHOWS: Final[Mapping[str, Shows]] = {
    row.word: row
    for row in (
        Shows(word="song number", help="1 at the first song, 0 at the base", now=_song, is_number=True),
        Shows(word="track running", help="on while a track runs", now=_running),
        Shows(word="refused", help="on for a while after a press of this pedal was refused", now=_refused, lasts=True),
        Shows(word="desk here", help="off while the desk is away", now=_desk),
        Shows(word="hushed", help="on while the mix of the pedal's listener, or anybody's, is taken down", now=_hushed),
    )
}


def light(work: Work) -> None:
    """Tell each pedal that is here the next lamp that differs from what it should show, if its wire is free."""
    _note_refusals(work)
    after = tuple(
        _lit(work, pedal, lights) if lights.pedal_here and lights.wire_here else lights
        for pedal, lights in enumerate(work.state.lights)
    )
    if after != work.state.lights:
        work.set(lights=after)


def _lit(work: Work, pedal: int, lights: Lights) -> Lights:
    """One pedal's lamps after the work's present time: at most one is told, each in its turn."""
    lamps = work.plan.pedals[pedal].lamps
    showing = [SHOWS[lamp.shows].now(work, pedal, lamp) for lamp in lamps]
    differ = [at for at, (one, told) in enumerate(zip(showing, lights.told, strict=True)) if one.value != told]
    if differ and work.at >= lights.free:
        at = min(differ, key=lambda lamp: (lamp - lights.last - 1) % len(lamps))
        differ.remove(at)
        work.out(Lit(at=work.at, pedal=pedal, lamp=at, value=showing[at].value))
        told = (*lights.told[:at], showing[at].value, *lights.told[at + 1 :])
        lights = replace(lights, told=told, last=at, free=work.at + lamps[at].gap_ns)
    dues = [one.until for one in showing if one.until is not None] + ([lights.free] if differ else [])
    due = min(dues, default=None)
    return lights if due == lights.due else replace(lights, due=due)


def _note_refusals(work: Work) -> None:
    """Remember the refusals since the last look."""
    new = work.effects[work.looked_at :]
    work.looked_at = len(work.effects)
    for effect in new:
        if isinstance(effect, Refused) and effect.pedal is not None and effect.reason not in UNMEANT:
            _change(work, effect.pedal, refused=effect.at)


def pedal_is(work: Work, pedal: int, *, here: bool) -> None:
    """The pedal came or went: what its lamps show is not known any more."""
    if work.state.lights:
        _forget(work, pedal, pedal_here=here)


def wire_is(work: Work, pedal: int, *, here: bool) -> None:
    """The wire to the pedal's lamps came or went."""
    if work.state.lights:
        _forget(work, pedal, wire_here=here)


def _forget(work: Work, pedal: int, **here: bool) -> None:
    """Nothing is known of what the lamps show; if they are told anew, then from the first one on."""
    _change(work, pedal, told=(None,) * len(work.plan.pedals[pedal].lamps), last=-1, due=None, **here)


def _change(work: Work, pedal: int, **fields: Any) -> None:
    lights = list(work.state.lights)
    lights[pedal] = replace(lights[pedal], **fields)
    work.set(lights=tuple(lights))
