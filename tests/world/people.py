"""What people do to a night: feet on switches, treadles and keys, hands on the desk, fingers on the page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from .clock import MS, SECOND
from .draw import Draw
from .inputs import Input
from .keyboards import DOWN, KEYS, REPEAT, STRANGE, UP
from .show_texts import CONTROLS, TREADLE

BAG_NS: Final = 14 * SECOND
"""For so long a bag stands on a switch that repeats."""

REPEATS_NS: Final = (250 * MS, 33 * MS)
"""A key that is held repeats itself after the first, and then at each second of these (the kernel's own rates)."""


def feet(draw: Draw) -> Iterator[Input]:
    """Whatever a foot does most of the time."""
    yield from press(draw) if draw.chance.random() < 0.9 else treadle(draw)


def press(draw: Draw) -> Iterator[Input]:
    """A foot presses: short, long, twice, or two switches at once; worn contacts bounce."""
    chance = draw.chance
    pedal = chance.randrange(len(draw.stage.feet))
    foot = draw.stage.feet[pedal]
    if foot == "keys":
        yield Input(0, "foot", (pedal, tuple(_key(draw))))
        return
    names = list(CONTROLS[foot])
    name = chance.choice((names[0], *names)) if foot != "slow" else chance.choice(names)
    edges: list[tuple[int, str, bool]] = []
    how = chance.choice(("short", "short", "short", "long", "twice", "pair" if foot == "slow" else "short"))
    if how == "pair":
        edges = [(0, "three", True), (draw.span(0, 30), "four", True)]
        edges += [(draw.span(100, 200), "three", False), (draw.span(100, 200), "four", False)]
    elif name == "six":
        draw.latch[pedal] = not draw.latch.get(pedal, False)
        edges = [(0, name, draw.latch[pedal])]
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
        packets.append((after, edge(foot, control, down)))
        if draw.worn and chance.random() < 0.4:
            for at in range(chance.randint(1, 3)):
                packets.append((after + (2 * at + 1) * MS, edge(foot, control, not down)))
                packets.append((after + (2 * at + 2) * MS, edge(foot, control, down)))
    if draw.lossy and foot == "osc":
        packets = [one for one in packets if chance.random() < 0.85 for _ in range(1 + (chance.random() < 0.1))]
        packets = [(after + (draw.span(0, 60) if chance.random() < 0.2 else 0), one) for after, one in packets]
    yield Input(0, "foot", (pedal, tuple(sorted(packets, key=lambda one: one[0]))))


def _key(draw: Draw) -> Iterator[tuple[int, bytes]]:
    """A key of a pedal that passes for a keyboard: short, or held until it repeats itself."""
    chance = draw.chance
    code = STRANGE if chance.random() < 0.05 else chance.choice(list(KEYS.values()))
    up = draw.span(30, 180) if chance.random() < 0.7 else draw.span(400, 1_500)
    yield 0, key(code, DOWN)
    at, again = REPEATS_NS
    while at < up:
        yield at, key(code, REPEAT)
        at += again
    yield up, key(code, UP)


def key(code: int, value: int) -> bytes:
    """A key's code in two bytes, and what it does."""
    return code.to_bytes(2, "big") + bytes((value,))


def edge(foot: str, control: str, down: bool) -> bytes:
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
    late = chance.random() < 0.1
    yield Input(0, "page", (tuple(chance.choice(wants).items()), *((draw.span(1_500, 4_000),) if late else ())))


def page_client(draw: Draw) -> Iterator[Input]:
    """Somebody opens the page for a while; a phone in a pocket keeps it open, and takes nothing."""
    yield Input(0, "page client", (draw.span(5_000, 900_000), draw.chance.random() < 0.6))


def drumming(draw: Draw) -> Iterator[Input]:
    """A foot that goes on and on: up and down again, more often than anything is remembered."""
    chance = draw.chance
    pedal = chance.randrange(len(draw.stage.feet))
    foot = draw.stage.feet[pedal]
    names = [one for one in ("more", "less", "one", "five") if one in CONTROLS[foot]]
    if not names:
        yield from press(draw)
        return
    name, packets = chance.choice(names), list[tuple[int, bytes]]()
    for at in range(chance.randint(15, 40)):
        packets += [(at * 150 * MS, edge(foot, name, True)), (at * 150 * MS + 60 * MS, edge(foot, name, False))]
    yield Input(0, "foot", (pedal, tuple(packets)))
