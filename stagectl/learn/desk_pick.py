"""Which voice follows the hand: for each level that was moved, the voice that spoke for it, told apart from what the
desk says anyway.

Pure. The theory:

- A voice has *news* where it says another value than it said last. A desk that says all of its levels again and again
  has none of those that rest.
- What has news during the moves of most other levels (nothing being moved counts as one of them) is said *anyway*:
  meters, a heartbeat.
- A level's voice speaks during its own moves. In a sweep from the bottom to the top it rises, or falls, through many
  values.
- All levels of a kind share one shape. Where several shapes follow the hand, the one that does so for most levels is
  looked at first. Where two voices of one shape follow the hand, the one that fits the numbers of the others is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from stagectl.learn.desk_moves import Part, Spot, Way, climb, either_way, rising
from stagectl.learn.desk_numbering import strides
from stagectl.learn.desk_voices import NO_CHANGE, NO_LEVEL, NO_NUMBER, Sample, Shape, Voice, Voices
from stagectl.wire.laws import Code

VALUES_MAX: Final = 40
"""Different values of one move that count: more of them say no more."""

CLEAR: Final = 0.5
"""A voice that follows the hand at least so well, compared with the best, is told as another."""

ANYWAY_SHARE: Final = 0.5
"""What has news during the moves of more than this share of the other levels is said anyway."""

BUSY: Final = 0.15
"""A voice is busy in a move with at least this share of the different values of its busiest move."""

FITS: Final = 3
"""Levels without a rival that tell which of two voices fits their numbers."""


Scores: TypeAlias = dict[Spot, dict[Voice, float]]
"""How well each voice follows the hand on each level."""


@dataclass
class Picked:
    """`shapes`: those that may say levels, the most likely first, each with its voice for each level. `anyway`: voices
    that no hand moved, with the number of moves during which they were heard. `beside`: voices that followed the hand
    too, by level. `mute`: of what came along with the hand, but says no level, the voice with the most messages."""

    shapes: list[tuple[Shape, dict[Spot, Voice]]] = field(default_factory=list)
    anyway: dict[Voice, int] = field(default_factory=dict)
    beside: dict[Spot, list[Voice]] = field(default_factory=dict)
    mute: Voice | None = None


def pick(parts: Sequence[Part], voices: Voices, spots: Sequence[Spot]) -> Picked:
    """The voices of these levels; they are all of one kind: sends, or whole mixes."""
    found = Picked()
    heard = {voice: {sample.part for sample in samples} for voice, samples in voices.series.items()}
    news = {voice: _news(parts, samples) for voice, samples in voices.series.items()}
    found.anyway = {voice: len(heard[voice]) for voice, told in news.items() if _anyway(parts, _busy(told))}
    scores: Scores = {spot: {} for spot in spots}
    for voice, told in news.items():
        if voice not in found.anyway:
            for part, values in told.items():
                spot = parts[part][0].spot
                if spot in scores:
                    more = _follows(parts[part][0].way, values)
                    scores[spot][voice] = scores[spot].get(voice, 0.0) + more
    for shape in _likely(scores):
        found.shapes.append((shape, _of_shape(shape, scores)))
    first = found.shapes[0][1] if found.shapes else {}
    for spot, by_voice in scores.items():
        top = by_voice.get(first[spot], 0.0) if spot in first else 0.0
        found.beside[spot] = [
            voice for voice, score in by_voice.items() if voice != first.get(spot) and score >= max(CLEAR * top, 1.0)
        ]
    quiet = [voice for voice, where in heard.items() if voice not in found.anyway and _anyway(parts, where)]
    picked = {voice for _, own in found.shapes for voice in own.values()}
    mute = [voice for voice, where in heard.items() if _says_none(voice.shape) and not _anyway(parts, where)]
    found.mute = max(mute, key=lambda voice: len(voices.series[voice]), default=None)
    found.anyway |= {voice: len(heard[voice]) for voice in quiet if voice not in picked}
    return found


def _news(parts: Sequence[Part], samples: Sequence[Sample]) -> dict[int, list[Code]]:
    """By move, the values that were not said just before. What is said first while nothing is moved is no news."""
    told: dict[int, list[Code]] = {}
    last: Code | None = None
    for sample in samples:
        first = last is None and parts[sample.part][0].way is Way.NOTHING
        if sample.value != last and not first:
            told.setdefault(sample.part, []).append(sample.value)
        last = sample.value
    return told


def _busy(told: dict[int, list[Code]]) -> set[int]:
    """The moves with about as many different news as the others: where some bytes got lost, a level that rests seems to
    have one or two."""
    different = {part: len(set(values)) for part, values in told.items()}
    most = max(different.values(), default=0)
    return {part for part, count in different.items() if count >= BUSY * most}


def _anyway(parts: Sequence[Part], where: set[int]) -> bool:
    """Whether a voice that is heard in these moves is heard with most other levels, whichever it may be of."""
    spots = {parts[at][0].spot for at in where}
    every = {move.spot for move, _ in parts}
    if spots <= {None}:
        return True
    return all(len(spots - {spot}) > ANYWAY_SHARE * len(every - {spot}) for spot in spots if spot is not None)


def _follows(way: Way, values: Sequence[Code]) -> float:
    """How well a voice follows the hand in one move: its different values, less in a sweep through which it does not
    rise, or fall."""
    if way is not Way.SWEEP:
        return min(len(set(values)), VALUES_MAX)
    return either_way(_risen, values)


def _risen(values: Sequence[Code]) -> float:
    risen = climb(values)
    return min(len(set(risen)), VALUES_MAX) * rising(risen)


def _likely(scores: Scores) -> list[Shape]:
    """The shapes that may say levels: those that do so for the most levels first, then those that follow better."""
    levels: dict[Shape, int] = {}
    total: dict[Shape, float] = {}
    for by_voice in scores.values():
        best: dict[Shape, float] = {}
        for voice, score in by_voice.items():
            best[voice.shape] = max(best.get(voice.shape, 0.0), score)
        for shape, score in best.items():
            if score >= 1.0:
                levels[shape] = levels.get(shape, 0) + 1
                total[shape] = total.get(shape, 0.0) + score
    usable = [shape for shape in levels if not _says_none(shape)]
    return sorted(usable, key=lambda shape: (-levels[shape], -total[shape]))


def _says_none(shape: Shape) -> bool:
    """Whether no level was ever said that way: a note, a program, a message without a value."""
    return shape.odd in (NO_LEVEL, NO_NUMBER, NO_CHANGE)


def _of_shape(shape: Shape, scores: Scores) -> dict[Spot, Voice]:
    """The voice of each level that is of that shape: the one that follows best, or its rival that fits the others."""
    best: dict[Spot, Voice] = {}
    rivals: dict[Spot, list[Voice]] = {}
    for spot, by_voice in scores.items():
        own = [voice for voice in by_voice if voice.shape == shape]
        if own:
            best[spot] = max(own, key=by_voice.__getitem__)
            top = by_voice[best[spot]]
            rivals[spot] = [voice for voice in own if voice != best[spot] and by_voice[voice] >= CLEAR * top]
    clear = {spot: voice for spot, voice in best.items() if not rivals[spot]}
    if len(clear) >= FITS:
        count = range(len(next(iter(clear.values())).numbers))
        numbers = [strides({spot: voice.numbers[at] for spot, voice in clear.items()}) for at in count]
        for spot, others in rivals.items():
            fits = Voice(shape, tuple(one.at(spot) for one in numbers))
            if fits in others:
                best[spot] = fits
    return best
