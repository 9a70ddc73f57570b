"""What a night brings: busy feet, and every kind of fault, of which each night has only some: nights that lack a kind
get to places where that kind would not have let them (Groce and others: "Swarm Testing", 2012).

A night is drawn from its seed before it is played, so that any part of its inputs can be left out.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any, Final

from .clock import MS, SECOND
from .inputs import Input
from .shows import CONTROLS, TREADLE, Stage

HOUR: Final = 3_600 * SECOND

SCENES: Final = (2, 5)
"""How many times in an hour something is going on."""

LASTS: Final = (2, 7)
"""For how long, s."""


BAG_NS: Final = 14 * SECOND
"""For so long a bag stands on a switch that repeats."""


class Draw:
    """One night's inputs."""

    def __init__(self, stage: Stage, seed: str) -> None:
        self.stage = stage
        self.chance = random.Random(seed)
        self.kinds = [kind for kind in KINDS if self.chance.random() < 0.45]
        self.worn = self.chance.random() < 0.3
        """Contacts that bounce."""
        self.lossy = self.chance.random() < 0.3
        """Pedals over a bad network."""
        self._latch: dict[int, bool] = {}

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

    def _kind(self) -> Callable[[Draw], Iterator[Input]]:
        if self.kinds and self.chance.random() < 0.16:
            return KINDS[self.chance.choice(self.kinds)]
        return press if self.chance.random() < 0.9 else treadle

    def span(self, low_ms: int, high_ms: int) -> int:
        """A time, ns."""
        return self.chance.randint(low_ms, high_ms) * MS


# -- people -------------------------------------------------------------------------------------------------


def press(draw: Draw) -> Iterator[Input]:
    """A foot presses: short, long, twice, or two switches at once; worn contacts bounce."""
    chance = draw.chance
    pedal = chance.randrange(len(draw.stage.feet))
    foot = draw.stage.feet[pedal]
    names = list(CONTROLS[foot])
    name = chance.choice((names[0], *names)) if foot != "slow" else chance.choice(names)
    edges: list[tuple[int, str, bool]] = []
    how = chance.choice(("short", "short", "short", "long", "twice", "pair" if foot == "slow" else "short"))
    if how == "pair":
        edges = [(0, "three", True), (draw.span(0, 30), "four", True)]
        edges += [(draw.span(100, 200), "three", False), (draw.span(100, 200), "four", False)]
    elif name == "six":
        draw._latch[pedal] = not draw._latch.get(pedal, False)
        edges = [(0, name, draw._latch[pedal])]
    else:
        up = draw.span(700, 1_600) if how == "long" else draw.span(40, 180)
        if name == "five" and how == "long" and up // MS % 4 == 0:
            up = BAG_NS
        edges = [(0, name, True), (up, name, False)]
        if how == "twice":
            again = up + draw.span(50, 220)
            edges += [(again, name, True), (again + draw.span(40, 120), name, False)]
    packets: list[tuple[int, bytes]] = []
    for after, control, down in sorted(edges):
        packets.append((after, _edge(foot, control, down)))
        if draw.worn and chance.random() < 0.4:
            for at in range(chance.randint(1, 3)):
                packets.append((after + (2 * at + 1) * MS, _edge(foot, control, not down)))
                packets.append((after + (2 * at + 2) * MS, _edge(foot, control, down)))
    if draw.lossy and foot == "osc":
        packets = [one for one in packets if chance.random() < 0.85 for _ in range(1 + (chance.random() < 0.1))]
        packets = [(after + (draw.span(0, 60) if chance.random() < 0.2 else 0), one) for after, one in packets]
    yield Input(0, "foot", (pedal, tuple(sorted(packets, key=lambda one: one[0]))))


def _edge(foot: str, control: str, down: bool) -> bytes:
    if foot == "osc":
        # OSC 1.0: the address and the type tags end with a zero, and are filled up to four bytes.
        address = f"/foot/{control}\0".encode()
        address += bytes(-len(address) % 4)
        return address + b",i\0\0" + int(down).to_bytes(4, "big")
    return bytes((0xB0, CONTROLS[foot][control], 127 if down else 0))


