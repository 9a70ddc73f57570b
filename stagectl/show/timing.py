"""How a setlist says where things are in a song: tempo, metre, places in its track, and what comes after it."""

import re
from fractions import Fraction
from typing import Annotated, Any, ClassVar, Final, NamedTuple, TypeAlias

from stagectl.core.players import Then
from stagectl.core.tempo import BEATS_MAX, TEMPO_MAX, TEMPO_MIN, UNITS, Metre, TempoMap
from stagectl.show.values import Duration, Typed, number, plain, said, shortest

TRACK_S: Final = 3_600
"""The longest track, s."""

BARS_MAX: Final = 9_999
"""The highest bar: at 240 quarter notes a minute in 1/4, more than the longest track has in 4/4."""

PAUSE_S: Final = 600
"""The longest pause between a track's end and the next one's start, s."""


class TempoText(Typed, frozen=True):
    """Quarter notes a minute: `96`, `120.5`."""

    def parse(self, typed: Any) -> Fraction:
        tempo = self.read(plain(typed))
        if tempo is None:
            from stagectl.show.meant import TEMPO, meant

            says = f"{said(typed)} is not a tempo from {TEMPO_MIN} to {TEMPO_MAX:,} quarter notes a minute"
            raise ValueError(says + meant(typed, TEMPO, self.read))
        return tempo

    def read(self, text: str) -> Fraction | None:
        """The tempo of a text; None where it is none."""
        value = number(text)
        return Fraction(value) if value is not None and TEMPO_MIN <= value <= TEMPO_MAX else None

    def written(self, value: Fraction) -> int | float:
        return shortest(float(value))

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": TEMPO_MIN, "maximum": TEMPO_MAX}


_METRE = r"([0-9]{1,2})\s*/\s*([0-9]{1,2})"


class MetreText(Typed, frozen=True):
    """Beats in a bar and the note that is a beat: `4/4`, `6/8`."""

    def parse(self, typed: Any) -> Metre:
        found = re.fullmatch(_METRE, plain(typed))
        if found is None or not 1 <= int(found[1]) <= BEATS_MAX or int(found[2]) not in UNITS:
            units = ", ".join(map(str, UNITS))
            raise ValueError(f"{said(typed)} is not a metre such as `4/4`: 1 to {BEATS_MAX} beats of a note of {units}")
        return Metre(int(found[1]), int(found[2]))

    def written(self, value: Metre) -> str:
        return f"{value.beats}/{value.unit}"

    def schema(self) -> dict[str, Any]:
        units = "|".join(map(str, UNITS))
        return {"type": "string", "pattern": rf"^\s*[0-9]{{1,2}}\s*/\s*({units})\s*$"}


class AtTime(NamedTuple):
    """A place in a track by its time, ns since the beginning."""

    position: int

    def at(self, _tempo: TempoMap | None) -> int:
        """Its position, ns."""
        return self.position


class AtBar(NamedTuple):
    """A place in a track by its bar and beat."""

    bar: int
    beat: int = 1

    def at(self, tempo: TempoMap | None) -> int:
        """Its position, ns. Raises ValueError where there is no tempo, or the bar has no such beat."""
        if tempo is None:
            raise ValueError(f"bar {self.bar} is nowhere without a `tempo` of the song (or a `tempo file`)")
        return tempo.at_bar(self.bar, self.beat)


_BAR = r"bar\s+([0-9]{1,4})(?:\s*,?\s*beat\s+([0-9]{1,2}))?"


class PlaceText(Typed, frozen=True):
    """A place in a song's track: `1:12`, `72 s`, `bar 33`, `bar 33 beat 3`."""

    time: ClassVar[Duration] = Duration(TRACK_S)

    def parse(self, typed: Any) -> AtTime | AtBar:
        text = plain(typed).lower()
        if text.startswith("bar"):
            found = re.fullmatch(_BAR, text)
            if found is None or int(found[1]) < 1 or not 1 <= int(found[2] or 1) <= BEATS_MAX:
                raise ValueError(
                    f"{said(typed)} is not a place such as `bar 33` or `bar 33 beat 3` (bar 1 to {BARS_MAX:,})"
                )
            return AtBar(int(found[1]), int(found[2] or 1))
        try:
            return AtTime(self.time.parse(typed))
        except ValueError as error:
            from stagectl.show.meant import before_hint

            raise ValueError(before_hint(error, ", nor a place such as `bar 33` or `bar 33 beat 3`")) from error

    def schema(self) -> dict[str, Any]:
        bar = {"type": "string", "pattern": r"^\s*[Bb]ar\s+0*[1-9][0-9]{0,3}(\s*,?\s*beat\s+[0-9]{1,2})?\s*$"}
        return {"anyOf": [*self.time.schema()["anyOf"], bar]}


class AtTheEnd(NamedTuple):
    """What happens when the track has ended; `pause`: how long after that the next song's track starts, ns."""

    then: Then = Then.STAY
    pause: int = 0


STARTS_AFTER: Final = "next song starts after"


class ThenText(Typed, frozen=True):
    """`stay`, `next song`, or `{next song starts after: 5 s}`."""

    pause: ClassVar[Duration] = Duration(PAUSE_S)

    def parse(self, typed: Any) -> AtTheEnd:
        if isinstance(typed, dict) and list(typed) == [STARTS_AFTER]:
            return AtTheEnd(Then.START, self.pause.parse(typed[STARTS_AFTER]))
        words = {then.value: then for then in (Then.STAY, Then.NEXT)}
        if plain(typed) not in words:
            raise ValueError(f"{said(typed)} is not `stay`, `next song` or `{{{STARTS_AFTER}: 5 s}}`")
        return AtTheEnd(words[plain(typed)])

    def written(self, value: AtTheEnd) -> Any:
        return {STARTS_AFTER: self.pause.written(value.pause)} if value.then is Then.START else value.then.value

    def schema(self) -> dict[str, Any]:
        after = {
            "type": "object",
            "properties": {STARTS_AFTER: self.pause.schema()},
            "required": [STARTS_AFTER],
            "additionalProperties": False,
        }
        return {"anyOf": [{"enum": [Then.STAY.value, Then.NEXT.value]}, after]}


Place: TypeAlias = Annotated[AtTime | AtBar, PlaceText()]
