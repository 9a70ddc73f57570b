"""Pedal takes: a Standard MIDI File of what pedals sent, each track named after its pedal.

Source: Standard MIDI Files 1.0 (RP-001). Times are worked out in whole nanoseconds from the ticks and the tempo
changes of all tracks; without one, a quarter note lasts 500,000 µs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from stagectl.errors import Fault, FileFaults, nearest
from stagectl.pedals.fine import PAIR_WAIT_NS
from stagectl.pedals.hear import MidiEar
from stagectl.rehearse.room import Timed
from stagectl.show.load import Show

TEMPO_DEFAULT: Final = 500_000
"""Microseconds a quarter note, where the file says nothing."""

EVENTS_MAX: Final = 1_000_000


def read_take(path: Path, show: Show) -> list[Timed]:
    """The events of a pedal take, in the order of their times. Raises FileFaults."""
    tracks, tempos, per_quarter = open_take(path)
    ears = {pedal.name: MidiEar(at, show.mappings[pedal.mapping]) for at, pedal in enumerate(show.rig.pedals)}
    events: list[Timed] = []
    for name, messages in tracks:
        ear = _ear(path, name, ears, sum(bool(said) for _, said in tracks))
        quiet = 0
        for tick, packet in messages:
            at = tick_ns(tick, tempos, per_quarter)
            if ear.waiting and at >= quiet:
                events += [Timed(quiet, event) for event in ear.settle()]
            events += [Timed(at, event) for event in ear.hear(packet)]
            quiet = at + PAIR_WAIT_NS
        events += [Timed(quiet, event) for event in ear.settle()]
    return sorted(events, key=lambda timed: timed.at)


def open_take(path: Path) -> tuple[list[tuple[str, list[tuple[int, bytes]]]], list[tuple[int, int]], int]:
    """The tracks with their names and messages by tick, the tempo changes by tick, and the ticks a quarter note.
    Raises FileFaults."""
    import mido
    from mido.midifiles.meta import KeySignatureError

    try:
        file = mido.MidiFile(str(path))
        if file.type == 2:
            raise ValueError("its tracks are independent songs (format 2), so they have no common time")
        per_quarter = int(file.ticks_per_beat)
        if per_quarter <= 0 or per_quarter >= 0x8000:
            raise ValueError("it counts in frames of a second; a take counts in ticks of a quarter note")
        tracks, tempos = [], [(0, TEMPO_DEFAULT)]
        for track in file.tracks:
            tick, name, messages = 0, "", []
            for message in track:
                tick += int(message.time)
                if message.type == "track_name":
                    name = str(message.name).strip()
                elif message.type == "set_tempo":
                    tempos.append((tick, int(message.tempo)))
                elif not message.is_meta:
                    messages.append((tick, bytes(message.bin())))
            tracks.append((name, messages))
    except (OSError, EOFError, ValueError, KeyError, IndexError, TypeError, KeySignatureError) as error:
        reason = "there is no such file" if isinstance(error, FileNotFoundError) else f"no take: {error or 'cut off'}"
        raise FileFaults([Fault(str(path), 0, reason)]) from error
    if sum(len(messages) for _, messages in tracks) > EVENTS_MAX:
        raise FileFaults([Fault(str(path), 0, f"a take of more than {EVENTS_MAX:,} messages")])
    return tracks, sorted(tempos, key=lambda pair: pair[0]), per_quarter


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


def tick_ns(tick: int, tempos: list[tuple[int, int]], per_quarter: int) -> int:
    """The time of a tick, ns, rounded down once at the end."""
    total, last, tempo = 0, 0, TEMPO_DEFAULT
    for at, new in tempos:
        if at >= tick:
            break
        total += (at - last) * tempo
        last, tempo = at, new
    return (total + (tick - last) * tempo) * 1000 // per_quarter
