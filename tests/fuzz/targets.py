"""The targets by name, and what a search begins with: each is a function of bytes that may raise only what the program
declares, which it catches itself, so that whatever comes out of it is a finding."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, NamedTuple, TypeAlias

from fuzz import files, journals, pipes, texts, webs, wires, words
from fuzz.drawn import Drawn
from stagectl.where import shipped

CORPUS: Final = Path(__file__).parent / "corpus"
"""Inputs that are kept: a folder for each target. What was found once is tried for ever."""

Target: TypeAlias = Callable[[bytes], None]


class Fuzzed(NamedTuple):
    """A target; what a search may put together (`words`); the longest input that is worth trying, bytes; and how many
    inputs a property tries in a long search."""

    run: Target
    words: tuple[bytes, ...] = ()
    longest: int = 400
    tries: int = 45


TARGETS: Final[dict[str, Fuzzed]] = {
    "midi stream": Fuzzed(wires.midi_stream, words.MIDI, tries=45),
    "pedal midi": Fuzzed(wires.pedal_midi, words.MIDI),
    "pedal osc": Fuzzed(wires.pedal_osc, words.OSC),
    "osc packet": Fuzzed(wires.osc_packet, words.OSC, tries=45),
    "desk says": Fuzzed(wires.desk_says, words.MIDI + words.OSC),
    "follows": Fuzzed(wires.follows, words.MIDI),
    "learns pedal": Fuzzed(wires.learns_pedal, words.MIDI),
    "learns desk": Fuzzed(wires.learns_desk, words.MIDI + words.OSC),
    "yaml": Fuzzed(texts.yaml_text, words.YAML, tries=45),
    "show": Fuzzed(texts.show_files, words.SHOW, 2_000, tries=30),
    "press script": Fuzzed(texts.press_script, words.SHOW, 800),
    "pedal take": Fuzzed(texts.pedal_take, words.MIDI_FILE),
    "desk recording": Fuzzed(texts.desk_recording, words.RECORDING),
    "midi file": Fuzzed(files.midi_file, words.MIDI_FILE),
    "tempo map": Fuzzed(files.tempo_map, words.MIDI_FILE),
    "manifest": Fuzzed(files.manifest, words.JSON, 1_000),
    "backup": Fuzzed(files.backup, words.ZIP, 1_500),
    "made backup": Fuzzed(files.made_backup, tries=30),
    "journal bytes": Fuzzed(journals.journal_bytes, tries=15),
    "forged journal": Fuzzed(journals.forged, tries=15),
    "spool": Fuzzed(journals.spool, words.JSON, tries=30),
    "want": Fuzzed(webs.want, words.JSON),
    "made want": Fuzzed(webs.made_want, tries=30),
    "request": Fuzzed(webs.request, words.HTTP, 1_000, tries=45),
    "headers": Fuzzed(webs.headers, words.HEADERS),
    "pipe lines": Fuzzed(webs.pipe_lines, words.JSON),
    "pulse lines": Fuzzed(pipes.pulse_lines, words.ORDERS),
    "pulse says": Fuzzed(pipes.pulse_says, words.ORDERS),
    "player lines": Fuzzed(pipes.player_lines, words.ORDERS, 1_000),
    "page lines": Fuzzed(pipes.page_lines, words.ORDERS, tries=30),
    "made lines": Fuzzed(pipes.made_lines, tries=30),
}


def kept(name: str) -> list[Path]:
    """The inputs that are kept for a target."""
    folder = CORPUS / name.replace(" ", "_")
    return sorted(folder.iterdir()) if folder.is_dir() else []


def seeds(name: str) -> Iterable[bytes]:
    """Sound inputs for a target, from what is shipped, and what is kept for it."""
    yield from (path.read_bytes() for path in kept(name))
    yield from _SOUND.get(name, list)()


def _sets(name: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted(texts.SETLISTS.glob(f"*/{name}"))]


def _shipped_yaml() -> list[bytes]:
    found = [
        path.read_bytes()
        for kind in ("pedals", "desks")
        for path in sorted((shipped("mappings") / kind).glob("*.yaml"))
    ]
    return [*found, *_sets("*.yaml")]


def _shows() -> list[bytes]:
    parts = [
        b"=== " + path.name.encode() + b"\n" + path.read_bytes()
        for path in sorted(texts.SETLISTS.glob("three-songs/*.yaml"))
    ]
    mappings = [
        b"=== " + path.name.encode() + b"\n" + path.read_bytes()
        for path in texts.load_files(texts.SETLISTS / "three-songs")[2:]
    ]
    return [*parts, *mappings, b"\n".join(parts[1:])]


def _requests() -> list[bytes]:
    cookie, host = b"Cookie: " + webs.cookie() + b"\r\n", b"Host: localhost:8480\r\n"
    origin, body = b"Origin: http://localhost:8480\r\nContent-Type: application/json\r\n", b'{"do":"next"}'
    want = b"POST /want HTTP/1.1\r\n" + host + origin + cookie
    return [
        *(
            b"GET /" + path + b" HTTP/1.1\r\n" + host + cookie + b"\r\n"
            for path in (b"", b"live", b"map", b"static/page.js", b"x")
        ),
        b"GET /listener/singer?key=a-key-to-read HTTP/1.1\r\n" + host + b"\r\n",
        want + b"Content-Length: 13\r\n\r\n" + body,
        want
        + b"Content-Length: 13\r\n\r\n"
        + webs.CUT
        + body
        + webs.CUT
        + want
        + b"Transfer-Encoding: chunked\r\n\r\nd\r\n"
        + body
        + b"\r\n0\r\n\r\n",
    ]


_SOUND: Final[dict[str, Callable[[], list[bytes]]]] = {
    "yaml": _shipped_yaml,
    "show": _shows,
    "press script": lambda: _sets("presses.yaml"),
    "pedal take": lambda: _sets("take.mid"),
    "midi file": lambda: _sets("take.mid"),
    "tempo map": lambda: _sets("take.mid"),
    "backup": lambda: [files.made(Drawn(b""))],
    "request": _requests,
    "want": lambda: [b'{"do":"next"}', b'{"do":"nudge","listener":"singer","input":"own","by":100}'],
    "desk recording": lambda: [b"# move: input 1 mix 1 bottom to top\n0.000 B0 10 00\n0.021 B0 10 01\n"],
    "midi stream": lambda: [bytes.fromhex("903C40FE3C00F07D01F8F7B00740F305F6")],
    "osc packet": lambda: [
        b"/a\0\0,ifs\0\0\0\0\0\0\0\1?\x80\0\0hi\0\0",
        b"#bundle\0" + bytes(7) + b"\1\0\0\0\x08/a\0\0,\0\0\0",
    ],
    "spool": lambda: [b'[[1,1,1,0,0,127,"AA=="],[1,2]]\n', b'[[9,1,2,0,0,127,"sBAA"]]\n'],
    "headers": lambda: [b"localhost:8480\nhttp://localhost:8480", b"[::1]\nhttp://[::1]:80"],
    "pipe lines": lambda: [b'{"is":"here"}\n[]\n'],
    "pulse lines": lambda: [
        json.dumps({"run": {"tempo": pipes.TEMPO, "zero": 0, "position": 0, "code_at": 0}}).encode(),
        b'{"moved":5}\n{"halt":true}',
    ],
    "pulse says": lambda: [b'{"here":true}\n{"trouble":"x"}\n{"sent":99,"late":50,"worst":2000000}\n{"here":false}'],
    "player lines": lambda: [json.dumps({"do": "keep", "songs": [pipes.TRACK]}).encode()],
    "page lines": lambda: [
        b'{"open":{"host":"127.0.0.1","port":0,"title":"A show"}}\n{"board":"show","is":{"a":1.5}}\n{"beat":1}'
    ],
}
