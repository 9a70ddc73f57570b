"""A switch's contact: from the values that a control says to clean edges.

A contact bounces: one way down is a train of downs and ups. The first edge of a train is a foot's, so it acts at
once and costs no time at all; what follows within `bounce_ns` of the last edge is taken for bounce. Each such edge
opens the window anew, so that a window need only be longer than the longest gap within a train, not longer than the
train. When the window has run out and the contact rests in another state than the one that was acted on (a tap
shorter than the window), that edge acts then. A train that goes on for `TRAIN_MAX_NS` is a broken switch or a real
foot that nobody can tell from one: its window ends there all the same.

    SHUT (no window) --edge----> the edge acts; OPEN, for `bounce_ns`
    OPEN ------------edge------> counted, not acted on; OPEN, for `bounce_ns` more, up to TRAIN_MAX_NS in all
    OPEN ------------run out---> SHUT; the last edge acts if the contact now rests elsewhere;
                                 the ignored edges are recorded, once for the whole train

The default is 20 ms. A published study of 16 to 18 switches found trains of 1.6 ms in the mean and 6.2 ms at the
usual worst: no gap within such a train is longer than the train, so 20 ms holds three times over; and no foot
comes down, up and down again within 20 ms. The study's one outlier, 157 ms long with a gap of 42 ms, needs a
`bounce` of more than 42 ms (50 ms, to be safe): with the default its gap ends the train, and the edge after the gap
acts.

Kinds of switch: a *momentary* one is down and up. A *latching* one changes its state with each press, so every
change is a press and a release at once, and so is the first thing that it says. A switch that only ever says that
it was pressed (a program change, or a controller that comes with one value) says the same thing again when it
bounces: each saying is an edge, and it rests where it was acted on; that it was let go is none of its edges. What
says the state that a contact is in already is no edge; it is refused.
"""

from __future__ import annotations

from enum import Enum
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

BOUNCE_DEFAULT_NS: Final = 20_000_000
"""Three times the usual worst of the study above, a third of the shortest gap between two presses of a foot."""

BOUNCE_MAX_NS: Final = 200_000_000
"""The longest window that can be set."""

TRAIN_MAX_NS: Final = 250_000_000
"""The longest that a train holds back an edge, ns from its first one: more than the study's outlier of 157 ms with
a window of 50 ms after it."""

EDGES_MAX: Final = 9_999
"""Edges of one train that are counted; more are not told from so many."""


class Kind(Enum):
    """What a switch says."""

    MOMENTARY = "momentary"
    LATCHING = "latching"
    ONE_SHOT = "only presses"


class Switch(Struct, frozen=True):
    """How a control's values are read as a switch. `latching`: it changes its state with each press. `threshold`:
    values from there on are one state of the contact, lower ones the other (None: the upper half, as in MIDI 1.0:
    0-63 off, 64-127 on). `rests_closed`: the upper values are the contact at rest, the lower ones the foot.
    `bounce_ns`: 0 to BOUNCE_MAX_NS; 0 takes every edge for a foot's."""

    latching: bool = False
    threshold: int | None = None
    rests_closed: bool = False
    bounce_ns: int = BOUNCE_DEFAULT_NS

    def is_down(self, value: int, top: int) -> bool:
        """Whether a value, 0 to `top`, is the foot on the switch."""
        return (value >= (top // 2 + 1 if self.threshold is None else self.threshold)) is not self.rests_closed


class Contact(Struct, frozen=True):
    """What is known of one contact. `down`: as it said last; `acted`: as was acted on; `since`: the first edge of
    the train, ns; `shuts`: when its window has run out; `ignored`: edges since the one that was acted on."""

    down: bool
    acted: bool
    since: int
    shuts: int
    ignored: int = 0

    @property
    def due(self) -> int | None:
        """When something is to be done about it: acted on or recorded. None where nothing is."""
        return self.shuts if self.ignored else None


class Heard(Struct, frozen=True):
    """What came of an edge: the contact, and whether the edge acts (else it was ignored)."""

    contact: Contact
    acts: bool


def edge(contact: Contact | None, down: bool, now: int, kind: Kind, bounce_ns: int) -> Heard | None:
    """What a contact says now, after its window was run out in time (`shut`). None: nothing new, to be refused."""
    if kind is Kind.ONE_SHOT and not down:
        return None
    if contact is not None:
        if down == contact.down and kind is not Kind.ONE_SHOT:
            return None
        if now < contact.shuts:
            shuts = min(now + bounce_ns, contact.since + TRAIN_MAX_NS)
            ignored = min(contact.ignored + 1, EDGES_MAX)
            return Heard(replace(contact, down=down, shuts=shuts, ignored=ignored), False)
    elif not down and kind is Kind.MOMENTARY:
        return None
    return Heard(Contact(down, down, now, now + bounce_ns), True)


class Shut(NamedTuple):
    """What comes of a window that has run out: the contact, whether its last edge acts, and how many edges were
    nothing but bounce."""

    contact: Contact
    acts: bool
    bounced: int


def shut(contact: Contact) -> Shut:
    """The window has run out."""
    acts = contact.down != contact.acted
    at_rest = replace(contact, acted=contact.down, ignored=0)
    return Shut(at_rest, acts, contact.ignored - acts)
