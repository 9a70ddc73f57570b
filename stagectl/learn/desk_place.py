"""Where on the wire a kind of level is said: the voices of the levels that were moved, as a profile says them.

Pure. A profile counts by strides: `first`, `per input`, `per mix`; where nothing else is said, the words of SysEx count
from 0 and those of OSC addresses from 1. What it cannot say is told plainly.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from stagectl.learn.desk_moves import Spot
from stagectl.learn.desk_numbering import Strides, strides, varies
from stagectl.learn.desk_voices import Shape, Voice, osc_address, osc_arguments
from stagectl.learn.verdict import Sure, count
from stagectl.show.sysex_template import FROM_HERE, INPUT, MIX, VALUE, VALUE_LSB, VALUE_MID, VALUE_MSB

ENOUGH: Final = 4
"""Levels that make the strides sure: three give them, one more proves them."""


_VALUE_WORDS: Final = {1: (VALUE,), 2: (VALUE_MSB, VALUE_LSB), 3: (VALUE_MSB, VALUE_MID, VALUE_LSB)}
"""The words of a value of so many bytes, the most significant first."""


@dataclass(frozen=True)
class Placed:
    """A place on the wire. `typed`: the lines under `say:`. `why`: the evidence; `cannot`: why a profile cannot say it;
    `against`: levels that no stride explains; `wanted`: what to do to be sure."""

    shape: Shape
    typed: tuple[str, ...]
    sure: Sure
    why: str
    cannot: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    wanted: tuple[str, ...] = ()
    explained: int = 0


def place(shape: Shape, voices: Mapping[Spot, Voice], whole: bool) -> Placed:
    """The place of these levels, of one shape; at least one. `whole`: they are whole mixes."""
    numbers = [
        strides({spot: voice.numbers[at] for spot, voice in voices.items()})
        for at in range(len(next(iter(voices.values())).numbers))
    ]
    explained, against = 0, []
    for spot, voice in voices.items():
        told = Voice(shape, tuple(one.at(spot) for one in numbers))
        explained += told == voice
        if told != voice:
            against.append(f"{spot} was said by {voice}; after the other levels it would be {told}")
    typed, cannot = _typed(shape, numbers)
    if shape.odd:
        cannot.insert(0, shape.odd)
    cannot += _shared(voices)
    inputs, mixes = varies(voices)
    wanted = []
    if not inputs and not whole:
        wanted.append("move another input of the same mix: it is not known how the inputs are counted")
    if not mixes:
        wanted.append("move the same in another mix: it is not known how the mixes are counted")
    why = f"{explained} of {count(len(voices), 'level')} explained by the numbers"
    needed = ENOUGH - whole
    sure = Sure.NOT if wanted or against else Sure.SURE if len(voices) >= needed else Sure.FAIRLY
    if sure is Sure.FAIRLY:
        wanted.append("move one more level, with another input and another mix: it proves the numbers")
    return Placed(shape, tuple(typed), sure, why, tuple(cannot), tuple(against), tuple(wanted), explained)


def _shared(voices: Mapping[Spot, Voice]) -> Iterator[str]:
    """Levels that one voice says."""
    said: dict[Voice, Spot] = {}
    for spot, voice in voices.items():
        other = said.setdefault(voice, spot)
        if other != spot:
            yield f"{other} and {spot} are both said by {voice}"


def _typed(shape: Shape, numbers: list[Strides]) -> tuple[list[str], list[str]]:
    """The lines, and why they cannot be right."""
    if shape.kind == "sysex":
        return _sysex(shape, numbers)
    if shape.kind == "osc":
        return _osc(shape, numbers)
    cannot = [f"the number {one.first} is below 0" for one in numbers if one.first < 0]
    if len(numbers) < 2:
        return [], cannot
    channel, number = numbers[:2]
    return [f"channel: {number_text(channel)}", f"{shape.kind}: {number_text(number)}"], cannot


def number_text(one: Strides) -> str:
    """A number as a profile says it: `7`, `{first: 16, per input: 1}`."""
    parts = [f"first: {one.first}"]
    if one.per_input:
        parts.append(f"per input: {one.per_input}")
    if one.per_mix:
        parts.append(f"per mix: {one.per_mix}")
    return f"{one.first}" if len(parts) == 1 else f"{{{', '.join(parts)}}}"


def _sysex(shape: Shape, numbers: list[Strides]) -> tuple[list[str], list[str]]:
    words, more, cannot = _words(numbers, 0)
    known = dict(zip(shape.places, _VALUE_WORDS.get(len(shape.places), ()), strict=False))
    summed = shape.checksum
    if summed is not None:
        known[summed.at] = summed.word
    body: list[str] = []
    for at in range(1, int(shape.text) - 1):
        if summed is not None and summed.start == at > 1:
            body.append(f"{{{FROM_HERE}}}")
        word = f"{{{known[at]}}}" if at in known else words.pop(0)
        body.append(word if isinstance(word, str) else f"{word:02X}")
    return [f"sysex: {' '.join(['F0', *body, 'F7'])}", *more], cannot


def _osc(shape: Shape, numbers: list[Strides]) -> tuple[list[str], list[str]]:
    words, more, cannot = _words(numbers, 1)
    digits = max(shape.padded, default=0)
    padded = list(zip(numbers, shape.padded, words, strict=False))
    if any(isinstance(word, str) and width for _, width, word in padded):
        more.append(f"digits: {digits}")
        if any(
            isinstance(word, str) and width < digits and one.first < 10 ** (digits - 1) for one, width, word in padded
        ):
            cannot.append(f"its address pads a number with zeros to {digits} digits, and another otherwise")
    if shape.arguments:
        # Braces are quoted: YAML takes them for a mapping.
        typed = [f'"{one}"' if one.startswith("{") else one for one in osc_arguments(shape, words)]
        more.append(f"arguments: [{', '.join(typed)}]")
    kind = "float" if shape.bits is None else "int"
    return [f"osc: {osc_address(shape, words)}", *more, f"type: {kind}"], cannot


def _words(numbers: list[Strides], base: int) -> tuple[list[int | str], list[str], list[str]]:
    """What stands for each number: `{input}`, `{mix}`, or the number itself where it never changes; the lines that say
    how these words count, where not from `base` on; and why they cannot be right."""
    stands: dict[Strides, str] = {}
    growing = [one for one in dict.fromkeys(numbers) if one.per_input or one.per_mix]
    # Those that have a word of their own take it first.
    for one in sorted(growing, key=lambda one: bool(one.per_input) == bool(one.per_mix)):
        wished = INPUT if one.per_input else MIX
        free = [word for word in (wished, INPUT, MIX) if word not in stands.values()]
        if free:
            stands[one] = free[0]
    cannot = []
    if len(stands) < len(growing):
        cannot.append(
            f"{len(growing)} of its numbers change from level to level in ways of their own, and a profile has two"
        )
    cannot += [f"the number {one.first} is below 0" for one in growing if one.first < 0]
    plain = {INPUT: Strides(base, 1, 0), MIX: Strides(base, 0, 1)}
    more = [f"{word}: {number_text(one)}" for one, word in stands.items() if one != plain[word]]
    return [f"{{{stands[one]}}}" if one in stands else one.first for one in numbers], sorted(more), cannot