def treadle(draw: Draw) -> Iterator[Input]:
    """A treadle is rocked, where there is one."""
    chance = draw.chance
    pedals = [at for at, foot in enumerate(draw.stage.feet) if foot == "quick"]
    if not pedals:
        yield from press(draw)
        return
    value, packets, after = chance.randrange(128), list[tuple[int, bytes]](), 0
    for _ in range(chance.randint(3, 25)):
        value = min(127, max(0, value + chance.randint(-12, 14)))
        packets.append((after, bytes((0xB0, TREADLE, value))))
        after += draw.span(2, 25)
    yield Input(0, "foot", (chance.choice(pedals), tuple(packets)))


def hand(draw: Draw) -> Iterator[Input]:
    """Somebody moves a fader on the desk."""
    chance = draw.chance
    mix = chance.randint(1, len(draw.stage.listeners))
    socket = chance.choice((*range(1, len(draw.stage.inputs) + 1), None))
    loud = chance.random() < 0.25
    level, way, after = 300 if loud else chance.randint(-40, 2) * 50, list[tuple[int, int | None]](), 0
    for _ in range(chance.randint(1, 6)):
        way.append((after, None if chance.random() < 0.05 else level))
        level = min(300, max(-4_000, level + chance.randint(-300, 250)))
        after += draw.span(20, 120)
    yield Input(0, "hand", (mix, socket, tuple(way)))


def page(draw: Draw) -> Iterator[Input]:
    """Somebody asks for something by the stage page."""
    chance = draw.chance
    name = chance.choice(draw.stage.listeners)
    wants: tuple[dict[str, Any], ...] = (
        {"do": "next"},
        {"do": "back"},
        {"do": "fall back"},
        {"do": "hush everyone"},
        {"do": "start cue"},
        {"do": "hush", "listener": name},
        {"do": "undo", "listener": name},
        {"do": "clear nudges", "listener": name},
        {
            "do": "nudge",
            "listener": name,
            "input": chance.choice(draw.stage.inputs),
            "by": chance.choice((-300, 100, 300)),
        },
        {"do": "nudge", "listener": name, "input": "whole mix", "by": -100},
    )
    yield Input(0, "page", (tuple(chance.choice(wants).items()),))


# -- faults -------------------------------------------------------------------------------------------------


def cable(draw: Draw) -> Iterator[Input]:
    """A cable comes out, perhaps while a foot is down, and goes in again."""
    chance = draw.chance
    names = [f"foot {at}" for at, foot in enumerate(draw.stage.feet) if foot != "osc"]
    names += ["desk"] if draw.stage.over == "midi" else []
    names += ["box", "keys rig"]
    name = chance.choice(names)
    if name.startswith("foot"):
        pedal = int(name[5:])
        foot = draw.stage.feet[pedal]
        control = chance.choice([one for one in CONTROLS[foot] if one != "six"])
        yield Input(0, "foot", (pedal, ((0, _edge(foot, control, True)),)))
    yield Input(draw.span(1, 400), "cable", (name, draw.span(30, 3_000)))


def garbage(draw: Draw) -> Iterator[Input]:
    """A pedal says what no control stands for."""
    chance = draw.chance
    pedal = chance.randrange(len(draw.stage.feet))
    if draw.stage.feet[pedal] == "osc":
        raw = [_edge("osc", "on", True).replace(b"/foot", b"/food"), bytes(chance.randrange(256) for _ in range(12))]
    else:
        raw = [
            bytes((0xB0, 99 + chance.randrange(2), 1)),
            bytes((0x90, chance.randrange(128), 64)),
            b"\xf0\x7e\x01\xf7",
        ]
    packets = tuple((at * MS, chance.choice(raw)) for at in range(chance.choice((1, 3, 40))))
    yield Input(0, "foot", (pedal, packets))


