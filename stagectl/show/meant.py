"""What was probably meant by a value that cannot be read, or by an unknown key: slips that are common, each tried in
turn."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any, Final, TypeAlias

from stagectl.errors import closest
from stagectl.show.values import NUMBER_MAX, plain

VERY_ALIKE: Final = 0.8
"""How close a text is to a known one (`difflib`) where that was meant, whatever else it could be."""

Slips: TypeAlias = tuple[tuple[str, str], ...]
"""What is typed as a whole, and what is meant by it (groups as in `re.sub`)."""

_NUMBER = r"[0-9]*\.?[0-9]+"
_DASH = r"[-\u2010-\u2015\u2212]"

_QUOTED: Final[Slips] = ((r"[“”„‘’‚«»](.*)[“”„‘’‚«»]", r"\1"),)
"""Quotes that are none to YAML."""

_COMMA: Final[Slips] = ((r"([0-9]+),([0-9]+.*)", r"\1.\2"),)

LEVEL: Final[Slips] = (
    *_QUOTED,
    (rf"{_DASH} *({_NUMBER}.*)", r"-\1"),
    (rf"([+-]?{_NUMBER}) *(?:dB ?\(?(?:fs|u|v|a)\)?|decibels?)", r"\1"),
    (rf"{_DASH}? *(?:inf|infinity|∞)(?: *dB)?", "off"),
    (r"muted?|silen(?:t|ce)|none|out", "off"),
)
"""Of levels in dB: a dash for a minus, other units, other words for `off`."""

SHIFT: Final[Slips] = (
    *LEVEL,
    (rf"(up|down) *(?:by\b)? *\+?({_NUMBER}.*)", r"\1 \2"),
    (rf"({_NUMBER}) *(?:dB)? *(up|down)", r"\2 \1"),
    (rf"(?:louder|more|raise|plus) *(?:by\b)? *({_NUMBER}.*)", r"up \1"),
    (rf"(?:quieter|softer|less|lower|minus) *(?:by\b)? *({_NUMBER}.*)", r"down \1"),
)
"""Of what a layer does to a level, and of changes."""

TIME: Final[Slips] = (
    *_QUOTED,
    *_COMMA,
    (r"([0-9]+) *(?:m|min|mins|minutes?|['′]) *([0-9]) *(?:s|secs?|seconds?|[\"″])?", r"\1:0\2"),
    (r"([0-9]+) *(?:m|min|mins|minutes?|['′]) *([0-9]{2}) *(?:s|secs?|seconds?|[\"″])?", r"\1:\2"),
    (r"([0-9]+) *(?:m|mins?|minutes?)", r"\1:00"),
    (rf"({_NUMBER}) *(?:secs?|seconds?)\.?", r"\1 s"),
    (rf"({_NUMBER}) *(?:msecs?|millis|milliseconds?)", r"\1 ms"),
)
"""Of lengths of time."""

TEMPO: Final[Slips] = (*_QUOTED, *_COMMA, (rf"({_NUMBER}) *bpm", r"\1"), (rf"[^0-9]*= *({_NUMBER})", r"\1"))
"""Of tempos: with a unit, or as on a sheet of music."""

PERCENT: Final[Slips] = (*_QUOTED, (rf"({_NUMBER}) *(?:%|per ?cent)", r"\1"))
"""Of numbers of percent."""

KEY: Final[Slips] = (
    (r"(?:double|two|twice|2) *-?_?(?:taps?|clicks?|hits?|kicks?|presses)", "double press"),
    (r"(?:long|held?|holding) *-?_?(?:taps?|clicks?|hits?|kicks?|press)|press and hold", "hold"),
    (r"tap|click|hit|kick|stomp|down", "press"),
    (r"let ?go|up", "release"),
)
"""Of keys: other words for gestures."""


def meant(typed: Any, slips: Slips, read: Callable[[str], object]) -> str:
    """`; did you mean `-5`?` where a text with a slip mended can be read; else an empty text. `read`: None for what
    cannot be read."""
    text = plain(typed)
    for pattern, mended in slips if len(text) <= NUMBER_MAX else ():
        found = re.fullmatch(pattern, text, re.IGNORECASE)
        if found is not None and read(found.expand(mended)) is not None:
            return f"{_HINT}`{found.expand(mended)}`?"
    return ""


def close(typed: Any, words: Iterable[str]) -> str:
    """`; did you mean `db`?` where a text is very close to one of a few words, which were all said, whatever the case;
    else an empty text."""
    text = plain(typed)
    found = closest(text, words, VERY_ALIKE) if len(text) <= NUMBER_MAX else None
    return "" if found is None else f"{_HINT}`{found}`?"


_HINT: Final = "; did you mean "


def before_hint(says: object, more: str) -> str:
    """A sentence with more in it, in front of its hint where it has one."""
    head, hint, end = str(says).partition(_HINT)
    return head + more + hint + end
