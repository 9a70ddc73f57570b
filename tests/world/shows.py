"""The shows that nights are played with: small ones drawn by chance, and the shorter of the two demo sets.

What the rules need of a show (who may have what at the most) is read from its files here, with a plain YAML reader and
none of the program.
"""

from __future__ import annotations

import random
import shutil
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import yaml

from .show_texts import ENDS, KEYS, OVER_OSC, QUICK, SLOW

ROOT: Final = Path(__file__).resolve().parents[2]

MIDI_DESKS: Final = ("control-change", "nrpn", "sysex", "sysex-checksum")
OSC_DESKS: Final = ("osc-decibels", "osc-travel")

DESKS: Final = (
    "osc-decibels", "nrpn", "sysex", "osc-travel", "control-change", "sysex-checksum", "osc-decibels", "control-change"
)  # fmt: skip
"""The profiles that shows take turns with."""

INPUTS: Final = ("voice", "fiddle", "bass", "drum", "click", "keys")
PLAYERS: Final = ("singer", "fiddler", "drummer")

SHOWS: Final = 14
"""How many shows the seeds draw theirs from; each is read once."""

DRIVEN: Final = (14, 15)
"""Shows beside them that drive whole mixes: on a desk that can be read, and on one that cannot."""

TIMES: Final = (
    {"load in": "18:35", "doors": "18:52", "set": "19:01", "curfew": "19:24"},
    {"line check": "18:31", "set": "18:47"},
    {"doors": "18:58", "curfew": "19:10"},
)
"""Timetables: nights begin at 18:30 (`clock.py`)."""

REMIND: Final = (5, 2)
"""How long before each of them people are reminded, minutes."""

NAMED: Final = ("load in", "line check", "doors", "set", "curfew")

STORED: Final = (1, 2)
"""Scenes that a desk has stored, where it has any."""


@dataclass(kw_only=True)
class Stage:
    """A show as the world needs it. `ceilings`: by mix and socket (None: the whole mix), dB; `sums`: of each mix, dB;
    `feet`: the mapping of each pedal; `spots`: what the show has levels for."""

    name: str
    folder: Path
    profile: str
    over: str
    ceilings: dict[tuple[int, int | None], float] = field(default_factory=dict)
    sums: dict[int, float] = field(default_factory=dict)
    feet: list[str] = field(default_factory=list)
    listeners: list[str] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)
    has_box: bool = False
    has_sound: bool = False
    rise: float = 50.0
    budget: bool = False
    timetable: dict[str, str] = field(default_factory=dict)
    """Its times, as the setlist has them; `remind`: minutes before each."""
    remind: tuple[int, ...] = ()
    stored: tuple[int, ...] = ()
    players: list[str] = field(default_factory=list)
    wholes: frozenset[int] = frozenset()
    """The mixes whose whole mix the show drives."""
    edited: dict[str, str] = field(default_factory=dict)
    """The files as somebody leaves them who edits them in mid-show."""
    edited_mixes: frozenset[int] = frozenset()
    """The mixes in which that moves a level."""

    @cached_property
    def ends(self) -> list[str]:
        """What each pedal hangs on."""
        return [f"{ENDS[foot]} {at}" for at, foot in enumerate(self.feet)]

    @cached_property
    def cables(self) -> list[str]:
        """Those of them that can be pulled out."""
        return [end for end, foot in zip(self.ends, self.feet, strict=True) if foot != "osc"]


def write_show(folder: Path, number: int) -> Stage:
    """Write the show with that number; always the same one."""
    folder.mkdir(parents=True)
    if number == 0:
        return _demo(folder)
    return _Draw(folder, number).stage()


def _demo(folder: Path) -> Stage:
    """The demo set over OSC."""
    for name in ("rig.yaml", "setlist.yaml"):
        shutil.copy(ROOT / "setlists" / "three-songs" / name, folder)
    (folder / "osc-buttons.yaml").write_text(OVER_OSC, "utf-8")
    stage = Stage(name="three songs", folder=folder, profile="osc-decibels", over="osc", feet=["osc"])
    text = (folder / "setlist.yaml").read_text("utf-8")
    end = text.index("    pedals:")
    (folder / "setlist.yaml").write_text(text[:end], "utf-8")
    stage.edited = {"setlist.yaml": text[:end].replace("own: -3,", "own: -5,")}
    _read(stage)
    return stage


