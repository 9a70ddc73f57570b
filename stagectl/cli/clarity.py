"""How clear the mixes of a show are, as tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from stagectl.cli.common import aligned
from stagectl.ears.clarity import ASSUMED, Clarity
from stagectl.story.rows import stop_names
from stagectl.story.words import place

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.clarity import MixClarity

HEAD: Final = ("", "leads with", "least clear", "rivals", "in", "clearest", "rivals", "in", "off in")

LEFT: Final = (0, 1, 4, 7)
"""The columns that begin at the left; numbers end at the right."""


def table(plan: Plan, mixes: Sequence[MixClarity], whole: bool) -> Iterator[str]:
    """The lines of the table, a line a listener; `whole`: with every place below it. Nothing where nobody leads with
    anything."""
    if not mixes:
        return
    yield (
        f"  clarity, what each leads with against the rest of the mix together, {ASSUMED} "
        "(rivals: from 6 dB below it up):"
    )
    yield from aligned([HEAD, *(_row(plan, mix) for mix in mixes)], LEFT)
    if whole:
        yield "  clarity in every place, dB above the rest and rivals:"
        head = ("", *(mix.listener for mix in mixes))
        rows = [(_name(plan, stop), *(_short(mix.at[stop]) for mix in mixes)) for stop in range(len(plan.stops))]
        yield from aligned([head, *rows], LEFT[:1])


def _row(plan: Plan, mix: MixClarity) -> tuple[str, ...]:
    stops = mix.ranked
    off = str(len(mix.without) or "")
    if not stops:
        return mix.listener, mix.lead, *("",) * 6, off
    best = next(stop for stop in stops if mix.at[stop].above == mix.at[stops[-1]].above)
    ends = (cell for stop in (stops[0], best) for cell in _cells(plan, stop, mix.at[stop]))
    return mix.listener, mix.lead, *ends, off


def _cells(plan: Plan, stop: int, clear: Clarity) -> tuple[str, ...]:
    return clear.text(), str(clear.rivals), _name(plan, stop)


def _short(clear: Clarity) -> str:
    """`-3.1, 4`, `alone`, `off`."""
    if not clear.is_in:
        return "off"
    return "alone" if clear.tenths is None else f"{clear.tenths / 10:+.1f}, {clear.rivals}"


def _name(plan: Plan, stop: int) -> str:
    return place(*stop_names(plan, stop))
