"""Do the settings of each control fit each other, and what the control sends? And do the pairs fit the controls?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from stagectl.core.gestures import FASTEST_MIN_NS
from stagectl.errors import Fault, nearest
from stagectl.show.hearing import HearOsc
from stagectl.show.mapping import ControlModel, MappingModel, PairModel
from stagectl.show.source import Source

_OF_A_TREADLE: Final = ("heel", "toe", "dead zone", "jitter", "curve", "smooth")
_OF_A_SWITCH: Final = (
    "hold time",
    "double time",
    "repeat time",
    "repeat fastest",
    "latching",
    "says up",
    "rests",
    "threshold",
    "bounce",
)
_TOGETHER_MIN_NS: Final = 1_000_000
_MS: Final = 1_000_000


def control_faults(mapping: MappingModel, source: Source) -> Iterator[Fault]:
    """Faults of every control, then of every pair."""
    for name, control in mapping.controls.items():
        yield from _out_of_place(name, control, source)
        yield from _values(name, control, source)
        if control.turn is None:
            for key, says in switch_wrongs(name, control):
                yield source.fault(says, "controls", name, key)
        else:
            yield from _travel(name, control, source)
    for at, pair in enumerate(mapping.together):
        yield from _pair(at, pair, mapping, source)


def _out_of_place(name: str, control: ControlModel, source: Source) -> Iterator[Fault]:
    """Settings of a switch on a treadle, and the other way round."""
    wrong, why = (_OF_A_SWITCH, "has a `turn`") if control.turn is not None else (_OF_A_TREADLE, "has no `turn`")
    kind = "a switch" if control.turn is not None else "a treadle"
    for key in wrong:
        if key.replace(" ", "_") in control.model_fields_set:
            yield source.fault(f"`{key}` is for {kind}, and `{name}` {why}", "controls", name, key)


def _values(name: str, control: ControlModel, source: Source) -> Iterator[Fault]:
    """Numbers that the control could never send."""
    is_osc = isinstance(control.sends, HearOsc)
    top = control.sends.sent_top
    for key, value in (
        ("threshold", control.threshold),
        ("heel", control.heel),
        ("toe", control.toe),
        ("jitter", control.jitter),
    ):
        if value is None:
            continue
        if not is_osc and value != int(value):
            yield source.fault(f"`{value:g}` is not whole: `{name}` sends whole numbers", "controls", name, key)
        elif value > top:
            says = f"`{name}` sends 0 to {top:,g}: `{value:,.10g}` is above that"
            yield source.fault(says, "controls", name, key)
        elif key == "threshold" and control.in_steps(value) == 0:
            says = f"with a threshold of `{value:g}` `{name}` is on one side of it all the time; the lowest is "
            yield source.fault(says + ("just above 0" if is_osc else "1"), "controls", name, key)


def switch_wrongs(name: str, control: ControlModel) -> Iterator[tuple[str, str]]:
    """What is wrong with the gestures of a switch: the key and the sentence."""
    yield from _lengths(name, control)
    yield from _never(name, control)


def _lengths(name: str, control: ControlModel) -> Iterator[tuple[str, str]]:
    """Lengths of gestures that are too short to be told apart."""
    if control.hold is not None and control.repeat is not None:
        says = f"`{name}` has a `hold` and a `repeat`: both are for a foot that stays down, so one of them must go"
        yield "repeat", says
    for key, length, used in (
        ("hold time", control.hold_time, control.hold),
        ("double time", control.double_time, control.double_press),
        ("repeat time", control.repeat_time, control.repeat),
    ):
        if used is not None and length <= control.bounce:
            says = f"a {key} of {_ms(length)} is no longer than the bounce of `{name}`, {_ms(control.bounce)}"
            yield key, says
    if control.repeat is not None and not FASTEST_MIN_NS <= control.repeat_fastest <= control.repeat_time:
        low, high = _ms(FASTEST_MIN_NS), _ms(control.repeat_time)
        says = f"`repeat fastest` is {_ms(control.repeat_fastest)}, which is not from {low} to the repeat time, {high}"
        yield "repeat fastest", says


def _never(name: str, control: ControlModel) -> Iterator[tuple[str, str]]:
    """What a switch that never says that a foot stays on it cannot do."""
    if control.gives_release and not control.latching:
        return
    why = "is latching" if control.gives_release else "never says that it was let go"
    for key in ("hold", "repeat"):
        if getattr(control, key) is not None:
            yield key, f"`{name}` {why}, so its `{key}` can never come"
    if control.sends.gives_release:
        nothing: tuple[str, ...] = () if control.says_up else ("latching",)
    else:
        nothing = ("latching", "says up", "rests", "threshold")
    for key in nothing:
        if key.replace(" ", "_") in control.model_fields_set:
            yield key, f"`{name}` only ever says that it was pressed: `{key}` means nothing here"


def _travel(name: str, control: ControlModel, source: Source) -> Iterator[Fault]:
    """A travel that is none."""
    heel, toe = control.steps_of_travel
    key = "toe" if control.toe is not None else "heel"
    if heel == toe:
        says = f"heel and toe of `{name}` are the same: it has no travel between them"
        yield source.fault(says, "controls", name, key)
    elif control.steps_of_jitter >= abs(toe - heel) and control.jitter is not None:
        says = f"a jitter of `{control.jitter:g}` is the whole travel of `{name}`"
        yield source.fault(says, "controls", name, "jitter")
    if abs(round(control.curve * 100) - control.curve * 100) > 1e-6:
        says = f"`{control.curve:.10g}` has more than two decimals"
        yield source.fault(says, "controls", name, "curve")


def _pair(at: int, pair: PairModel, mapping: MappingModel, source: Source) -> Iterator[Fault]:
    """The controls of a pair: known, two, and able to be down together."""
    place = ("together", at, "controls")
    unknown = [name for name in pair.controls if name not in mapping.controls]
    for name in unknown:
        says = f"`{name}` is not a control of this pedal{nearest(name, mapping.controls)}"
        yield source.fault(says, *place, pair.controls.index(name))
    if not unknown and pair.controls[0] == pair.controls[1]:
        yield source.fault(f"`{pair.controls[0]}` stands here twice: a pair is two controls", *place)
    for name in dict.fromkeys(pair.controls):
        control = mapping.controls.get(name)
        if control is None:
            continue
        if control.turn is not None:
            yield source.fault(f"`{name}` is a treadle, which cannot be pressed", *place, pair.controls.index(name))
        elif control.latching or not control.gives_release:
            says = f"`{name}` does not say how long it is down, so it cannot be pressed together with another"
            yield source.fault(says, *place, pair.controls.index(name))
    if any(set(pair.controls) == set(other.controls) for other in mapping.together[:at]):
        both = " and ".join(f"`{name}`" for name in pair.controls)
        yield source.fault(f"{both} are a pair already", *place)
    if pair.time < _TOGETHER_MIN_NS:
        yield source.fault(
            f"a time of {_ms(pair.time)} is too short for two feet; the shortest is 1 ms", *place[:2], "time"
        )


def _ms(length: int) -> str:
    return f"{length / _MS:g} ms"
