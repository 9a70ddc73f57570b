"""Shows that the tests of the sheet look at: the demo, one with every kind of foot, and one whose names do their
worst."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import yaml

from stagectl.sheet.facts import Sheet, sheet_of
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

DEMO: Final = shipped("setlists") / "nine-songs"

DATED: Final = "files of 2026-11-26 13:30"

EVIL: Final = (
    '<script>alert("1")</script>',
    "</title></style>&amp;\"'`",
    "\N{DRUM WITH DRUMSTICKS}\N{VARIATION SELECTOR-16} the \N{GUITAR} one",
    "\u0645\u0631\u062d\u0628\u0627 \u0628\u0627\u0644\u0639\u0627\u0644\u0645",
    "\u202eturned round",
    "x" * 200,
    ("word " * 40).strip(),
    "\u8d85\u957f\u7684\u6b4c\u66f2\u540d\u79f0" * 20,
    "{--ink:red}",
    "http://somewhere.invalid/?a=1&b=<2>",
    'a"; content: url(http://somewhere.invalid/x) \\',
    "half \ud83d\udc68\u200d\ud83c\udfa4".encode("utf-16", "surrogatepass").decode("utf-16"),
)
"""Names with HTML, CSS, emoji, scripts from right to left, 200 characters without and with spaces."""


def sheet(folder: Path = DEMO, venue: str | None = None) -> Sheet:
    """The facts of a show's sheet."""
    show = load_show(folder)
    return sheet_of(show, compile_show(show, venue), venue, DATED)


def written(folder: Path, **files: Any) -> Path:
    """A show's files, made from plain data; the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / f"{name}.yaml").write_text(yaml.safe_dump(data, allow_unicode=True, sort_keys=False), "utf-8")
    return folder


def feet(folder: Path) -> Path:
    """A show in which feet have layers and pairs, a song and a section lay something over them, and sockets are not in
    the order of the inputs."""
    board = {
        "name": "board",
        "controls": {
            "left": {
                "sends": {"control change": 20},
                "press": "next",
                "hold": "undo",
                "double press": {"layer": "solo"},
            },
            "right": {"sends": {"control change": 21}, "press": {"nudge": "own", "by": "+1", "lasts": "song"}},
            "treadle": {"sends": {"control change": 11}, "turn": {"ride": "fiddle", "from": -6, "to": "+3"}},
        },
        "together": [{"controls": ["left", "right"], "press": {"hush": "everyone"}}],
        "layers": {"solo": {"right": {"press": {"nudge rest": "own", "by": -2}, "hold": "layer"}}},
    }
    rig = {
        "inputs": [
            {"name": "fiddle", "socket": 7, "phantom": "needed", "notes": "the spare clip is in the lid"},
            {"name": "drum", "socket": 2, "split": False},
            {"name": "voice", "socket": 5, "phantom": "never"},
        ],
        "listeners": [
            {"name": "fiddler", "mix": 3, "own input": "fiddle", "ceilings": {"drum": -9}},
            {"name": "caller", "mix": 1, "own input": "voice", "leads with": "drum", "notes": "left ear only"},
        ],
        "desk": {"profile": "control-change", "port": "desk", "phantom": [7]},
        "split": {"side": "direct"},
        "pedals": [{"name": "floor board", "port": "floor", "mapping": "board", "listener": "fiddler"}],
        "devices": [{"name": "lamp rack", "port": "lamps", "messages": {"blue": {"program": 4, "channel": 1}}}],
    }
    song = {
        "name": "Second",
        "notes": "wait for the count",
        "levels": {"fiddler": {"voice": "up 10"}},
        "pedals": {"floor board": {"left": {"hold": "nothing"}}},
        "messages": [{"to": "lamp rack", "message": "blue"}],
        "sections": [
            {
                "name": "coda",
                "notes": "slower",
                "levels": {"fiddler": {"voice": "off", "drum": -10}},
                "pedals": {"floor board": {"right": {"double press": {"go to": "First"}}}},
            }
        ],
    }
    setlist = {
        "title": "barn night",
        "rig": "rig.yaml",
        "base": {"fiddler": {"fiddle": -6, "drum": -12, "voice": -20}, "caller": {"voice": -5, "rest": -15}},
        "venues": {"Upper Barn": {"caller": {"drum": "down 7"}}},
        "songs": [{"name": "First"}, song],
    }
    return written(folder, board=board, rig=rig, setlist=setlist)


def evil(folder: Path) -> Path:
    """A show in which everything that has a name has each of the worst ones."""
    board = {
        "name": EVIL[0],
        "controls": {
            name: {"sends": {"control change": at}, "press": "next", "hold": {"layer": name}}
            for at, name in enumerate(EVIL, 20)
        },
        "layers": {name: {EVIL[0]: {"press": "layer"}} for name in EVIL},
    }
    whose = EVIL[:6]
    rig = {
        "inputs": [{"name": name, "socket": len(EVIL) - at, "notes": name} for at, name in enumerate(EVIL)],
        "listeners": [{"name": name, "mix": at, "own input": name, "notes": name} for at, name in enumerate(whose, 1)],
        "desk": {"profile": "control-change", "port": EVIL[1]},
        "pedals": [{"name": name, "port": name, "mapping": "board", "listener": name} for name in whose[4:]],
        "devices": [{"name": EVIL[5], "port": EVIL[6], "messages": {EVIL[7]: {"program": 4, "channel": 1}}}],
    }
    songs = [
        {
            "name": name,
            "notes": name,
            "levels": {"everyone": {name: -20}},
            "messages": [{"to": EVIL[5], "message": EVIL[7]}],
            "sections": [
                {
                    "name": name,
                    "notes": name,
                    "levels": {"everyone": {name: -3}},
                    "pedals": {whose[5]: {name: {"press": {"nudge": name, "by": "+1"}}}},
                }
            ],
        }
        for name in EVIL
    ]
    base = {name: dict.fromkeys(EVIL, -12) for name in whose}
    setlist = {
        "title": EVIL[1],
        "rig": "rig.yaml",
        "notes": EVIL[0],
        "base": base,
        "venues": {name: {"everyone": {EVIL[0]: "down 3"}} for name in EVIL},
        "songs": songs,
    }
    return written(folder, board=board, rig=rig, setlist=setlist)
