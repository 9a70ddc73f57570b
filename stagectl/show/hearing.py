"""What a control sends: how it is written in a mapping, `{control change: 80}`, `{note: 36, channel: 10}`.

Sources: MIDI 1.0 Detailed Specification 4.2.1, OSC 1.0, and Linux's input-event-codes.h for the keys of keyboard-type
pedals. Numbers are as on the wire, channels 1 to 16 or `any`. Every kind says its largest value (`top`) and whether
letting go is said too (`gives_release`).
"""

import re
from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import BeforeValidator, Field, Tag

from stagectl.errors import nearest
from stagectl.show.key_names import KEY_CODES
from stagectl.show.values import (
    NAME_MAX,
    Address,
    FileModel,
    Fourteen,
    OrElse,
    Real,
    Seven,
    Typed,
    Whole,
    kind_by_key,
    plain,
    said,
)
from stagectl.show.yamltext import shown
from stagectl.wire import midi

FINE_TOP: Final = 16_383
"""The largest value of 14 bits."""


class AnyChannel(Typed, frozen=True):
    """A channel, or `any` (0 inside)."""

    def parse(self, typed: Any) -> int:
        if plain(typed).lower() == "any":
            return 0
        try:
            return Whole(1, 16).parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor `any`") from error

    def written(self, value: int) -> int | str:
        return value or "any"

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Whole(1, 16).schema(), {"const": "any"}]}


class Hear(FileModel):
    """What one control sends."""

    @property
    def top(self) -> int:
        """The largest value that it says; the smallest is 0. 1: it only says down and up."""
        return 127

    @property
    def sent_top(self) -> float:
        """The same in the numbers that it sends, where these are others."""
        return self.top

    @property
    def gives_release(self) -> bool:
        """Whether letting go is said too."""
        return True


class HearOnChannel(Hear):
    """A channel message. `channel` 0: any channel."""

    channel: Annotated[int, AnyChannel()] = 0


class HearNote(HearOnChannel):
    """A switch or pad that sends a note: on is down, however softly it is hit where no threshold is set, and off (or
    velocity 0) is up."""

    note: Seven


class HearControl(HearOnChannel):
    """A switch or treadle that sends a controller of 7 bits."""

    control_change: Seven


class HearControlPair(HearOnChannel):
    """A treadle that sends a controller pair of 14 bits: the MSB by this controller, the LSB by the one 32 above."""

    control_change_pair: Annotated[int, Whole(0, 31)]

    @property
    def top(self) -> int:
        """14 bits."""
        return FINE_TOP


PARAMETER_MAX: Final = FINE_TOP - 1
"""The largest parameter number: 7F/7F is null."""


class HearNrpn(HearOnChannel):
    """A control that sends a non-registered parameter, 0 to 16,382 (MSB times 128 plus LSB)."""

    nrpn: Annotated[int, Whole(0, PARAMETER_MAX)]

    @property
    def top(self) -> int:
        """14 bits."""
        return FINE_TOP


class HearRpn(HearOnChannel):
    """A control that sends a registered parameter, 0 to 16,382 (MSB times 128 plus LSB)."""

    rpn: Annotated[int, Whole(0, PARAMETER_MAX)]

    @property
    def top(self) -> int:
        """14 bits."""
        return FINE_TOP


class HearOnce(Hear):
    """A message that stands for a press and never says that the switch was let go."""

    @property
    def top(self) -> int:
        """Only down is said."""
        return 1

    @property
    def gives_release(self) -> bool:
        """Only going down is said."""
        return False


class HearProgram(HearOnce, HearOnChannel):
    """A switch that sends a program change, of one bank (0 to 16,383, MSB times 128 plus LSB) or of any."""

    program: Seven
    bank: Fourteen | None = None


class HearPitchBend(HearOnChannel):
    """A control that sends pitch bend: 0 to 16,383, 8,192 at the centre, where a spring brings it back to. A switch is
    down from half way between there and the top on; one that rests closed, from half way to 0 down."""

    pitch_bend: None

    @property
    def top(self) -> int:
        """14 bits."""
        return FINE_TOP


class HearChannelPressure(HearOnChannel):
    """A control that sends channel pressure."""

    channel_pressure: None


class HearKeyPressure(HearOnChannel):
    """A pad that sends the pressure on one key."""

    key_pressure: Seven


ANY_BYTE: Final = "??"
VALUE, VALUE_MSB, VALUE_LSB = "value", "value msb", "value lsb"
_WORDS: Final = (VALUE, VALUE_MSB, VALUE_LSB)

Pattern: TypeAlias = tuple[int | str, ...]
"""The bytes of a SysEx message: a number is that byte, a text is any data byte, and which part of the value it is."""


