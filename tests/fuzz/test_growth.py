"""Reading takes steps in proportion to the bytes, whatever is in them: twice as much of anything takes at most somewhat
more than twice as many steps. Steps are lines of the program that run, so that no clock is asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from fuzz.steps import steps
from fuzz.texts import files_of
from stagectl.archive.manifest import read_manifest
from stagectl.errors import FileFaults, WireError
from stagectl.learn.desk_take import links_of
from stagectl.rehearse.take import open_take
from stagectl.show.load import load_kept
from stagectl.show.yamltext import read_text
from stagectl.view.lines import Cutter
from stagectl.view.wants import want_from
from stagectl.wire.midi_file import read_midi_file
from stagectl.wire.osc import parse
from stagectl.wire.stream import MidiStream

MORE = 2.6
"""How many times the steps twice the input may take: twice, and some for what is done once."""

SMALL = 200


def _refused(read: Callable[[], object]) -> None:
    with suppress(ValueError, FileFaults, WireError):
        read()


def _track(body: bytes) -> bytes:
    return b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk" + len(body).to_bytes(4, "big") + body


def _tracks(body: bytes, many: int) -> bytes:
    return b"MThd\0\0\0\6\0\1" + many.to_bytes(2, "big") + b"\1\xe0" + (b"MTrk\0\0\0\4" + body) * many


def _bundle(many: int) -> bytes:
    return b"#bundle\0" + bytes(8) + b"\0\0\0\x08/a\0\0,\0\0\0" * many


GROWS: dict[str, tuple[Callable[[bytes], object], Callable[[int], bytes]]] = {
    "MIDI: status bytes": (lambda raw: MidiStream(Counter()).feed(raw), lambda n: b"\x90" * n),
    "MIDI: one SysEx": (lambda raw: MidiStream(Counter()).feed(raw), lambda n: b"\xf0" + b"\1" * n),
    "MIDI: real time within": (
        lambda raw: MidiStream(Counter()).feed(raw),
        lambda n: b"\xf0" + b"\xf8\1" * n + b"\xf7",
    ),
    "OSC: a bundle": (parse, _bundle),
    "OSC: type tags": (parse, lambda n: b"/a\0\0," + b"T" * (4 * n - 2) + b"\0"),
    "OSC: no end": (parse, lambda n: b"/" + b"a" * (4 * n - 1)),
    "YAML: a list": (lambda raw: read_text(raw, "x"), lambda n: b"- a\n" * n),
    "YAML: a key again": (lambda raw: read_text(raw, "x"), lambda n: b"a: 1\n" * n),
    "YAML: aliases": (lambda raw: read_text(raw, "x"), lambda n: b"- &a [x, y]\n" + b"- *a\n" * n),
    "YAML: merges": (lambda raw: read_text(raw, "x"), lambda n: b"- &a {x: 1}\n" + b"- {<<: *a, y: 2}\n" * n),
    "YAML: one text": (lambda raw: read_text(raw, "x"), lambda n: b"a: '" + b"''" * n + b"'\n"),
    "YAML: brackets": (lambda raw: read_text(raw, "x"), lambda n: b"[" * n),
    "MIDI file: events": (read_midi_file, lambda n: _track(b"\0\x90\x3c\x40" * n)),
    "MIDI file: one number": (read_midi_file, lambda n: _track(b"\xff" * n)),
    "MIDI file: tracks": (read_midi_file, lambda n: _tracks(b"\0\xff\x2f\0", n)),
    "manifest: nested": (read_manifest, lambda n: b"[" * n),
    "want: one text": (want_from, lambda n: b'{"do":"' + b"a" * n + b'"}'),
    "lines: none ends": (lambda raw: [*Cutter().take(raw)], lambda n: b"a" * n),
    "lines: all end": (lambda raw: [*Cutter().take(raw)], lambda n: b"\n" * n),
}


@pytest.mark.parametrize("what", GROWS)
def test_twice_as_much_takes_twice_the_steps(what: str) -> None:
    read, make = GROWS[what]
    small, large = (steps(lambda n=n: _refused(lambda: read(make(n)))) for n in (SMALL, 2 * SMALL))  # type: ignore[misc]
    assert large <= MORE * small + 50


_HEAD = b"""title: x
rig: rig.yaml
base:
  singer: {own: -3, fiddle: -12, accordion: -12, stomp: -18}
  fiddler: {own: -4, voice: -10, accordion: -14, stomp: -14}
  accordionist: {own: -5, voice: -10, fiddle: -14, stomp: off}
songs:
"""

SONGS: dict[str, bytes] = {
    "sound songs": b"  - {name: s%d, levels: {singer: {fiddle: up 2}}}\n",
    "unknown names": b"  - {name: s%d, levels: {singr: {fidle: 2}}}\n",
    "wrong levels": b"  - {name: s%d, levels: {singer: {own: x}}}\n",
    "unknown keys": b"  - {name: s, k%d: 1}\n",
    "numbers": b"  - name: %d\n",
}


@pytest.mark.parametrize("what", SONGS)
def test_twice_as_many_songs_take_twice_the_steps(what: str) -> None:
    """Faulty or not: to look for the name that was meant is bounded too."""
    found = []
    # The first of all loads what is loaded once.
    for songs in (20, 20, 40):
        files = files_of(b"=== setlist.yaml\n" + _HEAD + b"".join(SONGS[what] % at for at in range(songs)))
        found.append(steps(lambda files=files: _refused(lambda: load_kept(files))))  # type: ignore[misc]
    assert found[2] <= MORE * found[1]


FILES: dict[str, tuple[str, Callable[[Path], object], Callable[[int], bytes]]] = {
    "a take: tempos and messages": ("a.mid", open_take, lambda n: _track(b"\0\xff\x51\3\7\xa1\x20\1\x90\x3c\x40" * n)),
    "a take: one number": ("a.mid", open_take, lambda n: _track(b"\xff" * n)),
    "a recording: moves": ("a.txt", links_of, lambda n: b"# move: input 1 mix 1\n0.000 B0 10 00\n" * n),
    "a recording: faults": ("a.txt", links_of, lambda n: b"x\n" * n),
}


@pytest.mark.parametrize("what", FILES)
def test_twice_as_long_a_file_takes_twice_the_steps(what: str, tmp_path: Path) -> None:
    name, read, make = FILES[what]
    path = tmp_path / name
    found = []
    for n in (SMALL, 2 * SMALL):
        path.write_bytes(make(n))
        found.append(steps(lambda: _refused(lambda: read(path))))
    assert found[1] <= MORE * found[0] + 50


def test_the_times_of_ticks_take_no_longer_for_more_changes_of_tempo(tmp_path: Path) -> None:
    """A take of many changes and many messages has every message's time looked up."""
    found = []
    for n in (SMALL, 2 * SMALL):
        path = tmp_path / f"{n}.mid"
        path.write_bytes(_track(b"\1\xff\x51\3\7\xa1\x20" * n + b"\1\x90\x3c\x40" * n))
        take = open_take(path)
        found.append(steps(lambda take=take: [take.times.ns(tick) for tick, _ in take.tracks[0].messages]))  # type: ignore[misc]
    assert found[1] <= MORE * found[0]
