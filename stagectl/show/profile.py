"""The desk profile: how one kind of desk is told a send level, a mix's master level and a stored scene.

Every number on the wire may depend on the input's socket and on the mix: `{first: 16, per input: 1, per mix: 24}`
means 16 for input 1 of mix 1, one more for each input, 24 more for each mix.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import BeforeValidator, Field, Tag, ValidationInfo, field_validator

from stagectl.errors import WireError
from stagectl.show.value_laws import AnyValues, Values
from stagectl.show.values import (
    FileModel,
    Flag,
    Name,
    OrElse,
    Seven,
    Typed,
    Whole,
    address_of,
    kind_by_key,
    plain,
    said,
)
from stagectl.show.yamltext import shown
from stagectl.wire import laws, midi
from stagectl.wire.midi import SYSEX_MAX
from stagectl.wire.osc import build


class Numbering(FileModel):
    """A number that may grow with the input's socket and the mix, both counted from 1."""

    first: Annotated[int, Whole(0, 16_383)] = Field(description="the number for input 1 of mix 1")
    per_input: Annotated[int, Whole(-16_383, 16_383)] = Field(0, description="how much it grows with each input")
    per_mix: Annotated[int, Whole(-16_383, 16_383)] = Field(0, description="how much it grows with each mix")

    def at(self, socket: int, mix: int) -> int:
        """The number for an input's socket and a mix."""
        return self.first + self.per_input * (socket - 1) + self.per_mix * (mix - 1)


def _bare_number(typed: Any) -> Any:
    return typed if isinstance(typed, dict | Numbering) else {"first": typed}


Number: TypeAlias = Annotated[Numbering, BeforeValidator(_bare_number), OrElse(type="integer")]


class Place(FileModel):
    """Where on the wire a level is said. `bits`: the width of its value; None for OSC."""

    bits: ClassVar[int | None] = None

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        """The messages for one value; WireError where a number leaves its range."""
        raise NotImplementedError


class ByControl(Place):
    """A 7-bit controller, 0 to 119: from 120 on they are channel mode messages (MIDI 1.0)."""

    bits: ClassVar[int | None] = 7
    channel: Number = Field(description="the MIDI channel, 1 to 16")
    control_change: Number = Field(description="the controller, 0 to 119")

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        channel, control = self.channel.at(socket, mix), self.control_change.at(socket, mix)
        if control >= midi.CHANNEL_MODE:
            raise WireError(f"controller {control} is outside 0 to {midi.CHANNEL_MODE - 1}")
        return (midi.control_change(channel, control, int(code)),)


class ByControlPair(Place):
    """A 14-bit controller: 0-31 for the MSB, 32 more for the LSB."""

    bits: ClassVar[int | None] = 14
    channel: Number = Field(description="the MIDI channel, 1 to 16")
    control_change_pair: Number = Field(
        description="the controller of the coarse part, 0 to 31; the fine part is 32 more"
    )

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        channel, control = self.channel.at(socket, mix), self.control_change_pair.at(socket, mix)
        return midi.control_change_14(channel, control, int(code))


class ByNrpn(Place):
    """A non-registered parameter with a 14-bit value."""

    bits: ClassVar[int | None] = 14
    channel: Number = Field(description="the MIDI channel, 1 to 16")
    nrpn: Number = Field(description="the parameter's number, 0 to 16383")

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return midi.nrpn(self.channel.at(socket, mix), self.nrpn.at(socket, mix), int(code))


_SYSEX_WORDS = ("input", "mix", "value", "value msb", "value lsb")


@dataclass(frozen=True)
class SysExTemplate(Typed):
    """SysEx in hexadecimal, with `{input}`, `{mix}`, `{value}` or `{value msb}` and `{value lsb}` for whole bytes.
    Inputs and mixes are counted from 0 there, as bytes mostly are."""

    def parse(self, typed: Any) -> tuple[int | str, ...]:
        parts: list[int | str] = []
        for word, pair, other in re.findall(r"\{([^}]*)\}|([0-9A-Fa-f]{2})|(\S)", plain(typed)):
            if other or (not pair and word not in _SYSEX_WORDS):
                allowed = ", ".join(f"{{{known}}}" for known in _SYSEX_WORDS)
                raise ValueError(
                    f"{said(typed)}: `{shown(word or other)}` is neither two hexadecimal digits nor {allowed}"
                )
            parts.append(word or int(pair, 16))
        fixed = [part for part in parts if isinstance(part, int)]
        if len(parts) > SYSEX_MAX:
            raise ValueError(f"a SysEx template of {len(parts)} bytes is longer than {SYSEX_MAX}")
        if parts[:1] != [midi.SYSEX] or parts[-1:] != [midi.SYSEX_END] or any(byte > 0x7F for byte in fixed[1:-1]):
            raise ValueError(f"{said(typed)}: a SysEx template begins with F0 and ends with F7, with 00 to 7F between")
        whole, split = "value" in parts, ("value msb" in parts, "value lsb" in parts)
        if whole == any(split) or any(split) != all(split):
            raise ValueError(f"{said(typed)}: either {{value}}, or both {{value msb}} and {{value lsb}} are needed")
        return tuple(parts)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[Ff]0.*[Ff]7$"}


