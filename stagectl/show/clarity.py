"""How clear each listener's mix is at every stop of a plan, and what is to be warned of.

The levels are those that the plan asks the desk for with nobody's nudges, held at ceilings and the desk's range.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from stagectl.core.levels import plain_text
from stagectl.core.plan import Plan
from stagectl.ears.clarity import ASSUMED, Clarity, clarity
from stagectl.errors import Advice
from stagectl.show.names import column, lead_of
from stagectl.show.origin import name_path
from stagectl.show.rig import RigModel

if TYPE_CHECKING:
    from stagectl.show.load import Show


class MixClarity(NamedTuple):
    """One listener's mix through the night. `lead`: the input that they lead with; `at`: how clear the mix is, by
    stop."""

    listener: str
    lead: str
    at: tuple[Clarity, ...]

    @property
    def ranked(self) -> list[int]:
        """The stops where the lead is in the mix, from the least clear to the clearest, the earlier ones first."""
        here = [stop for stop, clear in enumerate(self.at) if clear.is_in]
        return sorted(here, key=lambda stop: (self.at[stop].above is None, self.at[stop].above or 0))

    @property
    def without(self) -> list[int]:
        """The stops where the lead is not in the mix."""
        return [stop for stop, clear in enumerate(self.at) if not clear.is_in]


def mixes(rig: RigModel, plan: Plan) -> Iterator[MixClarity]:
    """The mixes of all listeners who lead with something."""
    for at, listener in enumerate(rig.listeners):
        name = lead_of(listener)
        lead = None if name is None else column(rig, listener, name)
        if name is not None and lead is not None:
            sends = slice(plan.send(at, 0), plan.send(at, plan.whole))
            yield MixClarity(listener.name, name, tuple(clarity(levels[sends], lead) for levels in plan.bounded))


def clarity_advice(show: Show, plan: Plan) -> Iterator[Advice]:
    """A warning for each mix that is less clear than the rig's thresholds allow, and one for each with more rivals:
    where it is worst, and in how many places. And one for each listener in whose mix what they lead with is nowhere on;
    of an own input the proof says so (`show/proof.py`)."""
    least, most = show.rig.clarity.above, show.rig.clarity.rivals
    for mix in mixes(show.rig, plan):
        at = plan.listeners.index(mix.listener)
        if not mix.ranked and plan.own[at] != plan.inputs.index(mix.lead):
            says = f"`{mix.lead}`, which `{mix.listener}` leads with, is off in every place of the set"
            yield show.sources["rig"].advice(f"{says}; say another input, or turn it on", "listeners", at, "leads with")
        under = [stop for stop in mix.ranked if (above := mix.at[stop].above) is not None and above < least]
        if under:
            says = f"stands {_stands(mix.at[under[0]].above or 0)} the rest together here"
            yield _advice(show, plan, mix, under, says, f"`above: {plain_text(least)}`")
        crowded = sorted((stop for stop in mix.ranked if mix.at[stop].rivals > most), key=lambda s: -mix.at[s].rivals)
        if crowded:
            rivals = mix.at[crowded[0]].rivals
            says = f"has {rivals} other input{'s' * (rivals != 1)} at most 6 dB below it or above it here"
            yield _advice(show, plan, mix, crowded, says, f"`rivals: {most}`")


def _stands(above: int) -> str:
    """`12.28 dB below`."""
    return f"{plain_text(abs(above))} dB {'above' if above > 0 else 'below'}"


def _advice(show: Show, plan: Plan, mix: MixClarity, stops: Sequence[int], says: str, wanted: str) -> Advice:
    more = len(stops) - 1
    others = f", and so it is in {more} other place{'s' * (more > 1)}" if more else ""
    asks = f"`clarity` of the rig asks for {wanted}{others}"
    sentence = f"`{mix.lead}`, which `{mix.listener}` leads with, {says}, {ASSUMED}; {asks}"
    return show.sources["setlist"].advice(sentence, *_place(plan, stops[0], mix.listener))


def _place(plan: Plan, stop: int, listener: str) -> tuple[str | int, ...]:
    """Where the setlist says what a stop is."""
    return ("base", listener) if plan.stops[stop].song < 0 else name_path(plan, stop)
