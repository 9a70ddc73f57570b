"""The desk profile: how one kind of desk is told a send level, a mix's master level and a stored scene, and what it
says of itself."""

from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from stagectl.errors import WireError
from stagectl.show.answers import AnswersModel
from stagectl.show.places import AnyPlace, ByControl, ByControlPair, ByNrpn, ByOsc, ByRpn, BySysEx, Place
from stagectl.show.value_laws import AnyValues, Values
from stagectl.show.values import FileModel, Flag, Name, Seven, Whole
from stagectl.wire import laws, midi

__all__ = [
    "AnswersModel",
    "ByControl",
    "ByControlPair",
    "ByNrpn",
    "ByOsc",
    "ByRpn",
    "BySysEx",
    "Place",
    "ProfileModel",
    "SendModel",
    "StoredScene",
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
                values.build(place.codes)
            except WireError as error:
                raise ValueError(str(error)) from error
        return values

    def law(self) -> laws.Law:
        """The value law."""
        return self._law

    @cached_property
    def _law(self) -> laws.Law:
        """Built once: a fine law has some ten thousand steps."""
        return self.values.build(self.say.codes)


class ProfileModel(FileModel):
    """A desk profile."""

    name: Name = Field(description="the profile")
    notes: str | None = Field(None, description="words for people")
    over: Literal["midi", "osc"] = Field(description="the wire: `midi` or `osc`")
    send: SendModel = Field(description="how the level of an input in a mix is said")
    whole_mix: SendModel | None = Field(None, description="how the level of a whole mix is said")
    stored_scene: StoredScene | None = Field(None, description="how a stored scene is recalled")
    answers: AnswersModel | None = Field(None, description="what the desk says of itself")

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
