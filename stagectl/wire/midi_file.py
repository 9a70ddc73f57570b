"""The events of a Standard MIDI File, from its bytes.

Source: Standard MIDI Files 1.0 (RP-001). Chunks of a kind that is not known are skipped, as it asks for. Reading takes
time in proportion to the bytes, whatever is in them, and no event is passed over without its time. (The mido library,
1.3.3, forgets the time before a meta event that it does not know, stops at an unknown chunk, and takes minutes over a
file that is one long number: it judges this reader in the tests.)
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from stagectl.wire.stream import data_bytes

SIZE_MAX: Final = 1024 * 1024
"""The largest file that is read, bytes. An hour of every note of a band takes less."""

NUMBER_BYTES_MAX: Final = 4
"""The longest variable-length number, bytes: 0x0FFFFFFF is the largest (RP-001, variable-length quantities)."""

FORMATS: Final = 3
"""0 is one track, 1 is tracks that play together, 2 is tracks that are songs of their own."""

META: Final = 0xFF
END_OF_TRACK: Final = 0x2F
SYSEX_STARTS: Final = (0xF0, 0xF7)
"""A SysEx message; and its continuation, or any bytes."""

FIRST_REAL_TIME: Final = 0xF8

HEADER_BYTES: Final = 6


class FileEvent(NamedTuple):
    """An event and its time in ticks since the track's beginning. `packet`: a message with its status byte; of a meta
    event FF, its type and its data; of SysEx F0 (or F7) and what follows its length."""

    tick: int
    packet: bytes


class MidiFile(NamedTuple):
    """`division`: ticks in a quarter note; None where the file counts in frames of a second."""

    format: int
    division: int | None
    tracks: tuple[tuple[FileEvent, ...], ...]


def read_midi_file(data: bytes, most: int = SIZE_MAX) -> MidiFile:
    """The file, of up to `most` bytes. Raises ValueError, in one sentence, where it is none, too long, cut short or
    damaged."""
    if not data:
        raise ValueError("it is empty")
    if len(data) > most:
        raise ValueError(f"it is longer than {most:,} bytes")
    if not data.startswith(b"MThd"):
        raise ValueError("it is no Standard MIDI File: it does not begin with `MThd`")
    chunks = _chunks(data)
    _, header = next(chunks)
    if len(header) < HEADER_BYTES:
        raise ValueError(f"it is damaged: its header has {len(header)} bytes, and not {HEADER_BYTES}")
    format_, count, division = (int.from_bytes(header[at : at + 2], "big") for at in (0, 2, 4))
    if format_ >= FORMATS:
        raise ValueError(f"it is of format {format_}; formats 0 to {FORMATS - 1} are known")
    if division == 0:
        raise ValueError("it is damaged: a quarter note has no ticks")
    found = [body for kind, body in chunks if kind == b"MTrk"][:count]
    if len(found) < count:
        raise ValueError(f"it is cut short: of its {count} tracks {len(found)} are there")
    tracks = tuple(tuple(_events(body, number)) for number, body in enumerate(found, 1))
    return MidiFile(format_, None if division >= 0x8000 else division, tracks)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at < len(data):
        kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        body = data[at + 8 : at + 8 + length]
        if len(body) < length or at + 8 > len(data):
            # What is no chunk may stand behind the last one; a track that lacks its end may not.
            if kind in (b"MThd", b"MTrk"):
                raise ValueError(f"it is cut short: a chunk `{kind.decode()}` is not whole")
            return
        yield kind, body
        at += 8 + length


class _Track:
    """Reads the bytes of a track from the first to the last."""

    def __init__(self, body: bytes, number: int) -> None:
        self.body, self.number, self.at = body, number, 0

    def damaged(self, why: str) -> ValueError:
        return ValueError(f"track {self.number} is damaged at byte {self.at:,}: {why}")

    def byte(self) -> int:
        if self.at >= len(self.body):
            raise self.damaged("it ends within an event")
        self.at += 1
        return self.body[self.at - 1]

    def number_(self) -> int:
        value = 0
        for _ in range(NUMBER_BYTES_MAX):
            byte = self.byte()
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise self.damaged(f"a number of more than {NUMBER_BYTES_MAX} bytes")

    def take(self, length: int) -> bytes:
        taken = self.body[self.at : self.at + length]
        if len(taken) < length:
            raise self.damaged("it ends within an event")
        self.at += length
        return taken


def _events(body: bytes, number: int) -> Iterator[FileEvent]:
    """The events of a track, up to its end."""
    track, tick, running = _Track(body, number), 0, 0
    while track.at < len(body):
        tick += track.number_()
        status = track.byte()
        if status == META:
            kind = track.byte()
            yield FileEvent(tick, bytes((META, kind)) + track.take(track.number_()))
            if kind == END_OF_TRACK:
                return
        elif status in SYSEX_STARTS:
            running = 0
            yield FileEvent(tick, bytes((status,)) + track.take(track.number_()))
        else:
            if status < 0x80:
                # Running status. RP-001 ends it at a meta event, but many files go on, and nothing else can be meant.
                track.at -= 1
                status = running
            running = status if status < SYSEX_STARTS[0] else 0
            yield FileEvent(tick, bytes((status,)) + _data(track, status))


def _data(track: _Track, status: int) -> bytes:
    # RP-001 has no system common messages in a file, but recorders write them, and their length is known.
    length = data_bytes(status) if 0x80 <= status < FIRST_REAL_TIME and status not in SYSEX_STARTS else None
    if length is None:
        raise track.damaged(f"{status:02X} is no event" if status else "data bytes with no status before them")
    data = track.take(length)
    if any(byte >= 0x80 for byte in data):
        raise track.damaged("a status byte within an event")
    return data
