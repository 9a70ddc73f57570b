"""Places, sends and feet of a plan, as the sentences of the proof name them."""

from __future__ import annotations

from stagectl.core.levels import plain_text
from stagectl.core.plan import Plan
from stagectl.core.state import Place
from stagectl.proof.fallen import BASE
from stagectl.proof.reach import Foot


def db_words(hundredths: int) -> str:
    """`26 dB`, `1.5 dB`, `0.43 dB`."""
    return f"{plain_text(hundredths)} dB"


def send_words(plan: Plan, send: int) -> str:
    """`kick` of `drummer`."""
    listener, column = divmod(send, plan.width)
    return f"`{plan.column_name(column)}` of `{plan.listeners[listener]}`"


def place_words(plan: Plan, place: Place) -> str:
    """`half time` of `Ten Past Never`; the base; a scene over one of them."""
    at = plan.stops[place.stop]
    name = "the base" if at.song < 0 else f"`{at.name}`"
    if at.section >= 0:
        name += f" of `{plan.song_name(place.stop)}`"
    if place.scene is None:
        return name
    scene = plan.scenes[place.scene].name
    return f"the base, fallen back to from {name}" if scene == BASE else f"the scene `{scene}` over {name}"


def way_words(plan: Plan, before: Place, after: Place) -> str:
    """From one place to another; two sections of one song share its name."""
    one, other = plan.stops[before.stop], plan.stops[after.stop]
    if one.song == other.song and one.section >= 0 and other.section >= 0 and before.scene is None:
        return f"`{one.name}` to {place_words(plan, after)}"
    return f"{place_words(plan, before)} to {place_words(plan, after)}"


def foot_words(plan: Plan, foot: Foot) -> str:
    """`treadle` of `vocal pedal`."""
    pedal = plan.pedals[foot.pedal]
    return f"`{pedal.controls[foot.control].name}` of `{pedal.name}`"