class SysExPattern(Typed, frozen=True):
    """SysEx in hexadecimal, with `??` for any byte, and `{value}` or `{value msb}` and `{value lsb}` for the value."""

    def parse(self, typed: Any) -> Pattern:
        parts: list[int | str] = []
        for word, pair, any_byte, other in re.findall(r"\{([^{}]*)\}|([0-9A-Fa-f]{2})|(\?\?)|(\S)", plain(typed)):
            if other or not (pair or any_byte or word in _WORDS):
                allowed = ", ".join(f"`{{{known}}}`" for known in _WORDS)
                raise ValueError(
                    f"{said(typed)}: `{shown(word or other)}` is neither two hexadecimal digits nor `??`, {allowed}"
                )
            parts.append(word or any_byte or int(pair, 16))
        if len(parts) > midi.SYSEX_MAX:
            raise ValueError(f"a SysEx pattern of {len(parts)} bytes is longer than {midi.SYSEX_MAX}")
        inner = [part for part in parts[1:-1] if isinstance(part, int)]
        if len(parts) < 3 or (parts[0], parts[-1]) != (midi.SYSEX, midi.SYSEX_END) or any(byte > 127 for byte in inner):
            raise ValueError(
                f"{said(typed)}: a SysEx pattern begins with F0 and ends with F7, with something from 00 to 7F between"
            )
        _check_words(typed, parts)
        return tuple(parts)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": r"^[Ff]0( *([0-7][0-9A-Fa-f]|\?\?|\{value( [ml]sb)?\}))+ *[Ff]7$"}


def _check_words(typed: Any, parts: list[int | str]) -> None:
    count = {word: parts.count(word) for word in _WORDS}
    if count[VALUE_MSB] != count[VALUE_LSB] or max(count.values()) > 1 or (count[VALUE] and count[VALUE_MSB]):
        raise ValueError(
            f"{said(typed)}: the value stands there once, as {{value}} or as both {{value msb}} and {{value lsb}}"
        )


class HearSysEx(Hear):
    """A control that sends SysEx: with a value in it, or as a press."""

    sysex: Annotated[Pattern, SysExPattern()]

    @property
    def top(self) -> int:
        """By the bytes of its value."""
        if VALUE_MSB in self.sysex:
            return FINE_TOP
        return 127 if VALUE in self.sysex else 1

    @property
    def gives_release(self) -> bool:
        """Only a value can say that it was let go."""
        return self.top > 1


class HearRealtime(HearOnce):
    """A switch that sends start, continue or stop."""

    realtime: Literal["start", "continue", "stop"]


class HearSong(HearOnce):
    """A switch that sends song select."""

    song_select: Seven


class KeyName(Typed, frozen=True):
    """The name of a key."""

    def parse(self, typed: Any) -> str:
        name = " ".join(plain(typed).lower().split())
        if name not in KEY_CODES:
            raise ValueError(f"{said(typed)} is not a key{nearest(name[:NAME_MAX], KEY_CODES)}")
        return name

    def schema(self) -> dict[str, Any]:
        # Editors take a bare digit for a number.
        return {"anyOf": [{"enum": list(KEY_CODES)}, Whole(0, 9).schema()]}


class HearKey(Hear):
    """A key of a keyboard-type pedal."""

    key: Annotated[str, KeyName()]

    @property
    def top(self) -> int:
        """Down or up."""
        return 1

    @property
    def code(self) -> int:
        """Its number in input-event-codes.h."""
        return KEY_CODES[self.key]


OSC_TOP = FINE_TOP
"""The steps that the travel of an OSC control is counted in."""


class HearOsc(Hear):
    """A control that sends an OSC message: its first argument, 0 to `top`, is the value; without one it is a press."""

    osc: Address
    argument_top: Annotated[float, Real(0.001, 1_000_000)] = Field(1, alias="top")

    @property
    def top(self) -> int:
        """The steps that its travel is counted in."""
        return OSC_TOP

    @property
    def sent_top(self) -> float:
        """The number for all of the travel."""
        return self.argument_top


_HEAR: dict[str, type[FileModel]] = {
    "note": HearNote,
    "control change": HearControl,
    "control change pair": HearControlPair,
    "nrpn": HearNrpn,
    "rpn": HearRpn,
    "program": HearProgram,
    "pitch bend": HearPitchBend,
    "channel pressure": HearChannelPressure,
    "key pressure": HearKeyPressure,
    "sysex": HearSysEx,
    "realtime": HearRealtime,
    "song select": HearSong,
    "osc": HearOsc,
    "key": HearKey,
}

_BARE: Final = ("pitch bend", "channel pressure")


def _bare_word(typed: Any) -> Any:
    """`pitch bend` is short for `{pitch bend: }`."""
    return {plain(typed): None} if isinstance(typed, str) and plain(typed) in _BARE else typed


AnyHear: TypeAlias = Annotated[
    Annotated[HearNote, Tag("note")]
    | Annotated[HearControl, Tag("control change")]
    | Annotated[HearControlPair, Tag("control change pair")]
    | Annotated[HearNrpn, Tag("nrpn")]
    | Annotated[HearRpn, Tag("rpn")]
    | Annotated[HearProgram, Tag("program")]
    | Annotated[HearPitchBend, Tag("pitch bend")]
    | Annotated[HearChannelPressure, Tag("channel pressure")]
    | Annotated[HearKeyPressure, Tag("key pressure")]
    | Annotated[HearSysEx, Tag("sysex")]
    | Annotated[HearRealtime, Tag("realtime")]
    | Annotated[HearSong, Tag("song select")]
    | Annotated[HearOsc, Tag("osc")]
    | Annotated[HearKey, Tag("key")],
    kind_by_key(_HEAR),
    BeforeValidator(_bare_word),
    OrElse(words=_BARE),
]
