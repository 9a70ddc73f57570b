"""Hands on desks, made from a seed: what a desk that speaks some profile says while a hand moves its faders, with the
traffic that it sends anyway.

A hand goes from the bottom to the top in some seconds and trembles; a desk says a value whenever it changed, some
twice; some messages get lost; a scale shows tenths of a dB (common practice, no source).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from random import Random
from typing import Any

from stagectl.core.levels import LEVEL_MIN, OFF, Level, Off
from stagectl.learn.desk_moves import Move, Part, Spot, Way
from stagectl.learn.series import Packet
from stagectl.show.profile import ProfileModel, SendModel
from stagectl.show.value_laws import PointsValues
from stagectl.wire.laws import Code, Law, LineLaw, StepLaw
from stagectl.wire.osc import build

MS = 1_000_000

SPOTS = (Spot(2, 1), Spot(1, 2), Spot(5, 3))
"""Moved after input 1 of mix 1."""


def codes_of(law: Law) -> tuple[Code, ...]:
    """Every value of a law, from the bottom to the top; off may stand apart. A hand asks for them at each move."""
    return _codes(law)  # type: ignore[arg-type]  # a law is like no other one, and known by that


@lru_cache(32)
def _codes(law: Law) -> tuple[Code, ...]:
    if isinstance(law, StepLaw):
        steps: list[Code] = list(range(law.first, law.first + len(law.levels)))
        if law.off is not None and law.off not in steps:
            steps.append(law.off)
        falls = _height(law.levels[-1]) < _height(law.levels[0])
        return tuple(sorted(steps, key=lambda code: (_height(law.level(code)), -code if falls else code)))
    passing: list[Code] = [law.code(level) for level in law.grid.steps]
    return (law.code(OFF), *passing) if law.grid.has_off else tuple(passing)


def single(value: Code) -> Code:
    """A real number as an OSC float carries it."""
    return struct.unpack(">f", struct.pack(">f", value))[0] if isinstance(value, float) else value


class Hand:
    """A seeded hand at a desk. `loses`: the share of messages that get lost in a sweep; `meters`: the time between
    two looks at a meter, ms; 0 where the desk says nothing else. `dumps`: it says the levels of four mixes at the
    beginning of each move; `drags`: the hand brings the last fader half way down first; `cuts`: MIDI is cut anywhere
    and uses running status."""

    def __init__(
        self,
        profile: ProfileModel,
        seed: int,
        *,
        loses: float = 0.02,
        meters: int = 100,
        dumps: bool = False,
        drags: bool = False,
        cuts: bool = False,
    ) -> None:
        self.profile, self.random, self.loses, self.meters = profile, Random(seed), loses, meters
        self.dumps, self.drags, self.cuts = dumps, drags, cuts
        self.last: Spot | None = None
        self.at = self.random.randint(0, 5) * 1_000 * MS
        self.places: dict[Spot, int] = {}
        self.heartbeat = 0
        self.meter = self.random.randint(1, 90)

    def model(self, spot: Spot) -> SendModel:
        model = self.profile.send if spot.input is not None else self.profile.whole_mix
        assert model is not None
        return model

    def says(self, spot: Spot, code: Code) -> tuple[bytes, ...]:
        return self.model(spot).say.packets(spot.input or 1, spot.mix, code)

    # -- moves --------------------------------------------------------------------------------------------

    def everything(self) -> list[Part]:
        """All that `learn-desk` asks for."""
        first = Spot(1, 1)
        parts = [self.nothing(), self.sweep(first)]
        parts += [self.mark(first, level, code) for level, code in self.marks(first)]
        parts += [self.sweep(spot) for spot in SPOTS]
        if self.profile.whole_mix is not None:
            whole = Spot(None, 1)
            parts.append(self.sweep(whole))
            parts += [self.mark(whole, level, code) for level, code in self.marks(whole)]
            parts += [self.sweep(Spot(None, 2)), self.sweep(Spot(None, 4))]
        return parts

    def nothing(self) -> Part:
        return self._part(Move(Way.NOTHING), self._dumped())

    def sweep(self, spot: Spot) -> Part:
        """From where it is to the bottom, and to the top."""
        codes = codes_of(self.model(spot).law())
        dumped = self._dumped()
        top = len(codes) - 1
        path = [*self._way(self.places.get(spot, self.random.randint(0, top)), 0, 8), *self._way(0, top, 70)]
        path = [min(max(at + self.random.choice((0, 0, 0, 1, -1)) * (0 < at < top), 0), top) for at in path]
        dragged = self._dragged(spot)
        self.places[spot] = top
        self.last = spot
        return self._part(Move(Way.SWEEP, spot), [*dumped, *dragged, *self._said(spot, codes, path)])

    def _dragged(self, spot: Spot) -> list[tuple[Spot, Code]]:
        """The last fader comes half way down before another one is moved."""
        last = self.last
        if not self.drags or last is None or last == spot:
            return []
        codes = codes_of(self.model(last).law())
        there = len(codes) // 2
        path = self._way(self.places[last], there, 15)
        self.places[last] = there
        return self._said(last, codes, path)

    def _dumped(self) -> list[tuple[Spot, Code]]:
        """All levels of some mixes, as they are."""
        codes = codes_of(self.profile.send.law())
        spots = [Spot(input_, mix) for mix in range(1, 5) for input_ in range(1, 9)] if self.dumps else []
        return [(one, codes[self.places.setdefault(one, self.random.randrange(len(codes)))]) for one in spots]

    def mark(self, spot: Spot, level: Level, code: Code) -> Part:
        """To a mark of the scale; where it comes to rest is never lost."""
        codes = codes_of(self.model(spot).law())
        dumped = self._dumped()
        there = min(range(len(codes)), key=lambda at: abs(codes[at] - code))
        here = self.places.get(spot, 0)
        path = self._way(here, there, 12)[:-1]
        self.places[spot] = there
        resting = [(spot, code)] if here != there else []
        return self._part(Move(Way.MARK, spot, level), [*dumped, *self._said(spot, codes, path), *resting])

    def marks(self, spot: Spot) -> list[tuple[Level, Code]]:
        """The marks of the desk's scale, as it shows them: the ends, and those of its chart where it has one."""
        model = self.model(spot)
        law = model.law()
        codes = codes_of(law)
        if isinstance(model.values, PointsValues):
            return [(point.level, point.code) for point in model.values.points]
        levels = [code for code in codes if _height(law.level(code)) >= LEVEL_MIN]
        chosen = [levels[0], *self.random.sample(levels[1:-1], 3), levels[-1]]
        off: list[tuple[Level, Code]] = [(OFF, law.code(OFF))] if law.grid.has_off else []
        return off + [(round(_height(law.level(code)) / 10) * 10, code) for code in chosen]

    def _way(self, here: int, there: int, steps: int) -> list[int]:
        steps = max(1, min(steps, abs(there - here)))
        return [here + (there - here) * step // steps for step in range(steps + 1)]

    def _said(self, spot: Spot, codes: Sequence[Code], path: Iterable[int]) -> list[tuple[Spot, Code]]:
        """A value whenever it changes, some of them twice."""
        changed = [codes[at] for at, _ in groupby(path)]
        return [(spot, code) for code in changed for _ in range(2 if self.random.random() < 0.1 else 1)]

    # -- what leaves the desk -----------------------------------------------------------------------------

    def _part(self, move: Move, said: list[tuple[Spot, Code]]) -> Part:
        began = self.at
        packets: list[Packet] = []
        self.at += self.random.randint(200, 900) * MS
        for at, (spot, code) in enumerate(said):
            whole = self.says(spot, code)
            last = at == len(said) - 1
            kept = [one for one in whole if last or self.random.random() >= self.loses]
            packets += [(self.at + number * MS, one) for number, one in enumerate(kept)]
            self.at += self.random.randint(15, 45) * MS
        self.at += self.random.randint(500, 2_000) * MS
        if self.meters:
            packets += self._anyway(began, self.at)
        packets.sort(key=lambda packet: packet[0])
        return move, self._cut(packets) if self.cuts and self.profile.over == "midi" else packets

    def _cut(self, packets: list[Packet]) -> list[Packet]:
        """The same bytes with running status, each message in pieces of one or two bytes."""
        cut: list[Packet] = []
        running = b""
        for at, packet in packets:
            data = packet[1:] if packet[:1] == running else packet
            if packet[0] < 0xF8:
                running = packet[:1] if packet[0] < 0xF0 else b""
            while data:
                length = self.random.randint(1, 2)
                cut.append((at, data[:length]))
                data = data[length:]
        return cut

    def _anyway(self, began: int, ended: int) -> list[Packet]:
        """What the desk says whatever is moved."""
        if self.profile.over == "osc":
            said = [
                (at, build(f"/meter/{self.meter + one}", (self.random.uniform(-60, 0),)))
                for at in range(began, ended, self.meters * MS)
                for one in range(3)
            ]
            said += [(at, build("/alive", (self._beat(),))) for at in range(began, ended, 1_000 * MS)]
            return [*said, (began, build("/page", ("inputs",)))]
        said = [(at, b"\xfe") for at in range(began, ended, 270 * MS)]
        said += [(at, b"\xf8") for at in range(began, ended, 21 * MS)] if self.random.random() < 0.2 else []
        said += [(at, bytes((0xDF, self.random.randint(0, 127)))) for at in range(began, ended, self.meters * MS)]
        said += [(at, bytes((0xF0, 0x7D, 0x7F, self._beat() % 128, 0xF7))) for at in range(began, ended, 1_000 * MS)]
        if self.random.random() < 0.3:
            said.append((began + 1, bytes((0xCE, self.random.randint(0, 127)))))
        return said

    def _beat(self) -> int:
        self.heartbeat += 1
        return self.heartbeat


def _height(level: Level) -> int:
    return LEVEL_MIN - 1 if isinstance(level, Off) else level


def save(path: Path, parts: Sequence[Part], *names: str) -> None:
    """A Standard MIDI File with a track for the moves and one for each name, which all say the same. Real-time messages
    do not stand in files (RP-001)."""
    import mido

    marks = mido.MidiTrack([mido.MetaMessage("marker", text="the second try")])
    desk = mido.MidiTrack()
    last = last_mark = 0
    for move, packets in parts:
        if packets:
            tick = packets[0][0] * 4_800 // (500 * MS)
            kind = ("marker", "cue_marker", "text")[len(marks) % 3]
            marks.append(mido.MetaMessage(kind, text=f"move: {move}", time=tick - last_mark))
            last_mark = tick
        for at, packet in packets:
            if packet[0] < 0xF8:
                tick = at * 4_800 // (500 * MS)
                desk.append(mido.Message.from_bytes(list(packet), time=tick - last))
                last = tick
    tracks = [mido.MidiTrack([mido.MetaMessage("track_name", name=name), *desk]) for name in names]
    mido.MidiFile(type=1, ticks_per_beat=4_800, tracks=[marks, *tracks]).save(path)


# -- profiles by a seed -----------------------------------------------------------------------------------


def random_profile(seed: int) -> ProfileModel:
    """A profile with room for 8 inputs and 4 mixes; neighbouring levels never share a message."""
    random = Random(seed)
    kind = random.choice(("control change", "control change pair", "nrpn", "rpn", "sysex", "sysex", "osc"))
    bits: int | None = {"control change": 7, "control change pair": 14, "nrpn": 14, "rpn": 14}.get(kind)
    say: dict[str, Any]
    if kind == "sysex":
        bits = random.choice((7, 14, 21))
        say = _sysex(random, bits)
    elif kind == "osc":
        words = ["/{mix}", "/{input}", random.choice(("/level", "/send", "/a1"))]
        random.shuffle(words)
        say = {"osc": "/x" + "".join(words), "type": random.choice(("float", "int")), **_counted(random, 1)}
        say |= {"digits": "2"} if random.random() < 0.3 else {}
        bits = 14 if say["type"] == "int" else None
    else:
        say = _numbers(random, kind)
    typed = {
        "name": "drawn",
        "over": "osc" if kind == "osc" else "midi",
        "send": {"say": say, "values": _law(random, bits, whole=kind != "osc" and bits != 21)},
    }
    return ProfileModel.model_validate(typed)


def _sysex(random: Random, bits: int) -> dict[str, Any]:
    """With a checksum or without; the bytes of the value in any order."""
    parts = ["{mix}", "{input}", *(f"{random.randrange(128):02X}" for _ in range(2))]
    random.shuffle(parts)
    checksum = random.choice(((), ("{checksum sum}",), ("{checksum xor}",)))
    if checksum:
        parts.insert(random.randint(0, len(parts)), "{from here}")
    value = {7: ["{value}"], 14: ["{value msb}", "{value lsb}"], 21: ["{value msb}", "{value mid}", "{value lsb}"]}[
        bits
    ]
    random.shuffle(value)
    return {"sysex": " ".join(("F0", "7D", *parts, *value, *checksum, "F7")), **_counted(random, 0)}


def _counted(random: Random, base: int) -> dict[str, Any]:
    """How the words of a template count, where not from `base` on."""
    counted: dict[str, Any] = {}
    if random.random() < 0.3:
        first, stride = str(random.randint(0, 40)), str(random.randint(1, 3))
        counted["input"] = {"first": first, "per input": stride}
    if random.random() < 0.3:
        counted["mix"] = {"first": str(base + random.randint(0, 9)), "per mix": random.choice(("1", "8"))}
    return counted


def _numbers(random: Random, kind: str) -> dict[str, Any]:
    if kind in ("nrpn", "rpn"):
        by_input, by_mix = random.choice(((1, 64), (2, 128), (64, 1), (128, 3)))
        number = {"first": str(random.randint(0, 12_000)), "per input": str(by_input), "per mix": str(by_mix)}
        return {"channel": str(random.randint(1, 16)), kind: number}
    top = 20 if kind == "control change pair" else 60
    return {
        "channel": {"first": str(random.randint(1, 12)), "per mix": "1"},
        kind: {"first": str(random.randint(8, top)), "per input": "1"},
    }


def _law(random: Random, bits: int | None, *, whole: bool) -> dict[str, Any]:
    law = random.choice(("gm2", "db", "points") if whole else ("db", "points"))
    if law == "gm2":
        return {"law": "gm2"}
    if law == "db" and bits is None:
        low = random.randint(-100, -50)
        return {
            "law": "db",
            "lowest": str(low),
            "highest": str(random.randint(0, 12)),
            "step": "0.1",
            "off": str(low - 10),
        }
    if law == "db":
        assert bits is not None
        step, first = ("1", 1) if bits == 7 else random.choice((("0.1", 1), ("0.05", 1), ("0.25", 24)))
        low = random.randint(-90, -60)
        # A value in two parts is off from a multiple of 128 on.
        off = random.choice((first - 1, ((1 << bits) - 1) & ~0x7F if bits > 7 else 127))
        return {
            "law": "db",
            "lowest": str(low),
            "highest": str(low + 80),
            "step": step,
            "first": str(first),
            "off": str(off),
        }
    top = 1.0 if bits is None else (1 << bits) - 1
    # A chart goes down far enough: below its lowest level nobody knows the law.
    levels = [random.randint(-80, -31), *sorted(random.sample(range(-30, 11), 5))]
    shares = [random.randint(2, 11), *sorted(random.sample(range(12, 40), 4))]
    codes = [top * share / 40 if bits is None else top * share // 40 for share in shares] + [top]
    points = [["0", "off"], *([f"{code:.7g}", str(level)] for code, level in zip(codes, levels, strict=True))]
    return {"law": "points", "points": points}


def same_law(learned: Law, law: Law) -> list[str]:
    """Where a law that was learned is more than half a value and more than 0.2 dB away."""
    wrong = []
    for code in codes_of(law):
        level = law.level(code)
        said = learned.level(code)
        if isinstance(level, Off) or isinstance(said, Off):
            if said is not level:
                wrong.append(f"{code}: {said}, not {level}")
        elif abs(said - level) > 20 and (isinstance(law, LineLaw) or abs(learned.code(level) - code) > 0.5):
            wrong.append(f"{code}: {said}, not {level}")
    return wrong
