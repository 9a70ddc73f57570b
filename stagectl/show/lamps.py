"""The lamps of a mapping file: what a pedal is told to show, and the messages that tell it."""

from collections.abc import Sequence
from typing import Annotated, Final, Self, TypeAlias

from pydantic import Field, model_validator

from stagectl.core.lamps import SHOWS
from stagectl.show.gestures import Choice
from stagectl.show.messages import Say, SayList, spoken
from stagectl.show.values import Duration, FileModel

LAMPS_MAX: Final = 32
"""Lamps of one pedal."""

LASTS_DEFAULT_NS: Final = 1_000_000_000

LASTS_MIN_NS: Final = 100_000_000
"""A lamp that is on for less is easily missed."""

LampPackets: TypeAlias = tuple[tuple[bytes, ...], ...]
"""What tells one lamp each of its values, from 0 on."""


class LampModel(FileModel):
    """A lamp or a display of the pedal. One that shows a number has `say`, in which `song` stands for it; any other has
    `on` and `off`. `lasts`, 0.1 to 10 s: for how long `refused` is on."""

    shows: Annotated[str, Choice(tuple(SHOWS))] = Field(
        description="; ".join(f"{row.word}: {row.help}" for row in SHOWS.values())
    )
    say: SayList | None = Field(None, description="the messages that tell a number; `song` stands for it")
    on: SayList | None = Field(None, description="the messages that light it")
    off: SayList | None = Field(None, description="the messages that put it out")
    lasts: Annotated[int, Duration(10)] | None = Field(None, description="for how long it is on; 1 s where left out")

    @model_validator(mode="after")
    def _fits_what_it_shows(self) -> Self:
        row = SHOWS[self.shows]
        needed = ("say",) if row.is_number else ("on", "off")
        useless = {"say", "on", "off", "lasts"} - {*needed, *(("lasts",) if row.lasts else ())}
        missing = [key for key in needed if getattr(self, key) is None]
        if missing:
            raise ValueError(f"a lamp that shows `{row.word}` needs {_all(missing)}")
        for key in sorted(useless & self.model_fields_set):
            raise ValueError(f"a lamp that shows `{row.word}` has {_all(needed)}; `{key}` stands here as well")
        if self.lasts is not None and self.lasts < LASTS_MIN_NS:
            raise ValueError(f"`lasts` is {self.lasts / 1e9:g} s; it is 0.1 to 10 s")
        return self

    @property
    def on_ns(self) -> int:
        """For how long it is on, ns, where that is told."""
        return LASTS_DEFAULT_NS if self.lasts is None else self.lasts

    def said(self) -> dict[str, list[Say]]:
        """Its messages, by the key that they stand under."""
        return {key: says for key in ("say", "on", "off") if (says := getattr(self, key)) is not None}

    def packets(self, *, songs: int) -> LampPackets:
        """The bytes for each value that it can show in a set of so many songs. Raises WireError where a message cannot
        hold one."""
        if self.say is not None:
            return tuple(_bytes(self.say, number) for number in range(songs + 1))
        return _bytes(self.off or [], None), _bytes(self.on or [], None)


def _bytes(says: Sequence[Say], song: int | None) -> tuple[bytes, ...]:
    numbers = {} if song is None else {"song": song}
    return spoken(says, numbers)


def _all(keys: Sequence[str]) -> str:
    return " and ".join(f"`{key}`" for key in keys)
