"""What all messages of a show have in common, and the words in them that stand for numbers.

A message is written once and sent for many cues, songs and positions; so a word may stand where its number changes.
Whoever sends it says what the words stand for there and then.
"""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, ClassVar, Final, TypeAlias

from stagectl.core.tempo import CLOCKS_A_UNIT, TempoMap
from stagectl.errors import WireError
from stagectl.show.values import FileModel, Typed, Whole, plain
from stagectl.wire.time_code import Rate, named_at

STANDS_IN: Final[Mapping[str, str]] = {
    "cue": "in the messages of a track player",
    "song": "in the `say` of a lamp that shows the song number",
    "position": "in the messages of a track player",
}
"""The words that stand for a number, and where they do: for the number of the song's cue, of the song, and for where
in the track it is."""

POSITION: Final = "position"

SIXTEENTH: Final = "sixteenth"
"""The key of a position in sixteenths among the numbers. It is no word of the files: there it is the `position` of a
`song position`."""

TIME_CODE: Final = "time code"
"""The key of what time code says where the track begins, the name as a time in ns, among the numbers. It is no word of
the files: there it is in the `position` of a `locate`."""

MILLISECOND_NS: Final = 1_000_000

CODES: Final[Mapping[str, int]] = {word: -1 - at for at, word in enumerate(STANDS_IN)}
"""How a model holds such a word: as a number that no message has."""

_WORDS: Final = {code: word for word, code in CODES.items()}

Numbers: TypeAlias = Mapping[str, int]
"""The numbers that words stand for in a message, where they do: `cue`, `song`, `position` (ns since the track's
beginning), `sixteenth` (the song position there) and `time code` (what that says where the track
begins)."""

NO_NUMBERS: Final[Numbers] = MappingProxyType({})

ANY_TRACK: Final[Numbers] = MappingProxyType({"cue": 0, POSITION: 0, SIXTEENTH: 0, TIME_CODE: 0})
"""The numbers of no track in particular: with them a message is tried, where the song is not known yet."""


def track_numbers(cue: int, position: int, tempo: TempoMap | None, code_at: int = 0) -> Numbers:
    """What words stand for in the messages of a track player. `cue`: the number of the song's cue; `position`: ns since
    the track's beginning; `tempo`: of the song. Without it, a position in sixteenths stands for nothing. `code_at`:
    what time code says where the track begins, ns.

    A song position is a sixteenth, six clocks, counted from bar 1 (MIDI 1.0 Detailed Specification 4.2.1, Song Position
    Pointer): the first at or after the position is taken, so 0 for all before bar 1."""
    numbers = {"cue": cue, POSITION: position, TIME_CODE: code_at}
    if tempo is not None:
        numbers[SIXTEENTH] = max(0, -(-tempo.clock_from(position) // CLOCKS_A_UNIT))
    return numbers


def number(word: str, numbers: Numbers) -> int:
    """What a word stands for. Raises WireError where it stands for nothing."""
    if word not in numbers:
        raise WireError(f"`{word}` stands for a number only {STANDS_IN[word]}")
    return numbers[word]


def either(value: int, numbers: Numbers) -> int:
    """A number, or what the word stands for that a model holds as a number. Raises WireError as `number` does."""
    return value if value not in _WORDS else number(_WORDS[value], numbers)


def milliseconds(numbers: Numbers) -> int:
    """The position, in whole milliseconds. Raises WireError as `number` does."""
    return (number(POSITION, numbers) + MILLISECOND_NS // 2) // MILLISECOND_NS


def time_code(numbers: Numbers, rate: Rate) -> int:
    """What time code of a rate says at the position, ns since 00:00:00:00. Raises WireError as `number` does."""
    position = number(POSITION, numbers)
    return named_at(numbers[TIME_CODE], rate) + position


def sixteenth(numbers: Numbers) -> int:
    """The position as a song position. Raises WireError as `number` does, and where the song has no tempo."""
    number(POSITION, numbers)
    if SIXTEENTH not in numbers:
        raise WireError("a `song position` is counted in sixteenths: the song needs a `tempo`")
    return numbers[SIXTEENTH]


class NumberOrWord(Typed, frozen=True):
    """A whole number, or a word that stands for one."""

    high: int = 127
    words: tuple[str, ...] = ("cue", "song")

    def parse(self, typed: Any) -> int:
        if plain(typed) in self.words:
            return CODES[plain(typed)]
        try:
            return Whole(0, self.high).parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor {' or '.join(f'`{word}`' for word in self.words)}") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Whole(0, self.high).schema(), {"enum": list(self.words)}]}


class Say(FileModel):
    """A message that goes out."""

    is_osc: ClassVar[bool] = False

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        """The bytes, one message each. `numbers`: what the words in it stand for. Raises WireError where a word stands
        for nothing here, or for a number that the message cannot hold."""
        raise NotImplementedError


def spoken(says: Iterable[Say], numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
    """The bytes of some messages, one after the other. Raises WireError as `Say.packets` does."""
    return tuple(packet for say in says for packet in say.packets(numbers))
