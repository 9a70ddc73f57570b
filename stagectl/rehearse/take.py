"""Pedal takes: a Standard MIDI File of what pedals sent, each track named after its pedal.

Source: Standard MIDI Files 1.0 (RP-001). Times are worked out in whole nanoseconds from the ticks and the tempo
changes of all tracks; without one, a quarter note lasts 500,000 µs.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple

from stagectl.errors import Fault, FileFaults, nearest
from stagectl.pedals.fine import PAIR_WAIT_NS
from stagectl.pedals.hear import MidiEar
from stagectl.regular import open_regular
from stagectl.rehearse.room import Timed
from stagectl.show.load import Show
from stagectl.show.values import NAME_MAX
from stagectl.wire.midi_file import META, FileEvent, read_midi_file

TEMPO_DEFAULT: Final = 500_000
"""Microseconds a quarter note, where the file says nothing."""

EVENTS_MAX: Final = 1_000_000

TAKE_BYTES_MAX: Final = 8 * 2**20
"""The longest take, bytes: so many messages of eight bytes each."""

TEXT, TRACK_NAME, MARKER, CUE_POINT, SET_TEMPO = 0x01, 0x03, 0x06, 0x07, 0x51
"""Meta events that are looked at (RP-001)."""


class Times:
    """The time of every tick. `tempos`: the changes by tick, in their order, the first at tick 0, µs a quarter note."""

    def __init__(self, tempos: Sequence[tuple[int, int]], per_quarter: int) -> None:
        self._per_quarter = per_quarter
        self._ticks = [tick for tick, _ in tempos]
        self._tempos = [tempo for _, tempo in tempos]
        self._totals = [0]
        for (tick, tempo), (after, _) in pairwise(tempos):
            self._totals.append(self._totals[-1] + (after - tick) * tempo)

    def ns(self, tick: int) -> int:
        """The time of a tick, ns, rounded down once at the end."""
        at = max(0, bisect_left(self._ticks, tick) - 1)
        return (self._totals[at] + (tick - self._ticks[at]) * self._tempos[at]) * 1000 // self._per_quarter


class Track(NamedTuple):
    """A track's name, its messages and its texts (markers and cue points too), by tick."""

    name: str
    messages: list[tuple[int, bytes]]
    texts: list[tuple[int, str]]


class Take(NamedTuple):
    """The tracks of a take, and the times of its ticks."""

    tracks: list[Track]
    times: Times


def read_take(path: Path, show: Show) -> list[Timed]:
    """The events of a pedal take, in the order of their times. Raises FileFaults."""
    take = open_take(path)
    ears = {pedal.name: MidiEar(at, show.mappings[pedal.mapping]) for at, pedal in enumerate(show.rig.pedals)}
    events: list[Timed] = []
    for track in take.tracks:
        ear = _ear(path, track.name, ears, sum(bool(one.messages) for one in take.tracks))
        quiet = 0
        for tick, packet in track.messages:
            at = take.times.ns(tick)
            if ear.waiting and at >= quiet:
                events += [Timed(quiet, event) for event in ear.settle()]
            events += [Timed(at, event) for event in ear.hear(packet)]
            quiet = at + PAIR_WAIT_NS
        events += [Timed(quiet, event) for event in ear.settle()]
    return sorted(events, key=lambda timed: timed.at)


def open_take(path: Path) -> Take:
    """The file. Raises FileFaults."""
    try:
        with open_regular(path) as opened:
            file = read_midi_file(opened.read(TAKE_BYTES_MAX + 1), TAKE_BYTES_MAX)
        if file.format == 2:
            raise ValueError("its tracks are independent songs (format 2), so they have no common time")
        if file.division is None:
            raise ValueError("it counts in frames of a second; a take counts in ticks of a quarter note")
    except (OSError, ValueError) as error:
        missing = isinstance(error, FileNotFoundError)
        reason = "there is no such file" if missing else f"no take: {getattr(error, 'strerror', None) or error}"
        raise FileFaults([Fault(str(path), 0, reason)]) from error
    tracks = [_track(events) for events in file.tracks]
    if sum(len(track.messages) for track in tracks) > EVENTS_MAX:
        raise FileFaults([Fault(str(path), 0, f"a take of more than {EVENTS_MAX:,} messages")])
    tempos = [
        (event.tick, int.from_bytes(event.packet[2:5], "big"))
        for events in file.tracks
        for event in events
        if event.packet[:2] == bytes((META, SET_TEMPO)) and len(event.packet) >= 5
    ]
    begins = [(0, TEMPO_DEFAULT)]
    return Take(tracks, Times(sorted(begins + tempos, key=lambda pair: pair[0]), file.division))


def _track(events: Iterable[FileEvent]) -> Track:
    name, messages, texts = "", [], []
    for tick, packet in events:
        if packet[0] != META:
            # F7 stands before bytes that are sent as they are: the rest of a SysEx message, most of all.
            messages.append((tick, packet.removeprefix(b"\xf7")))
        elif packet[1] == TRACK_NAME:
            # It is told to people: what would move a terminal's cursor is no part of it.
            name = "".join(char for char in packet[2:].decode("latin-1") if char.isprintable()).strip()[:NAME_MAX]
        elif packet[1] in (TEXT, MARKER, CUE_POINT):
            texts.append((tick, packet[2:].decode("latin-1")))
    return Track(name, messages, texts)


def _ear(path: Path, name: str, ears: dict[str, MidiEar], tracks: int) -> Any:
    """The ear of the pedal that a track is named after; the only pedal's, where there is only one of each."""
    low = {known.lower(): ear for known, ear in ears.items()}
    if name.lower() in low:
        return low[name.lower()]
    if len(ears) == 1 and tracks <= 1:
        return next(iter(ears.values()))
    if not name:
        return _Deaf()
    raise FileFaults([Fault(str(path), 0, f"the track `{name}` is named after no pedal{nearest(name, ears)}")])


class _Deaf:
    """Hears nothing: a track with no name, which holds the tempo."""

    waiting = False

    def hear(self, _: bytes) -> list[Any]:
        return []

    def settle(self) -> list[Any]:
        return []