class BySysEx(Place):
    """A SysEx template."""

    sysex: Annotated[tuple[int | str, ...], SysExTemplate()] = Field(
        description="hexadecimal bytes with `{input}`, `{mix}` and `{value}` (or `{value msb}`, `{value lsb}`)"
    )

    @property
    def width(self) -> int:
        """The width of the value, bits."""
        return 7 if "value" in self.sysex else 14

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        msb, lsb = midi.split14(int(code))
        if self.width == 7 and msb:
            raise WireError(f"value {code} is outside 0 to 127")
        fill = {"input": socket - 1, "mix": mix - 1, "value": int(code) & 0x7F, "value msb": msb, "value lsb": lsb}
        return (midi.sysex(self._bytes(fill)),)

    def _bytes(self, fill: dict[str, int]) -> bytes:
        out = [part if isinstance(part, int) else fill[part] for part in self.sysex]
        if any(not 0 <= byte <= 127 for byte in out[1:-1]):
            raise WireError("an input or mix number does not fit in a SysEx byte (0 to 127)")
        return bytes(out)


@dataclass(frozen=True)
class AddressTemplate(Typed):
    """An OSC address in which `{input}` and `{mix}` stand for the input's socket and the mix's number."""

    def parse(self, typed: Any) -> str:
        template = plain(typed)
        for word in re.findall(r"\{([^}]*)\}", template):
            if word not in ("input", "mix"):
                raise ValueError(f"{said(typed)}: `{{{shown(word)}}}` is neither `{{input}}` nor `{{mix}}`")
        address_of(typed, re.sub(r"\{(input|mix)\}", "1", template))
        return template

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^/"}


class ByOsc(Place):
    """An OSC address with `{input}` and `{mix}` in it, and the type of its one argument."""

    osc: Annotated[str, AddressTemplate()] = Field(description="the address, with `{input}` and `{mix}` in it")
    type: Literal["float", "int"] = Field("float", description="the type of its one argument")

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return (build(self.address(socket, mix), (self.argument(code),), self.type[0]),)

    def address(self, socket: int, mix: int) -> str:
        """The address for an input's socket and a mix."""
        return self.osc.replace("{input}", str(socket)).replace("{mix}", str(mix))

    def argument(self, code: laws.Code) -> laws.Code:
        """The argument for a value."""
        return float(code) if self.type == "float" else int(code)


_PLACES: dict[str, type[FileModel]] = {
    "control change": ByControl,
    "control change pair": ByControlPair,
    "nrpn": ByNrpn,
    "sysex": BySysEx,
    "osc": ByOsc,
}

AnyPlace: TypeAlias = Annotated[
    Annotated[ByControl, Tag("control change")]
    | Annotated[ByControlPair, Tag("control change pair")]
    | Annotated[ByNrpn, Tag("nrpn")]
    | Annotated[BySysEx, Tag("sysex")]
    | Annotated[ByOsc, Tag("osc")],
    kind_by_key(_PLACES),
]


class StoredScene(FileModel):
    """Stored scenes by program change: scene 1 is program `program` of bank 0. `banks`: whether bank select goes first,
    128 scenes a bank."""

    channel: Annotated[int, Whole(1, 16)] = Field(description="the MIDI channel, 1 to 16")
    program: Seven = Field(0, description="the program of scene 1")
    banks: Flag = Field(False, description="whether bank select goes first, 128 scenes a bank")

    def packets(self, scene: int) -> tuple[bytes, ...]:
        """The messages that recall a scene, counted from 1."""
        bank, program = divmod(scene - 1 + self.program, 128)
        if not self.banks:
            if bank:
                raise WireError(f"scene {scene} is beyond the last program, 127; `banks: yes` reaches further")
            return midi.program_change(self.channel, program)
        return midi.program_change(self.channel, program, bank)


class SendModel(FileModel):
    """How one kind of level is said: its place on the wire and its value law."""

    say: AnyPlace = Field(description="where on the wire the level is said")
    values: AnyValues = Field(description="which value stands for which level")

    @field_validator("values")
    @classmethod
    def _law_fits(cls, values: Values, info: ValidationInfo) -> Values:
        place: Place | None = info.data.get("say")
        if place is not None:
            try:
                values.build(_width(place))
            except WireError as error:
                raise ValueError(str(error)) from error
        return values

    def law(self) -> laws.Law:
        """The value law."""
        return self._law

    @cached_property
    def _law(self) -> laws.Law:
        """Built once: a fine law has some ten thousand steps."""
        return self.values.build(_width(self.say))


def _width(place: Place) -> int | None:
    """The width of the values that a place takes, bits; None for real numbers."""
    if isinstance(place, ByOsc) and place.type == "int":
        return 14
    return place.width if isinstance(place, BySysEx) else place.bits


class ProfileModel(FileModel):
    """A desk profile."""

    name: Name = Field(description="the profile")
    notes: str | None = Field(None, description="words for people")
    over: Literal["midi", "osc"] = Field(description="the wire: `midi` or `osc`")
    send: SendModel = Field(description="how the level of an input in a mix is said")
    whole_mix: SendModel | None = Field(None, description="how the level of a whole mix is said")
    stored_scene: StoredScene | None = Field(None, description="how a stored scene is recalled")

    @field_validator("send", "whole_mix")
    @classmethod
    def _one_wire(cls, send: SendModel | None, info: ValidationInfo) -> SendModel | None:
        over = info.data.get("over")
        if send is not None and over is not None and isinstance(send.say, ByOsc) != (over == "osc"):
            other = "MIDI" if over == "osc" else "OSC"
            raise ValueError(f"this is said over {other}, but the file says `over: {over}`")
        return send

    @field_validator("stored_scene")
    @classmethod
    def _by_program(cls, stored: StoredScene | None, info: ValidationInfo) -> StoredScene | None:
        if stored is not None and info.data.get("over") == "osc":
            raise ValueError("scenes are recalled by MIDI program changes, but the file says `over: osc`")
        return stored
