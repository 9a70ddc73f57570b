"""Big shows of a given size, made up by a fixed rule: the same sizes always give the same files.

They are sparse as real ones are: a song changes a dozen sends, a section five, a venue ten; most by shifts, some by
levels, some for everyone.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path
from typing import Final

BOARD: Final = """\
name: four switches
controls:
  one:
    sends: {control change: 102}
    press: back
  two:
    sends: {control change: 103}
    press: next
    hold: undo
  three:
    sends: {control change: 104}
    press: {nudge: own, by: -1}
    hold: {layer: click}
  four:
    sends: {control change: 105}
    press: {nudge: own, by: +1}
    hold: {recall: talking}
together:
  - {controls: [three, four], press: clear nudges}
  - {controls: [one, two], press: {go to: song 1}}
layers:
  click:
    three: {press: {nudge: drum 1, by: -1}}
    four: {press: {nudge: drum 1, by: +1}, hold: layer}
"""
"""The pedal of every other player; the others have a switch and a treadle that ships with the program."""

SECTIONS: Final = ("first verse", "chorus", "bridge", "last chorus", "solo", "break", "half time", "out")
KINDS: Final = ("drum", "voice", "string", "horn", "key", "track")


@dataclass(frozen=True, kw_only=True)
class Size:
    """How big a show is. `pedals`: players with a pedal of their own."""

    songs: int = 60
    sections: int = 4
    inputs: int = 32
    mixes: int = 16
    venues: int = 3
    pedals: int = 8


def write_big(folder: Path, size: Size) -> Path:
    """The show's files in a folder; the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "board.yaml").write_text(BOARD, "utf-8")
    (folder / "rig.yaml").write_text("\n".join(_rig(size)) + "\n", "utf-8")
    (folder / "setlist.yaml").write_text("\n".join(_setlist(size)) + "\n", "utf-8")
    return folder


def _inputs(size: Size) -> list[str]:
    return [f"{KINDS[at % len(KINDS)]} {at // len(KINDS) + 1}" for at in range(size.inputs)]


def _players(size: Size) -> list[str]:
    return [f"player {at + 1}" for at in range(size.mixes)]


def _rig(size: Size) -> list[str]:
    names = _inputs(size)
    rows = ["inputs:"]
    rows += [f"  - {{name: {name}, socket: {at + 1}}}" for at, name in enumerate(names)]
    rows += ["ceiling: 0", "listeners:"]
    for at, player in enumerate(_players(size)):
        ceilings = f", ceilings: {{{names[(at + 5) % len(names)]}: -2}}" if at % 3 == 0 else ""
        rows.append(f"  - {{name: {player}, mix: {at + 1}, own input: {names[at % len(names)]}{ceilings}}}")
    rows += ["desk: {profile: nrpn, port: desk}", "pedals:"]
    mappings = ("board", "switch-and-treadle")
    for at, player in enumerate(_players(size)[: size.pedals]):
        mapping = mappings[at % len(mappings)]
        rows.append(f"  - {{name: pedal {at + 1}, port: pedal {at + 1}, mapping: {mapping}, listener: {player}}}")
    return rows


def _setlist(size: Size) -> list[str]:
    chance = random.Random(f"{size}")
    names, players = _inputs(size), _players(size)
    rows = ["title: a big show", "rig: rig.yaml", "fade: 1", "base:"]
    for at, player in enumerate(players):
        rows.append(f"  {player}:")
        for place, name in enumerate(names):
            level = -6 if place == at % len(names) else -8 - (at * 7 + place * 5) % 17
            rows.append(f"    {name}: {'off' if (at + place) % 7 == 3 else level}")
    if size.venues:
        rows.append("venues:")
    for at in range(size.venues):
        rows.append(f"  hall {at + 1}:")
        rows += _changes(chance, players, names, 10, "    ")
    rows += ["scenes:", "  talking:", "    levels: {everyone: {track 1: off}}", "songs:"]
    for song in range(size.songs):
        rows += [f"  - name: song {song + 1}", "    levels:"]
        rows += _changes(chance, players, names, chance.randint(10, 20), "      ")
        if song % 5 == 0 and size.pedals > 1:
            rows += ["    pedals:", f"      pedal 2: {{switch: {{press: {{nudge: {chance.choice(names)}, by: +1}}}}}}"]
        if size.sections:
            rows.append("    sections:")
        for part in range(size.sections):
            word = SECTIONS[part % len(SECTIONS)]
            rows += [f"      - name: {word} {part // len(SECTIONS) + 1}", "        levels:"]
            rows += _changes(chance, players, names, 5, "          ")
    return rows


def _changes(chance: random.Random, players: list[str], names: list[str], some: int, indent: str) -> list[str]:
    """So many changes of a layer, by listener; in one layer of four, one of them is for everyone."""
    whose: dict[str, dict[str, str]] = {}
    if chance.random() < 0.25:
        whose["everyone"] = {chance.choice(names): chance.choice(("up 1", "down 3"))}
        some -= 1
    for send in chance.sample(range(len(players) * len(names)), min(some, len(players) * len(names))):
        player, name = players[send // len(names)], names[send % len(names)]
        draw = chance.random()
        shift = f"{'up' if draw < 0.3 else 'down'} {chance.randint(1, 4)}"
        whose.setdefault(player, {})[name] = (
            shift if draw < 0.6 else "off" if draw < 0.7 else f"{-chance.randint(4, 20)}"
        )
    return [
        f"{indent}{player}: {{{', '.join(f'{name}: {change}' for name, change in over.items())}}}"
        for player, over in whose.items()
    ]
