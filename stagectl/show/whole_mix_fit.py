"""Whole mixes that a `mix ceiling` counts, and that nothing tells or reads.

Where the setlist leaves the whole mixes alone, the ceiling of a mix as a sum counts them as 0 dB, and a desk that can
be read says where that is wrong (`core/whole_mixes.py`). Of one that cannot, only whoever stands at it knows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from stagectl.core.whole_mixes import is_left_alone
from stagectl.errors import Advice
from stagectl.show.rig import RigModel

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show

NAMED_MAX: Final = 4
"""Listeners that are named one by one; more are counted."""


def whole_mix_advice(show: Show, plan: Plan) -> Iterator[Advice]:
    """The same as `counted_as_0_db`, at the line of the ceiling."""
    whose = _counted(show.rig, plan)
    if whose:
        is_own = show.rig.listeners[whose[0]].mix_ceiling is not None
        place = ("listeners", whose[0], "mix ceiling") if is_own else ("mix ceiling",)
        yield show.sources["rig"].advice(_sentence(plan, whose), *place)


def counted_as_0_db(rig: RigModel, plan: Plan) -> str | None:
    """Whose whole mix is to be set to 0 dB by hand, so that the ceiling that the rig says holds; None where that is
    nobody's. The ceiling that counts where the rig says none is no promise to anybody."""
    whose = _counted(rig, plan)
    return _sentence(plan, whose) if whose else None


def _counted(rig: RigModel, plan: Plan) -> list[int]:
    is_said = "mix_ceiling" in rig.model_fields_set
    return [
        at
        for at, listener in enumerate(rig.listeners)
        if (is_said or listener.mix_ceiling is not None)
        and is_left_alone(plan, plan.send(at, plan.whole))
        and not plan.can_read(plan.send(at, plan.whole))
    ]


def _sentence(plan: Plan, whose: Sequence[int]) -> str:
    of = names(plan.listeners[at] for at in whose)
    if len(whose) == 1:
        what, it, one = f"whole mix of {of}, and the ceiling of that mix counts it", "it", "the"
    else:
        what, it, one = f"whole mixes of {of}, and the ceilings of these mixes count them", "them", "a"
    by_hand = f"set {it} there by hand at the desk; above that, {one} mix may be as much louder"
    return f"nothing tells or reads the {what} as 0 dB: {by_hand}"


def names(of: Iterable[str]) -> str:
    """Names in a sentence; many are counted."""
    every = list(of)
    listed = every if len(every) <= NAMED_MAX else [*every[: NAMED_MAX - 1], f"{len(every) - NAMED_MAX + 1} more"]
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} and {listed[-1]}"
