"""Drawing a night: busy feet, and every kind of fault, of which each night has only some: nights that lack a kind get
to places where that kind would not have let them (Groce and others: "Swarm Testing", 2012).
A night is drawn from its seed before it is played, so that any part of its inputs can be left out.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from typing import Final, TypeAlias

from .clock import MS, SECOND
from .inputs import Input
from .shows import Stage

HOUR: Final = 3_600 * SECOND

SCENES: Final = (1, 3)
"""How many times in an hour something is going on."""

LASTS: Final = (2, 6)
"""For how long, s."""

SOME: Final = {"page": 0.3, "page client": 0.25, "page stands still": 0.15, "page dies": 0.15, "drumming": 0.15}
"""How many nights have a kind, where it is not 0.45: what costs much, or is of a piece with others, is in fewer."""


class Draw:
    """One night's inputs."""

    def __init__(self, stage: Stage, seed: str, kinds: Mapping[str, Kind], feet: Kind) -> None:
        self.stage = stage
        self.chance = random.Random(seed)
        self._feet = feet
        self.kinds = [kind for name, kind in kinds.items() if self.chance.random() < SOME.get(name, 0.45)]
        self.worn = self.chance.random() < 0.3
        """Contacts that bounce."""
        self.lossy = self.chance.random() < 0.3
        """Pedals over a bad network."""
        self.latch: dict[int, bool] = {}
        """Latching switches that are down."""

    def inputs(self, length_ns: int = HOUR) -> list[Input]:
        """Everything that happens, in its order, up to the end."""
        chance, out = self.chance, list[Input]()
        scenes = chance.randint(*SCENES)
        begins = sorted(chance.randrange(2 * SECOND, length_ns - 60 * SECOND) for _ in range(scenes))
        at = 0
        for begin in begins:
            at = max(begin, at + 20 * SECOND)
            end = at + chance.randint(*LASTS) * SECOND
            while at < end:
                kind = self._kind()
                out += [Input(at + one.at, one.kind, one.what) for one in kind(self)]
                at += chance.choice((1, 20, 90, 200, 350, 700, 1_500)) * MS + chance.randrange(MS)
        out.append(Input(max(length_ns, at + 30 * SECOND), "end"))
        return sorted(out)

    def _kind(self) -> Kind:
        if self.kinds and self.chance.random() < 0.16:
            return self.chance.choice(self.kinds)
        return self._feet

    def span(self, low_ms: int, high_ms: int) -> int:
        """A time, ns."""
        return self.chance.randint(low_ms, high_ms) * MS


Kind: TypeAlias = Callable[[Draw], Iterator[Input]]
"""Draws what happens once."""
