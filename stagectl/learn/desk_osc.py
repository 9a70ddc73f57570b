"""Sorting what a desk said over OSC into voices.

Pure. Messages with one address, but for its numbers, and with the same types of arguments are looked at together. Some
senders type whole numbers as integers and others as floats, at one place of one address: a place is one of real numbers
if any of its numbers is. Of the numbers among their arguments the value is the one that changed most in some move;
whole numbers beside it tell levels apart as those of the address do, and all else has to stay the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from typing import Final, NamedTuple, TypeAlias

from stagectl.learn.desk_voices import HOLE, NO_NUMBER, NUMBER, Sample, Shape, Voice
from stagectl.learn.write import quoted
from stagectl.show.osc_template import ArgumentText, Word, fixed
from stagectl.wire.osc import Argument, OscMessage

_DIGITS: Final = re.compile(r"[0-9]+")


class Heard(NamedTuple):
    """A message. `at`: ns; `part`: during which move."""

    at: int
    part: int
    message: OscMessage


class Layout(NamedTuple):
    """What stands where among the arguments. `hole`: the value; `real`: it is a real number; `words`: one for each, as
    a shape has them."""

    hole: int | None
    real: bool = False
    words: tuple[str, ...] = ()
    odd: str = ""


Key: TypeAlias = tuple[str, tuple[type, ...]]


def osc_voices(heard: Sequence[Heard]) -> Iterator[tuple[Voice, Sample]]:
    """Each message with its value taken out."""
    groups: dict[Key, list[Heard]] = {}
    for one in heard:
        groups.setdefault(_key(one.message), []).append(one)
    layouts = {key: _layout(group) for key, group in groups.items()}
    padded = _padded(one.message.address for one in heard)
    for one in heard:
        key = _key(one.message)
        yield _voice(one, layouts[key], padded[key[0]])


def _key(message: OscMessage) -> Key:
    kinds = (float if _is_number(one) else type(one) for one in message.arguments)
    return _DIGITS.sub(NUMBER, message.address), tuple(kinds)


def _is_number(argument: Argument) -> bool:
    return isinstance(argument, int | float) and not isinstance(argument, bool)


def _padded(addresses: Iterable[str]) -> dict[str, tuple[int, ...]]:
    """The width of each number of an address, by the address without its numbers: 0 unless one begins with 0."""
    widths: dict[str, tuple[int, ...]] = {}
    for address in dict.fromkeys(addresses):
        here = [len(one) if one[0] == "0" and len(one) > 1 else 0 for one in _DIGITS.findall(address)]
        template = _DIGITS.sub(NUMBER, address)
        widths[template] = tuple(map(max, widths.get(template, (0,) * len(here)), here))
    return widths


def _voice(heard: Heard, layout: Layout, padded: tuple[int, ...]) -> tuple[Voice, Sample]:
    address, arguments = heard.message
    value = 0 if layout.hole is None else arguments[layout.hole]
    assert isinstance(value, int | float)
    value = float(value) if layout.real else value
    counted = [one for one, word in zip(arguments, layout.words, strict=False) if word == NUMBER]
    numbers = (*map(int, _DIGITS.findall(address)), *(one for one in counted if isinstance(one, int)))
    shape = Shape(
        "osc",
        None if layout.real else 14,
        _DIGITS.sub(NUMBER, address),
        padded=padded,
        arguments=layout.words,
        odd=layout.odd,
    )
    return Voice(shape, numbers), Sample(heard.at, heard.part, value)


def _layout(group: Sequence[Heard]) -> Layout:
    """Where the value of some messages of one shape stands."""
    kinds = [_kind(group, at) for at in range(len(group[0].message.arguments))]
    numbers = [at for at, kind in enumerate(kinds) if kind in (int, float)]
    if not numbers:
        return Layout(None, odd=NO_NUMBER)
    hole = max(numbers, key=lambda at: (_changes(group, at), at))
    real = kinds[hole] is float
    if len(kinds) == 1:
        return Layout(hole, real)
    words, odd = [], ""
    for at, kind in enumerate(kinds):
        values = {fixed(one.message.arguments[at]) for one in group}
        word = HOLE if at == hole else NUMBER if kind is int else _typed(group[0].message.arguments[at])
        if word in (HOLE, NUMBER) or (word and len(values) == 1):
            words.append(word)
            continue
        words.append("..")
        why = "changes, and only whole numbers tell a profile's levels apart" if word else "is nothing that a file says"
        odd = odd or f"its argument {at + 1} {why}"
    return Layout(hole, real, tuple(words), odd)


def _kind(group: Sequence[Heard], at: int) -> type:
    """The type of an argument: a whole number only where it is one in all of the messages."""
    kinds = {type(one.message.arguments[at]) for one in group}
    return float if float in kinds else kinds.pop()


def _changes(group: Sequence[Heard], at: int) -> int:
    """How many different values an argument has in the move in which it has the most."""
    values: dict[int, set[Argument]] = {}
    for one in group:
        values.setdefault(one.part, set()).add(one.message.arguments[at])
    return max(map(len, values.values()))


def _typed(argument: Argument) -> str:
    """An argument as a file says it; empty where none does."""
    if isinstance(argument, bool):
        return "yes" if argument else "no"
    if isinstance(argument, float):
        typed = repr(argument) if "e" not in repr(argument) else f"{argument:.9f}"
    else:
        typed = argument if isinstance(argument, str) else ""
    with suppress(ValueError):
        again = ArgumentText().parse(typed)
        if typed and not isinstance(again, Word) and fixed(again) == fixed(argument):
            return quoted(typed) if isinstance(argument, str) else typed
    return ""
