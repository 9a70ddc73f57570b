"""The pedals of the rehearsal room: their controls with what each gesture does here and now, and their lamps."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stagectl.core.lamps import SHOWS
from stagectl.core.plan import Plan
from stagectl.core.state import Key, State
from stagectl.sheet.words import action_words, gesture_words
from stagectl.show.feet import gestures_of
from stagectl.show.load import Show


class Feet:
    """Boards of the pedals of a show. `keys`: the keyboard's key of each control, where it has one."""

    def __init__(self, show: Show, plan: Plan, keys: Mapping[Key, str]) -> None:
        self.plan = plan
        self._show = show
        self._keys = keys
        self._mappings = [show.mappings[pedal.mapping] for pedal in show.rig.pedals]
        self._written: dict[tuple[int, tuple[int | None, ...]], list[list[list[str]]]] = {}

    def board(self, state: State, down: frozenset[Key], turned: Mapping[Key, int], now: int) -> dict[str, Any]:
        """The pedals now. `down`: controls with a foot on them; `turned`: where treadles stand, 0 to 127."""
        does = self._does(state)
        pedals = []
        for at, pedal in enumerate(self.plan.pedals):
            layer = state.layers[at]
            pedals.append(
                {
                    "name": pedal.name,
                    "listener": None if pedal.listener is None else self.plan.listeners[pedal.listener],
                    "layer": None if layer is None else pedal.layers[layer].name,
                    "controls": [
                        {
                            "name": control.name,
                            "key": self._keys.get((at, which)),
                            "turns": control.turns,
                            "latches": control.switch.latching,
                            "down": (at, which) in down,
                            "value": turned.get((at, which)),
                            "does": does[at][which],
                        }
                        for which, control in enumerate(pedal.controls)
                    ],
                    "pairs": [[*pair.controls, action_words(pair.press)] for pair in self._mappings[at].together],
                    "lamps": self._lamps(state, at),
                }
            )
        return {"now": now, "pedals": pedals}

    def _does(self, state: State) -> list[list[list[str]]]:
        """What the gestures of each control do at this stop, by pedal."""
        key = (state.place.stop, state.layers)
        found = self._written.get(key)
        if found is None:
            stop = self.plan.stops[state.place.stop]
            found = []
            for at, pedal in enumerate(self.plan.pedals):
                layer = state.layers[at]
                name = None if layer is None else pedal.layers[layer].name
                setlist, mapping = self._show.setlist, self._mappings[at]
                written = [
                    gestures_of(setlist, mapping, pedal.name, control.name, stop, name) for control in pedal.controls
                ]
                found.append([gesture_words(does) for does in written])
            self._written = {key: found}
        return found

    def _lamps(self, state: State, pedal: int) -> list[dict[str, Any]]:
        """What each lamp was told last: a number, or on and off in words."""
        if not state.lights:
            return []
        pairs = zip(self.plan.pedals[pedal].lamps, state.lights[pedal].told, strict=True)
        return [{"shows": lamp.shows, "says": lamp_words(lamp.shows, told)} for lamp, told in pairs]


def lamp_words(shows: str, told: int | None) -> str:
    """What a lamp says: `3`, `on`, `off`, or that it was not told yet."""
    if told is None:
        return "not told yet"
    return str(told) if SHOWS[shows].is_number else "on" if told else "off"
