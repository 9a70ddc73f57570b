"""Times that are typed with a point, where a colon may be meant: `4.30` is 4.3 s, and a song takes 4:30."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final, NamedTuple

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


class Pointed(NamedTuple):
    """Such a time. `says`: what it is as it stands; `meant`: what it may be meant to be, ns, and `hint` says so."""

    says: str
    meant: int
    hint: str


def pointed(typed: Any, longest_s: int) -> Pointed | None:
    """What a time that was typed may be meant to be; None where it is as typed, or what else it could be would be
    longer than the longest."""
    found = re.fullmatch(_POINT, plain(typed))
    if found is None:
        return None
    kind, clock = Duration(longest_s), f"{found[1]}:{found[2]}"
    ns, meant = kind.read(found[0]), kind.read(clock)
    if ns is None or meant is None or meant == ns:
        return None
    return Pointed(f"`{found[0]}` says no unit, so it is {span_text(ns)}", meant, f"; did you mean `{clock}`?")


def time_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """A warning for each length of a song, and each place of a section in its track, that may be minutes and
    seconds."""
    source = show.sources["setlist"]
    for at in range(len(show.setlist.songs)):
        for place, one in _times(show, source.text.data["songs"][at], at):
            yield source.advice(one.says + one.hint, "songs", at, *place)


def _times(show: Show, written: Any, at: int) -> Iterator[tuple[Path, Pointed]]:
    """Those of a song as it is written, and where in it they stand. What would be at or behind the track's end, or the
    next section, can only be seconds."""
    song, ends = show.setlist.songs[at], TRACK_S * SECOND_NS + 1
    times: list[tuple[Path, Any, int]] = []
    if song.length is not None:
        times = [(("length",), written["length"], song.length)]
    for part, section in reversed(list(enumerate(song.sections))):
        if section.at is not None:
            position = section.at.at(show.tempos.get(at))
            times.append((("sections", part, "at"), written["sections"][part]["at"], position))
    for place, typed, ns in times:
        one = pointed(typed, TRACK_S)
        if one is not None and one.meant < ends:
            yield place, one
            ns = max(ns, one.meant)
        ends = ns
