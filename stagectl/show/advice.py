"""What `check` warns of in a show that has no faults: each row of `ADVISERS` looks at one side of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Final, TypeAlias

from stagectl.errors import Advice
from stagectl.show.ceiling_fit import ceiling_advice
from stagectl.show.clarity import clarity_advice
from stagectl.show.compile import compile_show
from stagectl.show.low_fit import low_advice
from stagectl.show.name_fit import name_advice
from stagectl.show.patch_fit import patch_advice
from stagectl.show.port_fit import port_advice
from stagectl.show.set_length import set_length_advice
from stagectl.show.time_fit import time_advice
from stagectl.show.timetable_fit import timetable_advice
from stagectl.show.track_fit import track_advice
from stagectl.show.whole_mix_fit import whole_mix_advice

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show

Adviser: TypeAlias = "Callable[[Show, Plan], Iterable[Advice]]"
"""Looks at a sound show, and at its plan for the venue that was chosen."""

ADVISERS: Final[tuple[Adviser, ...]] = (
    name_advice,
    ceiling_advice,
    low_advice,
    patch_advice,
    port_advice,
    clarity_advice,
    whole_mix_advice,
    track_advice,
    time_advice,
    timetable_advice,
    set_length_advice,
)
"""Who is asked."""


def advice_on(
    show: Show, plan: Plan, proved: Iterable[Advice] = (), elsewhere: Iterable[tuple[str, Plan]] = ()
) -> list[Advice]:
    """Every warning, those of the proof too, by the order in which the files were read and then by line, none said
    twice. `elsewhere`: other venues and their plans: what is warned of only there says so."""
    files = {str(source.path): at for at, source in reversed(list(enumerate(show.sources.values())))}
    found = dict.fromkeys([*proved, *_asked(show, plan)])
    known = set(map(_subject, found))
    there: dict[Advice, list[str]] = {}
    for venue, other in elsewhere:
        for advice in _asked(show, other):
            if _subject(advice) not in known:
                there.setdefault(advice, []).append(f"at `{venue}`")
    told = [*found, *(advice._replace(text=f"{advice.text} ({', '.join(at)})") for advice, at in there.items())]
    return sorted(told, key=lambda advice: (files.get(advice.file, len(files)), advice.line))


def elsewhere(show: Show, venue: str | None) -> Iterator[tuple[str, Plan]]:
    """Every venue and its plan, where none is chosen."""
    for name in () if venue else show.setlist.venues:
        yield name, compile_show(show, name).plan


def _subject(advice: Advice) -> tuple[str, int, *tuple[str, ...]]:
    """What a warning is of: its place, and the names and values of the files that it says. The figures may be others
    at a venue."""
    return (advice.file, advice.line, *re.findall("`[^`]*`", advice.text))


def _asked(show: Show, plan: Plan) -> list[Advice]:
    return [advice for adviser in ADVISERS for advice in adviser(show, plan)]
