"""Where on the wire a kind of level is said: the voices of the levels that were moved, as a profile says them.

Pure. A profile counts by strides: `first`, `per input`, `per mix`; SysEx holds input and mix as bytes counted from 0,
OSC addresses as plain numbers counted from 1. What it cannot say is told plainly.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from stagectl.learn.desk_moves import Spot
from stagectl.learn.desk_numbering import Strides, strides, varies
from stagectl.learn.desk_voices import Shape, Voice, osc_address
from stagectl.learn.verdict import Sure, count

ENOUGH: Final = 4
"""Levels that make the strides sure: three give them, one more proves them."""


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
    cannot: list[str] = []
    words = [_word(one, 0, "byte", cannot) for one in numbers]
    values = ["{value}"] if len(shape.places) == 1 else ["{value msb}", "{value lsb}"]
    body: list[str] = []
    for at in range(1, int(shape.text) - 1):
        if at in shape.places:
            body.append(dict(zip(shape.places, values, strict=False)).get(at, "{value}"))
        elif at in shape.padded:
            body.append("00")
        else:
            word = words.pop(0)
            body.append(word if isinstance(word, str) else f"{word:02X}")
    return [f"sysex: {' '.join(['F0', *body, 'F7'])}"], cannot


def _osc(shape: Shape, numbers: list[Strides]) -> tuple[list[str], list[str]]:
    cannot: list[str] = []
    words = [_word(one, 1, "number", cannot) for one in numbers]
    widths = [width for width, word in zip(shape.padded, words, strict=True) if isinstance(word, str) and width]
    if widths:
        cannot.append(f"its address pads numbers with zeros to {widths[0]} digits, and a profile's are plain")
    kind = "float" if shape.bits is None else "int"
    return [f"osc: {osc_address(shape, words)}", f"type: {kind}"], cannot


def _word(one: Strides, base: int, what: str, cannot: list[str]) -> int | str:
    """What stands for a number: `{input}`, `{mix}`, or the number itself where it never changes. A profile counts from
    `base`."""
    if not one.per_input and not one.per_mix:
        return one.first
    for word, stride in (("input", (1, 0)), ("mix", (0, 1))):
        if (one.per_input, one.per_mix) == stride:
            if one.first != base:
                cannot.append(f"it counts the {word} from {one.first}; a profile's {what} is counted from {base}")
            return f"{{{word}}}"
    grows = ", ".join(f"{by} with each {word}" for word, by in (("input", one.per_input), ("mix", one.per_mix)) if by)
    cannot.append(f"a {what} grows by {grows}; a profile's is the input's or the mix's own number there")
    return "{input}" if one.per_input else "{mix}"
