"""What may happen to a night besides feet: every kind of it, and the table of them all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from stagectl.live.desk import HALF_S

from .clock import MS, SECOND
from .draw import Draw, Kind
from .inputs import Input
from .keyboards import DOWN, KEYS, STRANGE, UP
from .people import drumming, edge, feet, hand, key, page, page_client
from .show_texts import CONTROLS
from .shows import Stage

HALF_MS: Final = round(HALF_S * 1000) - 1
"""Within this a value's second half comes after its first, ms."""


def cable(draw: Draw) -> Iterator[Input]:
    """A cable comes out, perhaps while a foot is down, and goes in again."""
    chance = draw.chance
    names = list(draw.stage.cables)
    names += ["desk"] if draw.stage.over == "midi" else []
    names += ["box", "keys rig"]
    name = chance.choice(names)
    if name in draw.stage.ends:
        pedal = draw.stage.ends.index(name)
        foot = draw.stage.feet[pedal]
        if foot == "keys":
            code = chance.choice(list(KEYS.values()))
            # It is let go of while the cable is out, or when it is back.
            ups = draw.span(500, 5_000)
            yield Input(0, "foot", (pedal, ((0, key(code, DOWN)), (ups, key(code, UP)))))
        else:
            control = chance.choice([one for one in CONTROLS[foot] if one != "six"])
            yield Input(0, "foot", (pedal, ((0, edge(foot, control, True)),)))
    yield Input(draw.span(1, 400), "cable", (name, draw.span(30, 3_000)))


def garbage(draw: Draw) -> Iterator[Input]:
    """A pedal says what no control stands for."""
    chance = draw.chance
    pedal = chance.randrange(len(draw.stage.feet))
    if draw.stage.feet[pedal] == "keys":
        raw = [key(STRANGE, DOWN), key(STRANGE, UP)]
    elif draw.stage.feet[pedal] == "osc":
        raw = [edge("osc", "on", True).replace(b"/foot", b"/food"), bytes(chance.randrange(256) for _ in range(12))]
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
    pedals = [at for at, foot in enumerate(draw.stage.feet) if foot in ("quick", "slow")]
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
        *(one for one in draw.stage.cables if one.startswith("foot")),
    ]
    yield Input(0, "port fails", (draw.chance.choice(names), draw.span(50, 3_000)))


def page_fails(draw: Draw) -> Iterator[Input]:
    """Whatever looks at the night breaks down."""
    yield Input(0, "page fails", (draw.span(500, 5_000),))


def page_stands_still(draw: Draw) -> Iterator[Input]:
    """The page's process is not given a turn, and reads nothing."""
    yield Input(0, "page stands still", (draw.span(500, 6_000),))


def page_dies(draw: Draw) -> Iterator[Input]:
    """The page's process falls."""
    yield Input(0, "page dies")


def keys_lost(draw: Draw) -> Iterator[Input]:
    """A key is held while its driver's buffer runs over, and it comes up unheard."""
    pedals = [at for at, foot in enumerate(draw.stage.feet) if foot == "keys"]
    if pedals:
        pedal, code = draw.chance.choice(pedals), draw.chance.choice(list(KEYS.values()))
        yield Input(0, "foot", (pedal, ((0, key(code, DOWN)),)))
        yield Input(draw.span(20, 600), "keys lost", (pedal, (code,)))


def mix_off(draw: Draw) -> Iterator[Input]:
    """A hand takes a whole mix off, and the program is begun again."""
    yield Input(0, "hand", (draw.chance.randint(1, len(draw.stage.listeners)), None, ((0, None),)))
    yield Input(draw.span(1_500, 3_000), "kill", ("now", 1, draw.span(300, 2_000)))


def desk_power(draw: Draw) -> Iterator[Input]:
    """The desk loses its power, and takes some seconds to be there again."""
    yield Input(0, "desk power", (draw.span(2_500, 8_000),))


def wires(draw: Draw) -> Iterator[Input]:
    """The network to the desk loses, doubles, delays and reorders."""
    chance = draw.chance
    # On a cable both halves of a value come within the time that the program waits for the second.
    faults: dict[str, Any] = {"delay_ns": draw.span(0, 60 if draw.stage.over == "osc" else HALF_MS)}
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
    yield Input(0, "clock step", (draw.chance.choice((-3_600, -600, -300, -40, -2, 2, 60, 300, 3_600)) * SECOND,))


def busy(draw: Draw) -> Iterator[Input]:
    """The process stands still for a moment."""
    yield Input(0, "busy", (draw.span(5, 400),))


def sound_dies(draw: Draw) -> Iterator[Input]:
    """The process of the built-in player ends; sometimes it is away for so long that the night comes to rest."""
    lasts = draw.span(100, 3_000)
    yield Input(0, "sound dies", (lasts * (20 if lasts // MS % 4 == 0 else 1),))


def edit(draw: Draw) -> Iterator[Input]:
    """Somebody edits the setlist in mid-show, and starts the program again."""
    yield Input(0, "edit")
    yield Input(1, "kill", ("now", 1, draw.span(300, 2_000)))


KINDS: Final[dict[str, Kind]] = {
    "hand": hand,
    "page": page,
    "page client": page_client,
    "drumming": drumming,
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
    "page stands still": page_stands_still,
    "page dies": page_dies,
    "keys lost": keys_lost,
    "mix off": mix_off,
}
"""What a night may have besides feet; each night has some of them."""


def drawn(stage: Stage, seed: str) -> list[Input]:
    """All that a night brings."""
    return Draw(stage, seed, KINDS, feet).inputs()
