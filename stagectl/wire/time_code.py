"""Where a track is, as bytes: MIDI time code, and the song position pointer.

Source: MIDI Time Code (MIDI Manufacturers Association, RP-004/008) and the MIDI 1.0 Detailed Specification 4.2.1
(MTC quarter frame, song position pointer).

Time code names frames: 01:37:52:16 is the frame 16 of second 52. At `30 drop` a second has 30 names but lasts 1.001 s
(30,000 frames in 1,001 s), so names are left out to keep the hours right: the frames 00 and 01 of each minute, except
every tenth (RP-002, 3.2, drop frame notes). 10 minutes have 17,982 frames. Here a frame is a whole number, counted from
0 at 00:00:00:00; its name is worked out from that, and a day ends where the names begin anew.

A name goes out in eight pieces, a quarter of a frame apart, so that it takes two frames. It is the name of the frame
in which the first piece goes, and so two frames old when the next name begins.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final, NamedTuple

from stagectl.errors import WireError
from stagectl.wire.midi import SYSEX, SYSEX_END, split14

SECOND_NS: Final = 1_000_000_000

QUARTER_FRAME: Final = 0xF1
SONG_POSITION: Final = 0xF2

SONG_POSITION_MAX: Final = 0x3FFF
"""The last song position, in sixteenths: 14 bits."""

PIECES: Final = 8
"""Quarter frames that a name takes: it is said in so many nibbles, and every second frame."""

FRAMES_A_NAME: Final = 2

DEVICE_ALL: Final = 0x7F
"""The device number that every device listens to."""

SECONDS_A_DAY: Final = 24 * 60 * 60

DROPPED: Final = 2
"""Names that a minute lacks at `30 drop`, every tenth excepted."""


class Rate(NamedTuple):
    """Frames a second. `code`: as the bytes say it; `names`: how many names a second has; `real`: how many frames a
    second really has."""

    word: str
    code: int
    names: int
    real: Fraction

    @property
    def drops(self) -> bool:
        """Whether names are left out."""
        return self.real != self.names

    @property
    def day(self) -> int:
        """The frames of 24 hours of names."""
        left_out = 24 * 6 * 9 * DROPPED if self.drops else 0
        return SECONDS_A_DAY * self.names - left_out


RATES: Final = {
    rate.word: rate
    for rate in (
        Rate("24", 0, 24, Fraction(24)),
        Rate("25", 1, 25, Fraction(25)),
        Rate("30 drop", 2, 30, Fraction(30_000, 1_001)),
        Rate("30", 3, 30, Fraction(30)),
    )
}
"""The rates that MIDI time code knows, in the order of their codes."""

_BY_CODE: Final = tuple(RATES.values())


class TimeCode(NamedTuple):
    """The name of a frame."""

    hours: int
    minutes: int
    seconds: int
    frames: int

    def text(self, rate: Rate) -> str:
        """As people write it: a semicolon before the frames where names are left out."""
        return f"{self.hours:02}:{self.minutes:02}:{self.seconds:02}{';' if rate.drops else ':'}{self.frames:02}"


# -- positions, frames and their names --------------------------------------------------------------------------------


def frame_at(position: int, rate: Rate) -> int:
    """The frame that is on at a position (ns since 00:00:00:00). After 24 hours of names it begins anew at 0."""
    return int(position * rate.real // SECOND_NS) % rate.day


def frame_begins(frame: int, rate: Rate) -> int:
    """The first ns of a frame."""
    return _up(frame * SECOND_NS / rate.real)


def quarter_begins(quarter: int, rate: Rate) -> int:
    """The first ns of a quarter of a frame, counted from 0 at 00:00:00:00."""
    return _up(Fraction(quarter, 4) * SECOND_NS / rate.real)


def quarter_from(position: int, rate: Rate) -> int:
    """The first quarter of a frame that begins at or after a position, counted from 0 at 00:00:00:00."""
    # By its first ns: what begins within the ns before begins here.
    return int((position - 1) * 4 * rate.real // SECOND_NS) + 1


def _up(time: Fraction) -> int:
    return -int(-time // 1)


def name_of(frame: int, rate: Rate) -> TimeCode:
    """The name of a frame."""
    frame %= rate.day
    if rate.drops:
        # As if no name were left out: two more for each minute but every tenth. Ten minutes begin with one that lacks
        # none.
        tens, rest = divmod(frame, 600 * rate.names - 9 * DROPPED)
        minutes = max(0, rest - DROPPED) // (60 * rate.names - DROPPED)
        frame += (9 * tens + minutes) * DROPPED
    seconds, frames = divmod(frame, rate.names)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return TimeCode(hours, minutes, seconds, frames)


def frame_of(name: TimeCode, rate: Rate) -> int:
    """The frame of a name. A name that is left out stands for the next that is not (RP-002, 3.2, drop frame note 2).
    Raises WireError where a part is out of range."""
    for part, value, top in zip(TimeCode._fields, name, (23, 59, 59, rate.names - 1), strict=True):
        if not 0 <= value <= top:
            raise WireError(f"a time code of {value} {part} is outside 0 to {top}, at {rate.word} frames a second")
    minutes = name.hours * 60 + name.minutes
    frame = (minutes * 60 + name.seconds) * rate.names + name.frames
    if not rate.drops:
        return frame
    if minutes % 10 and name.seconds == 0 and name.frames < DROPPED:
        frame += DROPPED - name.frames
    return frame - DROPPED * (minutes - minutes // 10)


def named_at(time: int, rate: Rate) -> int:
    """Where a time that is meant as a name begins, ns since 00:00:00:00: 1:00:00 is 01:00:00:00. Whole seconds and
    frames are those of the name, which are off real time where names are left out. `time`: ns; a whole day of names
    more for each 24 hours."""
    if not rate.drops:
        return time
    seconds, part = divmod(time, SECOND_NS)
    days, seconds = divmod(seconds, SECONDS_A_DAY)
    minutes, seconds = divmod(seconds, 60)
    frames, part = divmod(part * rate.names, SECOND_NS)
    frame = days * rate.day + frame_of(TimeCode(*divmod(minutes, 60), seconds, frames), rate)
    return _up((frame * SECOND_NS + part) / rate.real)


# -- bytes ------------------------------------------------------------------------------------------------------------


def quarter_frame(quarter: int, rate: Rate) -> bytes:
    """The message for a quarter of a frame, counted from 0 at 00:00:00:00. Even frames begin a name."""
    number, piece = divmod(quarter, PIECES)
    name = name_of(number * FRAMES_A_NAME, rate)
    value = (name.frames, name.seconds, name.minutes, _hours(name, rate))[piece // 2]
    nibble = value >> 4 if piece % 2 else value & 0x0F
    return bytes((QUARTER_FRAME, piece << 4 | nibble))


def full_frame(frame: int, rate: Rate, device: int = DEVICE_ALL) -> bytes:
    """The whole name of a frame in one message: where a track is that does not run. Raises WireError for a device
    outside 0 to 127."""
    if not 0 <= device <= DEVICE_ALL:
        raise WireError(f"device {device} is outside 0 to {DEVICE_ALL}")
    return bytes((SYSEX, 0x7F, device, 0x01, 0x01, *name_bytes(frame, rate), SYSEX_END))


def name_bytes(frame: int, rate: Rate) -> bytes:
    """Hours (with the rate), minutes, seconds and frames, as full frames and locates have them."""
    name = name_of(frame, rate)
    return bytes((_hours(name, rate), name.minutes, name.seconds, name.frames))


def _hours(name: TimeCode, rate: Rate) -> int:
    return rate.code << 5 | name.hours


class Heard(NamedTuple):
    """A frame that a time code has named."""

    frame: int
    rate: Rate


def read_full_frame(packet: bytes) -> Heard | None:
    """What a full frame names; None for any other message, and where there is no such name."""
    if len(packet) != 10 or packet[:2] != b"\xf0\x7f" or packet[3:5] != b"\x01\x01" or packet[9] != SYSEX_END:
        return None
    if max(packet[2:9]) > 0x7F:
        return None
    return _heard(*packet[5:9])


def read_pieces(nibbles: tuple[int, ...]) -> Heard | None:
    """What the nibbles of eight quarter frames name, in the order of their pieces; None where there is no such name."""
    frames, seconds, minutes, hours = (low | high << 4 for low, high in zip(nibbles[::2], nibbles[1::2], strict=True))
    return _heard(hours, minutes, seconds, frames)


def _heard(hours: int, minutes: int, seconds: int, frames: int) -> Heard | None:
    """`hours`: with the rate, `0yyhhhhh`. Bits above that are reserved, and not looked at."""
    rate = _BY_CODE[hours >> 5 & 3]
    # Of the frames 5 bits count, of the minutes and seconds 6: the rest is reserved (RP-004/008).
    name = TimeCode(hours & 0x1F, minutes & 0x3F, seconds & 0x3F, frames & 0x1F)
    try:
        return Heard(frame_of(name, rate), rate)
    except WireError:
        return None


def song_position(unit: int) -> bytes:
    """The song position pointer: a number of sixteenths (six clocks each) since the beginning, LSB first. Raises
    WireError outside 0 to `SONG_POSITION_MAX`."""
    msb, lsb = split14(unit, "song position")
    return bytes((SONG_POSITION, lsb, msb))


def read_song_position(packet: bytes) -> int | None:
    """The sixteenth that a song position pointer names; None for any other message."""
    if len(packet) != 3 or packet[0] != SONG_POSITION or max(packet[1:]) > 0x7F:
        return None
    return packet[1] | packet[2] << 7