class _Draw:
    def __init__(self, folder: Path, number: int) -> None:
        self.folder = folder
        self.number = number
        self.chance = random.Random(f"show {number}")
        self.profile = DESKS[number % len(DESKS)]
        self.over = "osc" if self.profile in OSC_DESKS else "midi"
        self.inputs = INPUTS[: self.chance.randint(3, 5)]
        self.players = PLAYERS[: self.chance.randint(2, 3)]
        self.has_box = self.chance.random() < 0.6
        self.has_sound = self.has_box and self.chance.random() < 0.6
        self.ceiling = self.chance.choice((0, -2, 3))
        self.own_ceilings = {name: self.chance.choice((None, None, -3, 1)) for name in self.players}
        self.has_ceilings = {name: self.chance.random() < 0.6 for name in self.players}
        self.feet = ["quick", "slow"] if self.over == "midi" or number % 2 else ["osc", "slow"]
        more = random.Random(f"more of show {number}")
        self.feet += ["keys"] if more.random() < 0.5 else []
        self.timetable = TIMES[number % len(TIMES)] if more.random() < 0.4 else {}
        self.stored = STORED if self.profile in ("control-change", "nrpn") and more.random() < 0.7 else ()
        self.whole = random.Random(f"whole mixes of show {number}")
        # The last listener's is left alone.
        self.driven = self.players[:-1] if number in DRIVEN else []

    def stage(self) -> Stage:
        rides = self.inputs[1]
        for name, text in (("quick", QUICK), ("slow", SLOW), ("osc", OVER_OSC), ("keys", KEYS)):
            if name in self.feet:
                (self.folder / f"{name}.yaml").write_text(text.replace("{RIDES}", rides), "utf-8")
        setlist = "\n".join(self._setlist()) + "\n"
        (self.folder / "rig.yaml").write_text("\n".join(self._rig()) + "\n", "utf-8")
        (self.folder / "setlist.yaml").write_text(setlist, "utf-8")
        stage = Stage(
            name=f"show {self.number}",
            folder=self.folder,
            profile=self.profile,
            over=self.over,
            feet=self.feet,
            has_box=self.has_box,
            has_sound=self.has_sound,
            stored=self.stored,
        )
        stage.edited = {"setlist.yaml": _later(setlist)}
        _read(stage)
        return stage

    def _rig(self) -> list[str]:
        chance = self.chance
        rows = ["inputs:"]
        rows += [f"  - {{name: {name}, socket: {at + 1}}}" for at, name in enumerate(self.inputs)]
        rows += [
            "limits: {jump: 60}",
            f"ceiling: {self.ceiling}",
            f"mix ceiling: {chance.choice((-3, 0, 6))}",
            "listeners:",
        ]
        for at, name in enumerate(self.players):
            own = self.own_ceilings[name]
            more = f", ceilings: {{{self.inputs[2]}: -9, own: -1}}" if self.has_ceilings[name] else ""
            more += "" if own is None else f", ceiling: {own}"
            rows.append(f"  - {{name: {name}, mix: {at + 1}, own input: {self.inputs[at]}{more}}}")
        where = "host: 127.0.0.1:9000" if self.over == "osc" else f"port: desk, link: {chance.choice(('din', 'usb'))}"
        rows += [f"desk: {{profile: {self.profile}, {where}}}", "pedals:"]
        for at, foot in enumerate(self.feet):
            end = {"osc": "osc port: 9010", "keys": f"keyboard: keyboard {at}"}.get(foot, f"port: foot {at}")
            whose = self.players[at % len(self.players)]
            rows.append(f"  - {{name: pedal {at}, {end}, mapping: {foot}, listener: {whose}}}")
        if self.has_box:
            rows += ["players:", "  - name: box", "    port: box", "    start: [{song select: cue}, {realtime: start}]"]
            rows += ["    stop: {realtime: stop}", "    pause: {realtime: stop}", "    go on: {realtime: continue}"]
        if self.has_sound:
            rows += ["  - name: laptop", "    sound: {outputs: {left: 1, right: 2, click: 3}, click: click}"]
        rows += ["devices:", "  - name: keys rig", "    port: keys rig"]
        rows += ["    messages:", "      piano: {program: 0, channel: 3}"]
        return rows

    def _setlist(self) -> list[str]:
        chance = self.chance
        rows = [f"title: set {self.number}", "rig: rig.yaml", f"fade: {chance.choice((0, 0.15, 0.4))}", "base:"]
        for name in self.players:
            levels = ", ".join(f"{one}: {self._level(one)}" for one in self.inputs)
            whole = f", whole mix: {self._whole()}" if name in self.driven else ""
            rows.append(f"  {name}: {{{levels}{whole}}}")
        if self.timetable:
            times = ", ".join(f"{name}: {at}" for name, at in self.timetable.items())
            rows.append(f"timetable: {{zone: UTC, {times}, remind: [{', '.join(f'{one} min' for one in REMIND)}]}}")
        rows += ["scenes:", "  talking:", f"    levels: {{everyone: {{{self.inputs[0]}: down 6}}}}", "songs:"]
        songs = chance.randint(3, 5)
        for at in range(songs):
            rows.append(f"  - name: song {at + 1}")
            rows += [f"    stored scene: {self.stored[at // 2 % 2]}"] if self.stored and at % 2 == 1 else []
            if at == 0:
                rows += ["    messages: [{to: keys rig, message: piano}]"]
            ours = self.has_sound and at % 2 == 1
            if self.has_box and at % 2 == 0:
                rows += [f"    cue: {{player: box, number: {at + 1}}}", "    length: 0:14"]
                rows += ["    then: next song"] if at + 1 < songs and chance.random() < 0.3 else []
            elif ours:
                rows += ["    cue: {player: laptop, stems: {}}", "    tempo: 120", "    length: 0:12"]
            rows += ["    levels:", *self._changes("      ")]
            if chance.random() < 0.7:
                rows += ["    sections:", "      - name: chorus"]
                rows += ["        at: 0:06"] if (self.has_box and at % 2 == 0) or ours else []
                rows += ["        fade: 0", "        levels:", *self._changes("          ")]
        return rows

    def _level(self, name: str) -> str:
        """A level that a layer sets: files may set none above its ceiling."""
        low = -10 if name == self.inputs[2] else -3
        return self.chance.choice((f"{low}", f"{low - 3}", f"{low - 9}", f"{low - 15}", "off"))

    def _changes(self, indent: str) -> list[str]:
        chance = self.chance
        rows = []
        for name in chance.sample(self.players, chance.randint(1, len(self.players))):
            over = {
                one: chance.choice(("up 3", "up 3", "down 4", self._level(one)))
                for one in chance.sample(self.inputs, 2)
            }
            if name in self.driven and self.whole.random() < 0.7:
                over["whole mix"] = self.whole.choice(("up 3", "up 6", "down 4", self._whole()))
            rows.append(f"{indent}{name}: {{{', '.join(f'{one}: {change}' for one, change in over.items())}}}")
        return rows

    def _whole(self) -> str:
        """The level of a whole mix: far enough apart that inputs and it make room for one another."""
        return self.whole.choice(("-3", "-4", "-8", "-12", "-16"))


