"""From a show to what its listeners' ears are compared with: the criterion, the base, what was measured."""

from __future__ import annotations

from typing import NamedTuple

from stagectl.core.levels import Level, Off
from stagectl.core.plan import Levels
from stagectl.ears.exposure import CRITERIA, Criterion
from stagectl.ears.mix import mix_sum
from stagectl.ears.report import Listener, Measured
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.exposure import MeasuredModel
from stagectl.show.load import Show


class Setting(NamedTuple):
    """`base`: the base as the setlist has it, with no venue over it, in the desk's steps."""

    criterion: Criterion
    base: Levels
    listeners: tuple[Listener, ...]


def setting_of(show: Show, compiled: Compiled | None = None) -> Setting:
    """What the estimates of a show rest on. `compiled`: what it comes to with no venue, where that is at hand."""
    plan = (compiled or compile_show(show)).plan
    base = plan.rests[0].steps
    listeners = []
    for at, one in enumerate(show.rig.listeners):
        *sends, whole = base[at * plan.width : (at + 1) * plan.width]
        together = mix_sum(sends, whole)
        listeners.append(Listener(name=one.name, base=together, measured=_measured(one.measured, together)))
    return Setting(CRITERIA[show.rig.exposure.criterion], base, tuple(listeners))


def _measured(model: MeasuredModel | None, base: Level) -> Measured | None:
    """What was measured; nothing where it says no sum and the base has none."""
    given = base if model is None or model.mix_sum is None else model.mix_sum
    if model is None or isinstance(given, Off):
        return None
    return Measured(level=model.level, mix_sum=given, how=model.how)
