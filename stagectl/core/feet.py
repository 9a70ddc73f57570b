"""Pedals, compiled: controls, what their gestures do, pairs, layers and lamps."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from math import ceil, log10
from typing import Final, TypeAlias

from msgspec import Struct

from stagectl.core.actions import Action, Nothing
from stagectl.core.contacts import Kind, Switch
from stagectl.core.gestures import TOGETHER_DEFAULT_NS, Gesture, Timing
from stagectl.core.travel import Travel

Does: TypeAlias = Mapping[Gesture, Action]
"""What a control's gestures do."""


def overridden(does: Does, over: Does) -> Does:
    """The gestures with others laid over them, one by one; `Nothing` takes one away."""
    both = {**does, **over}
    return {gesture: action for gesture, action in both.items() if not isinstance(action, Nothing)}


class Control(Struct, frozen=True, kw_only=True, dict=True):
    """One switch or treadle. `top`: the highest value it sends (127, or 16,383 for 14 bits); `sent_top`: the number
    that it sends for it, where that is another. `gives_release`: False for a switch that only ever says that it was
    pressed (a program change, a controller with one value). `switch` is how its values are read as downs and ups,
    `travel` how they are read as a way from heel to toe; which of the two counts is told by what is mapped: a control
    with a `turn` is a treadle."""

    name: str
    does: Does
    timing: Timing = Timing()
    top: int = 127
    sent_top: float | None = None
    gives_release: bool = True
    switch: Switch = Switch()
    travel: Travel = Travel()

    @cached_property
    def kind(self) -> Kind:
        """What it says as a switch."""
        if not self.gives_release:
            return Kind.ONE_SHOT
        return Kind.LATCHING if self.switch.latching else Kind.MOMENTARY

    @cached_property
    def turns(self) -> bool:
        """Whether it is a treadle."""
        return Gesture.TURN in self.does

    def in_steps(self, sent: float) -> int:
        """A number that it sends as a value, 0 to `top`; outside of that if the number is."""
        return round(sent if self.sent_top is None else sent / self.sent_top * self.top)

    def as_sent(self, value: int) -> str:
        """A value as the number that it sends, to print: with as many places as tell it from the next."""
        if self.sent_top is None:
            return str(value)
        places = max(0, ceil(log10(2 * self.top / self.sent_top)))
        number = f"{value / self.top * self.sent_top:.{places}f}"
        return number.rstrip("0").removesuffix(".") if places else number


class Pair(Struct, frozen=True):
    """Two controls of a pedal (by index) that do something when both come down within `within_ns`, ns."""

    first: int
    second: int
    does: Action
    within_ns: int = TOGETHER_DEFAULT_NS


LAMP_GAP_NS: Final = 10_000_000
"""The shortest time between two messages to one pedal's lamps, ns: a lamp of three bytes takes 960 µs of a DIN cable,
and a hundred changes a second are more than an eye can tell."""


class Lamp(Struct, frozen=True):
    """Something that a pedal shows. `shows`: a row of the table of lamps (`core/lamps.py`); `lasts_ns`: for how long,
    where that row asks for it; `gap_ns`: how long after it the pedal may be told the next."""

    shows: str
    lasts_ns: int = 1_000_000_000
    gap_ns: int = LAMP_GAP_NS


class FootLayer(Struct, frozen=True):
    """A layer of a mapping: the gestures that it lays over those of some controls, by the control's index."""

    name: str
    does: Mapping[int, Does]


class Pedal(Struct, frozen=True, kw_only=True):
    """A pedal and the listener whose foot is on it. A control of a pair has its wait in `Timing.together_ns`."""

    name: str
    controls: tuple[Control, ...]
    listener: int | None = None
    pairs: tuple[Pair, ...] = ()
    layers: tuple[FootLayer, ...] = ()
    lamps: tuple[Lamp, ...] = ()
