"""What is said of a control: its kind, how sure that is, and from what."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from enum import Enum

from stagectl.learn.series import Sender
from stagectl.wire.midi import BEND_HIGH, BEND_LOW


def count(number: int, what: str) -> str:
    """`1 press`, `3 presses`."""
    plural = what + ("es" if what.endswith("s") else "s")
    return f"{number:,} {what if number == 1 else plural}"


class Kind(Enum):
    """What a control is. The value is how it is said."""

    MOMENTARY = "momentary"
    LATCHING = "latching"
    PULSE = "down and up at once"
    REPEATS = "down, and never up"
    PRESS_ONLY = "press only"
    CONTINUOUS = "continuous"
    UNKNOWN = "cannot tell yet"


class Sure(Enum):
    """How sure a verdict is."""

    SURE = "sure"
    FAIRLY = "fairly sure"
    NOT = "not sure"


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What one control is, with the evidence.

    `movements`: presses of a switch, travels of a treadle from one end to the other. `why`, `against` (what would
    contradict) and `wanted` (what to do to be sure; empty when sure) are sentences. `low` and `high`: the lowest and
    highest value seen; `softest`: the lowest value of a press. `closed`: it rests at its high value. `varies`: each
    press has its own value. `bounce_edges`, `bounce_ns`: the longest train of edges, 1 and 0 where none bounced;
    `bounce_gap_ns`: the longest gap within a train. `jitter`: the largest distance between two values while a treadle
    rested. `heel` and `toe`: the values of the two ends. `values`: how many different values were seen. `beside`:
    controls that always speak at the same moment.
    """

    sender: Sender
    kind: Kind
    sure: Sure
    movements: int
    why: str
    against: str = ""
    wanted: str = ""
    low: int = 0
    high: int = 0
    last: int = 0
    values: int = 1
    softest: int = 0
    varies: bool = False
    closed: bool = False
    bounce_edges: int = 1
    bounce_ns: int = 0
    bounce_gap_ns: int = 0
    jitter: int = 0
    heel: int = 0
    toe: int = 0
    beside: tuple[Sender, ...] = ()

    @property
    def is_switch(self) -> bool:
        """Whether it is pressed, not turned."""
        return self.kind is not Kind.CONTINUOUS

    @property
    def threshold(self) -> int | None:
        """The value from which on it is down; None where the default is right."""
        # A note is down however softly it is hit.
        if self.sender.press_only or self.sender.kind == "note" or self.kind in (Kind.CONTINUOUS, Kind.UNKNOWN):
            return None
        if self.varies:
            return max(1, self.softest // 2)
        if self.values == 1:
            return None if self.high >= self._usual or self.closed else self.high
        if self.low < self._usual <= self.high:
            return None
        return (self.low + self.high + 1) // 2

    @property
    def _usual(self) -> int:
        """The value from which on it is down where the file says none."""
        if self.sender.kind == "pitch bend":
            return BEND_LOW if self.closed else BEND_HIGH
        return self.sender.top // 2 + 1

    def turned(self) -> Verdict:
        """The same treadle, its toe at the lowest value."""
        return replace(self, heel=self.toe, toe=self.heel)

    def what(self) -> str:
        """The kind in words."""
        return self.kind.value + (", normally closed" if self.closed else "")

    def words(self) -> str:
        """The verdict on one line."""
        moved = count(self.movements, "press" if self.is_switch else "travel")
        return f"{self.what()} ({self.sure.value}, {moved})"


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What one port said. `background`: messages that no foot sent, by name; `odd`: what was left out, by reason.
    `heard`: messages in all; `span_ns`: from the first to the last."""

    verdicts: tuple[Verdict, ...]
    background: Counter[str]
    odd: Counter[str]
    heard: int
    span_ns: int
