"""Messages that take a track player or a console to a place, and start and stop it there: song position, machine
control (MMC) and show control (MSC). How they are written in the files."""

from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

from stagectl.errors import WireError
from stagectl.show.saying import (
    CODES,
    NO_NUMBERS,
    POSITION,
    NumberOrWord,
    Numbers,
    Say,
    number,
    sixteenth,
    time_code,
)
from stagectl.show.values import Duration, Seven, Typed, plain, said
from stagectl.wire.show_control import cue_number, machine_command, machine_locate, show_command
from stagectl.wire.time_code import DEVICE_ALL, RATES, SECONDS_A_DAY, SONG_POSITION_MAX, named_at, song_position

LOCATE: Final = "locate"

CUE: Final = "cue"

RATE_DEFAULT: Final = "30"

_TIME: Final = Duration(SECONDS_A_DAY - 1)
"""What a time code can name."""


class TimeOrPosition(Typed, frozen=True):
    """A time since the track's beginning, ns, or the word `position`."""

    def parse(self, typed: Any) -> int:
        if plain(typed) == POSITION:
            return CODES[POSITION]
        try:
            return _TIME.parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor `{POSITION}`") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [*_TIME.schema()["anyOf"], {"enum": [POSITION]}]}


class RateWord(Typed, frozen=True):
    """The frames a second of a time code, as a word of `RATES`."""

    def parse(self, typed: Any) -> str:
        if plain(typed) not in RATES:
            raise ValueError(f"{said(typed)} is not one of {', '.join(f'`{word}`' for word in RATES)}")
        return plain(typed)

    def schema(self) -> dict[str, Any]:
        # An editor reads `25` as a number.
        return {"enum": [*RATES, *(int(word) for word in RATES if word.isdecimal())]}


class CueText(Typed, frozen=True):
    """The number of a cue, a list or a path: digits with points between them. `word`: it may be the word `cue`."""

    word: bool = False

    def parse(self, typed: Any) -> str:
        text = plain(typed)
        if self.word and text == CUE:
            return text
        try:
            return cue_number(text)
        except WireError as error:
            other = f", nor `{CUE}`" if self.word else ""
            raise ValueError(f"{said(typed)} is not digits with points between them, such as `235.6`{other}") from error

    def schema(self) -> dict[str, Any]:
        # An editor reads `235.6` as a number.
        word = [{"enum": [CUE]}] if self.word else []
        return {
            "anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": r"^[0-9]+(\.[0-9]+)*$"}, *word]
        }


class SaySongPosition(Say):
    """Song position: where a start by `continue` is to go on."""

    song_position: Annotated[int, NumberOrWord(SONG_POSITION_MAX, (POSITION,))] = Field(
        description=f"sixteenths since the beginning, 0 to {SONG_POSITION_MAX}; or `position`, the sixteenth at or "
        "after where the track is, by the song's tempo"
    )

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        is_word = self.song_position == CODES[POSITION]
        return (song_position(sixteenth(numbers) if is_word else self.song_position),)


class SayMachine(Say):
    """Machine control (MMC, RP-013): stop, play, deferred play (as soon as a locate has ended), pause, or locate, which
    goes `to` a time."""

    mmc: Literal["stop", "play", "deferred play", "pause", "locate"] = Field(
        description="`stop`, `play`, `deferred play`, `pause` or `locate`"
    )
    device: Seven = Field(DEVICE_ALL, description="the number of the device, 0 to 127; 127 is every device")
    to: Annotated[int, TimeOrPosition()] | None = Field(
        None,
        description="where a `locate` goes: a time code, such as `1:12`; or `position`, which is that of the track, "
        "with the song's `time code at`",
    )
    rate: Annotated[str, RateWord()] | None = Field(
        None,
        description=f"frames a second of the time code of a `locate`, {', '.join(RATES)}; {RATE_DEFAULT} if left out",
    )

    @model_validator(mode="after")
    def _only_a_locate_goes_somewhere(self) -> Self:
        if self.mmc == LOCATE and self.to is None:
            raise ValueError("a `locate` needs `to`, a time or `position`")
        for key in ("to", "rate"):
            if self.mmc != LOCATE and getattr(self, key) is not None:
                raise ValueError(f"`{key}` belongs to `locate`, and not to `{self.mmc}`")
        return self

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        if self.to is None:
            return (machine_command(self.mmc, self.device),)
        rate = RATES[self.rate or RATE_DEFAULT]
        to = time_code(numbers, rate) if self.to == CODES[POSITION] else named_at(self.to, rate)
        return (machine_locate(to, rate, self.device),)


class SayShow(Say):
    """Show control (MSC, RP-002): a cue of a console for lighting, sound or video. It says what is wanted, and never
    that it is safe: whatever can hurt needs safety of its own. The format `all` reaches lifts, lasers and flames that
    listen, too."""

    msc: Literal["go", "stop", "resume", "load"] = Field(description="`go`, `stop`, `resume` or `load`")
    device: Seven = Field(DEVICE_ALL, description="the number of the device, 0 to 111; 112 to 126 are groups, 127 all")
    format_: Literal["lighting", "sound", "video", "all"] = Field(
        description="who is meant: `lighting`, `sound`, `video`, or `all`, which is everything that listens"
    )
    cue: Annotated[str, CueText(word=True)] | None = Field(
        None, description="the number of the cue, such as `235.6`; or `cue`, the number of the song's cue"
    )
    list_: Annotated[str, CueText()] | None = Field(None, description="the list that the cue is in; it needs a `cue`")
    path: Annotated[str, CueText()] | None = Field(None, description="the path to the list; it needs a `list`")

    @model_validator(mode="after")
    def _each_number_has_those_before_it(self) -> Self:
        if self.msc == "load" and self.cue is None:
            raise ValueError("`load` needs a `cue`")
        if self.list_ is not None and self.cue is None:
            raise ValueError("a `list` needs the `cue` that is in it")
        if self.path is not None and self.list_ is None:
            raise ValueError("a `path` needs the `list` that it leads to")
        return self

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        cue = str(number(CUE, numbers)) if self.cue == CUE else self.cue
        parts = [part for part in (cue, self.list_, self.path) if part is not None]
        return (show_command(self.msc, self.format_, *parts, device=self.device),)
