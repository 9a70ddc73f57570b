"""Times in a song that are typed with a point, where a colon may be meant: `4.30` is 4.3 s, and a song takes 4:30."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from stagectl.errors import Advice
from stagectl.show.clock_values import SECOND_NS, span_text
from stagectl.show.timing import TRACK_S
from stagectl.show.values import Duration, plain

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show
    from stagectl.show.yamltext import Path

_POINT: Final = r"([0-9]+)\.([0-5][0-9])"
"""A number without a unit that may be minutes and seconds: whoever means seconds seldom types two decimals."""


def time_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """A warning for each length of a song, and each place of a section in its track, that may be minutes and
    seconds."""
    source = show.sources["setlist"]
    for at in range(len(show.setlist.songs)):
        for place, typed, ns in _times(show, source.text.data["songs"][at], at):
            is_ = f"`{plain(typed)}` says no unit, so it is {span_text(ns)}"
            yield source.advice(f"{is_}; did you mean `{_colon(typed)}`?", "songs", at, *place)


def _times(show: Show, written: Any, at: int) -> Iterator[tuple[Path, Any, int]]:
    """Those of a song as it is written: where in it they stand, as what they were typed, and what that is, ns. What
    would be at or behind the track's end, or the next section, can only be seconds."""
    song, ends = show.setlist.songs[at], TRACK_S * SECOND_NS + 1
    if song.length is not None:
        other = _other(written["length"], ends)
        if other is not None and other != song.length:
            yield ("length",), written["length"], song.length
        ends = max(song.length, other or 0)
    for part, section in reversed(list(enumerate(song.sections))):
        if section.at is None:
            continue
        position, typed = section.at.at(show.tempos.get(at)), written["sections"][part]["at"]
        other = _other(typed, ends)
        if other is not None and other != position:
            yield ("sections", part, "at"), typed, position
        ends = max(position, other or 0)


def _colon(typed: Any) -> str | None:
    """`4:30` for `4.30`; None where that cannot be meant."""
    found = re.fullmatch(_POINT, plain(typed))
    return None if found is None else f"{found[1]}:{found[2]}"


def _other(typed: Any, before: int) -> int | None:
    """What that is, ns; None where it would not be before another time."""
    colon = _colon(typed)
    other = None if colon is None else Duration(TRACK_S).read(colon)
    return other if other is not None and other < before else None