def flood(draw: Draw) -> Iterator[Input]:
    """A pedal's switch has gone mad: more than anybody can take."""
    pedals = [at for at, foot in enumerate(draw.stage.feet) if foot != "osc"]
    yield (
        Input(0, "flood", (draw.chance.choice(pedals), b"\x90\x01\x40", draw.chance.choice((50, 300, 4_400))))
        if pedals
        else Input(0, "busy", (MS,))
    )


def port_fails(draw: Draw) -> Iterator[Input]:
    """A port is there, and takes no bytes."""
    names = [
        "desk",
        "desk",
        "box",
        "keys rig",
        *(f"foot {at}" for at, one in enumerate(draw.stage.feet) if one != "osc"),
    ]
    yield Input(0, "port fails", (draw.chance.choice(names), draw.span(50, 3_000)))


def page_fails(draw: Draw) -> Iterator[Input]:
    """Whatever looks at the night breaks down."""
    yield Input(0, "page fails", (draw.span(500, 5_000),))


def desk_power(draw: Draw) -> Iterator[Input]:
    """The desk loses its power, and takes some seconds to be there again."""
    yield Input(0, "desk power", (draw.span(2_500, 8_000),))


def wires(draw: Draw) -> Iterator[Input]:
    """The network to the desk loses, doubles, delays and reorders."""
    chance = draw.chance
    faults: dict[str, Any] = {"delay_ns": draw.span(0, 60)}
    if draw.stage.over == "osc":
        faults |= {"loss": chance.choice((0.0, 0.1, 0.3)), "reorder": chance.choice((0.0, 0.2))}
        faults |= {"twice": chance.choice((0.0, 0.1))}
    yield Input(0, "wires", (tuple(faults.items()), draw.span(500, 6_000)))


def disk(draw: Draw) -> Iterator[Input]:
    """The disk is full, or takes its time; seldom there is no room in memory, either."""
    how = draw.chance.choice(("full", "full", "slow", "slow", "no room anywhere"))
    yield Input(0, "disk", (how, draw.span(100, 6_000)))


def deleted(draw: Draw) -> Iterator[Input]:
    """Somebody deletes the journal that is being written."""
    yield Input(0, "journal deleted")


def kill(draw: Draw) -> Iterator[Input]:
    """The process is killed: at rest, around a packet, in a write."""
    how = draw.chance.choice(("now", "now", "before a packet", "after a packet", "after a packet", "in a write"))
    yield Input(0, "kill", (how, draw.chance.randint(1, 12), draw.span(300, 4_000)))


def power_cut(draw: Draw) -> Iterator[Input]:
    """The computer has no power for a while, and may lose its clock."""
    yield Input(0, "power cut", (draw.span(2_000, 9_000), draw.chance.choice((0, 0, -7_200, 90)) * SECOND))


def clock_step(draw: Draw) -> Iterator[Input]:
    """The clock on the wall is set."""
    yield Input(0, "clock step", (draw.chance.choice((-3_600, -40, -2, 2, 60, 3_600)) * SECOND,))


def busy(draw: Draw) -> Iterator[Input]:
    """The process stands still for a moment."""
    yield Input(0, "busy", (draw.span(5, 400),))


def sound_dies(draw: Draw) -> Iterator[Input]:
    """The process of the built-in player ends."""
    yield Input(0, "sound dies", (draw.span(100, 3_000),))


def edit(draw: Draw) -> Iterator[Input]:
    """Somebody edits the setlist in mid-show, and starts the program again."""
    yield Input(0, "edit")
    yield Input(1, "kill", ("now", 1, draw.span(300, 2_000)))


KINDS: Final[dict[str, Callable[[Draw], Iterator[Input]]]] = {
    "hand": hand,
    "page": page,
    "cable": cable,
    "garbage": garbage,
    "desk power": desk_power,
    "wires": wires,
    "disk": disk,
    "journal deleted": deleted,
    "kill": kill,
    "power cut": power_cut,
    "clock step": clock_step,
    "busy": busy,
    "sound dies": sound_dies,
    "edit": edit,
    "port fails": port_fails,
    "page fails": page_fails,
    "flood": flood,
}
"""What a night may have besides feet; each night has some of them."""