def _later(setlist: str) -> str:
    """The setlist with the first level of the base 2 dB lower, or on."""
    head, base, rest = setlist.partition("base:\n")
    line, end, more = rest.partition("\n")
    name, colon, level = line.partition(": {")[2].partition(",")[0].partition(": ")
    other = "-10" if level == "off" else str(int(level) - 2)
    return head + base + line.replace(f"{name}{colon}{level}", f"{name}{colon}{other}", 1) + end + more


def _differ(one: Any, other: Any, mixes: dict[str, int], whose: frozenset[int]) -> set[int]:
    """The mixes in which two files differ: where a listener is named on the way to it, that one's, and else all."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        ways = [(one[key], other[key], frozenset((mixes[key],)) if key in mixes else whose) for key in one]
        return set().union(*(_differ(left, right, mixes, found) for left, right, found in ways))
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return set().union(*(_differ(left, right, mixes, whose) for left, right in zip(one, other, strict=True)))
    return set() if one == other else set(whose)


def _read(stage: Stage) -> None:
    """What a show's rig allows."""
    rig: dict[str, Any] = yaml.safe_load((stage.folder / "rig.yaml").read_text("utf-8"))
    sockets = {one["name"]: one["socket"] for one in rig["inputs"]}
    stage.inputs = list(sockets)
    for one in rig["listeners"]:
        stage.listeners.append(one["name"])
        own = one.get("own input")
        said = {own if name == "own" else name: level for name, level in one.get("ceilings", {}).items()}
        both = [one["ceilings"][name] for name in ("own", own) if name in one.get("ceilings", {})]
        if both:
            said[own] = min(both)
        for name, socket in (*sockets.items(), ("whole mix", None)):
            most = said.get(name, one.get("ceiling", rig.get("ceiling", 0)))
            stage.ceilings[one["mix"], socket] = float(most)
        stage.sums[one["mix"]] = float(one.get("mix ceiling", rig.get("mix ceiling", 10)))
    stage.players = [one["name"] for one in rig.get("players", [])]
    setlist: dict[str, Any] = yaml.load((stage.folder / "setlist.yaml").read_text("utf-8"), yaml.BaseLoader)
    mixes = {one["name"]: one["mix"] for one in rig["listeners"]}
    stage.wholes = frozenset(mixes[name] for name, levels in setlist["base"].items() if "whole mix" in levels)
    after = yaml.load(stage.edited["setlist.yaml"], yaml.BaseLoader)
    stage.edited_mixes = frozenset(_differ(setlist, after, mixes, frozenset(mixes.values())))
    stage.timetable = {name: at for name, at in setlist.get("timetable", {}).items() if name in NAMED}
    stage.remind = REMIND if stage.timetable else ()
    stage.rise = float(rig.get("limits", {}).get("rise", 50))
    stage.budget = rig["desk"].get("link") == "din"
