"""MIDI machine control (MMC) and MIDI show control (MSC): what players and other consoles are told to do, as SysEx.

Sources: MIDI Machine Control 1.0 (RP-013) and MIDI Show Control 1.1 (RP-002). A device has a number, 0 to 111; 112 to
126 are groups of show control; 127 is everybody.

Show control says what is wanted, and never that it is safe: whatever can hurt (lifts, flying scenery, lasers, flames)
needs safety of its own, and people who look after it (RP-002, 4.1). The format `all` reaches such things too.
"""

from __future__ import annotations

import re
from typing import Final

from stagectl.errors import WireError, nearest
from stagectl.wire.midi import SYSEX, SYSEX_END
from stagectl.wire.time_code import DEVICE_ALL, SECOND_NS, Rate, frame_at, name_bytes

REAL_TIME: Final = 0x7F
"""The SysEx of everybody's that is acted on at once."""

MACHINE_COMMANDS: Final = {"stop": 0x01, "play": 0x02, "deferred play": 0x03, "pause": 0x09}
"""Commands of machine control without a value. Deferred play begins when a locate has ended."""

LOCATE: Final = 0x44
TARGET: Final = 0x01
"""The form of a locate that goes to a time."""

SUBFRAMES: Final = 100
"""Parts of a frame."""

SHOW_COMMANDS: Final = {"go": 0x01, "stop": 0x02, "resume": 0x03, "load": 0x05}
"""Commands of show control that may name a cue; `load` has to."""

SHOW_FORMATS: Final = {"lighting": 0x01, "sound": 0x10, "video": 0x30, "all": 0x7F}
"""Who is meant, by what they do: the general categories, and everybody."""

SHOW_MAX: Final = 128
"""The longest message of show control, bytes."""

_CUE = re.compile(r"[0-9]+(\.[0-9]+)*")


def _device(device: int) -> int:
    if not 0 <= device <= DEVICE_ALL:
        raise WireError(f"device {device} is outside 0 to {DEVICE_ALL}")
    return device


def _coded(word: str, codes: dict[str, int], what: str) -> int:
    if word not in codes:
        raise WireError(f"`{word}` is no {what}{nearest(word, codes)}")
    return codes[word]


def machine_command(word: str, device: int = DEVICE_ALL) -> bytes:
    """`stop`, `play`, `deferred play` or `pause`. Raises WireError for other words and devices outside 0 to 127."""
    command = _coded(word, MACHINE_COMMANDS, "command of machine control")
    return bytes((SYSEX, REAL_TIME, _device(device), 0x06, command, SYSEX_END))


def machine_locate(position: int, rate: Rate, device: int = DEVICE_ALL) -> bytes:
    """Go to a position, ns since 00:00:00:00, told to a hundredth of a frame. Raises WireError where a time code does
    not reach: before 0, or at and after 24 hours; and for devices outside 0 to 127."""
    exact = position * rate.real / SECOND_NS
    if not 0 <= exact < rate.day:
        raise WireError(f"position {position / SECOND_NS:g} s is outside 0 to 24 h, where a time code ends")
    frame = frame_at(position, rate)
    time = bytes((*name_bytes(frame, rate), int((exact - frame) * SUBFRAMES)))
    head = (SYSEX, REAL_TIME, _device(device), 0x06, LOCATE, len(time) + 1, TARGET)
    return bytes((*head, *time, SYSEX_END))


def cue_number(text: str) -> str:
    """The number of a cue, a list or a path, checked: digits with points between them. Raises WireError."""
    if not _CUE.fullmatch(text):
        raise WireError(f"`{text}` is no cue number: digits with points between them, such as `235.6`")
    return text


def show_command(word: str, format_: str, *cue: str, device: int = DEVICE_ALL) -> bytes:
    """`go`, `stop`, `resume` or `load`, for those of a format. `cue`: the numbers of the cue, its list and the path
    to it; each may be left out together with what follows, but `load` needs a cue. Where it is, the device's next cue,
    or all that runs, is meant. Raises WireError for other words, numbers, devices and lengths."""
    command = _coded(word, SHOW_COMMANDS, "command of show control")
    kind = _coded(format_, SHOW_FORMATS, "format of show control")
    if word == "load" and not cue:
        raise WireError("`load` needs the number of a cue")
    if len(cue) > 3:
        raise WireError(f"a cue has a number, a list and a path: {len(cue)} numbers are too many")
    data = b"\0".join(cue_number(one).encode("ascii") for one in cue)
    packet = bytes((SYSEX, REAL_TIME, _device(device), 0x02, kind, command, *data, SYSEX_END))
    if len(packet) > SHOW_MAX:
        raise WireError(f"a message of show control of {len(packet)} bytes is longer than {SHOW_MAX}")
    return packet
