"""What pedals said, as a Standard MIDI File: to learn from again, or to rehearse a night with those feet.

Source: Standard MIDI Files 1.0 (RP-001). A track holds channel messages and SysEx; whatever else came over the wire
(real-time, song select, undefined bytes, what was cut short) stands as its F7 events, "all bytes to be transmitted", so
that every byte that was heard is kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from stagectl.learn.series import Packet
from stagectl.wire.midi import SYSEX, SYSEX_END
from stagectl.wire.midi_file import END_OF_TRACK, META, NUMBER_BYTES_MAX
from stagectl.wire.stream import data_bytes

PER_QUARTER: Final = 25_000
"""Ticks of a quarter note. At the tempo that counts where a file names none, 120 a minute, a tick is 20 µs."""

TICK_NS: Final = 500_000_000 // PER_QUARTER

WAIT_MAX: Final = 2 ** (7 * NUMBER_BYTES_MAX) - 1
"""The longest time between two events, ticks: an hour and a half. In a longer one stand texts without a letter."""

ESCAPE: Final = 0xF7
TEXT, TRACK_NAME = 0x01, 0x03
TOGETHER: Final = 1
"""The format of tracks that play together."""


def take_bytes(pedals: Iterable[tuple[str, Sequence[Packet]]]) -> bytes:
    """The file: a track for each pedal, by its name, with what it said, be it a whole message or not, and the times of
    that, ns, rounded to 20 µs. The first of all stands at the beginning. What has no bytes is left out."""
    heard = [(name, [one for one in packets if one[1]]) for name, packets in pedals]
    some = [(name, packets) for name, packets in heard if packets]
    zero = min((packets[0][0] for _, packets in some), default=0)
    header = b"".join(word.to_bytes(2, "big") for word in (TOGETHER, len(some), PER_QUARTER))
    tracks = (_chunk(b"MTrk", b"".join(_track(name, packets, zero))) for name, packets in some)
    return _chunk(b"MThd", header) + b"".join(tracks)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return kind + len(body).to_bytes(4, "big") + body


def _track(name: str, packets: Iterable[Packet], zero: int) -> Iterator[bytes]:
    """The bytes of a track's events, each with the time before it."""
    # Text is ASCII, which many a reader takes for Latin-1.
    yield _number(0) + _meta(TRACK_NAME, name.encode("latin-1", "replace"))
    before = 0
    for at, packet in packets:
        tick = max(before, round((at - zero) / TICK_NS))
        while tick - before > WAIT_MAX:
            yield _number(WAIT_MAX) + _meta(TEXT, b"")
            before += WAIT_MAX
        yield _number(tick - before) + _event(packet)
        before = tick
    yield _number(0) + _meta(END_OF_TRACK, b"")


def _event(packet: bytes) -> bytes:
    """What was heard, as an event; always with its status byte."""
    status, data = packet[0], packet[1:]
    if 0x80 <= status < SYSEX and len(data) == data_bytes(status) and _are_data(data):
        return packet
    if status == SYSEX and data[-1:] == bytes((SYSEX_END,)) and _are_data(data[:-1]):
        return bytes((SYSEX,)) + _number(len(data)) + data
    return bytes((ESCAPE,)) + _number(len(packet)) + packet


def _are_data(some: bytes) -> bool:
    return all(byte < 0x80 for byte in some)


def _meta(kind: int, data: bytes) -> bytes:
    return bytes((META, kind)) + _number(len(data)) + data


def _number(value: int) -> bytes:
    """A variable-length quantity: seven bits a byte, the highest first, all but the last with the top bit set."""
    out = bytes((value & 0x7F,))
    while value := value >> 7:
        out = bytes((value & 0x7F | 0x80,)) + out
    return out
