"""Files in binary forms: Standard MIDI Files, backups and their manifests.

Outside judges: the mido library for MIDI files, `zipfile` and `json` of the standard library for backups.
"""

from __future__ import annotations

import hashlib
import io
import json
import tempfile
import zipfile
from pathlib import Path
from typing import Any, Final

from fuzz.drawn import Drawn
from fuzz.texts import sentence
from stagectl.archive.check import check
from stagectl.archive.manifest import Manifest, read_manifest
from stagectl.archive.unpack import unpack
from stagectl.core.tempo import TempoMap
from stagectl.errors import DeviceError, FileFaults
from stagectl.tracks.smf import tempo_of
from stagectl.wire.midi_file import META, MidiFile, read_midi_file

# -- Standard MIDI Files --------------------------------------------------------------------------------------


def midi_file(data: bytes) -> None:
    """Any bytes are a file or a sentence; what mido reads too it reads alike, its known slips aside."""
    try:
        file = read_midi_file(data)
    except ValueError as error:
        sentence(error, 500)
        return
    for events in file.tracks:
        ticks = [event.tick for event in events]
        assert ticks == sorted(ticks)
    assert sum(len(event.packet) for events in file.tracks for event in events) <= 3 * len(data)
    judged = _by_mido(data, file)
    if judged is not None:
        assert [_messages(events) for events in file.tracks] == judged


def _messages(events: Any) -> list[tuple[int, bytes]]:
    """The channel messages of a track and their ticks, as both readers give them."""
    return [(event.tick, event.packet) for event in events if 0x80 <= event.packet[0] < 0xF0]


def _by_mido(data: bytes, file: MidiFile) -> list[list[tuple[int, bytes]]] | None:
    """What mido reads; None where it slips: over time before meta events that it does not know, chunks that are no
    tracks, texts and numbers that it takes no care of. It is not asked where it would take minutes."""
    from mido import MidiFile as Mido
    from mido.midifiles.meta import KeySignatureError, UnknownMetaMessage

    if any(event.packet[0] == META and event.packet[1] not in _KNOWN_META for one in file.tracks for event in one):
        return None
    try:
        read = Mido(file=io.BytesIO(data))
    except (OSError, EOFError, ValueError, KeyError, IndexError, TypeError, KeySignatureError):
        return None
    tracks = []
    for track in read.tracks:
        tick, found = 0, []
        for message in track:
            if isinstance(message, UnknownMetaMessage):
                return None
            tick += int(message.time)
            if message.type == "end_of_track":
                # It reads on behind a track's end.
                break
            if not message.is_meta and message.type not in ("sysex",) and message.bytes()[0] < 0xF0:
                found.append((tick, bytes(message.bytes())))
        tracks.append(found)
    return tracks[: len(file.tracks)]


_KNOWN_META: Final = frozenset((0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0x20, 0x21, 0x2F, 0x51, 0x54, 0x58, 0x59, 0x7F))


def tempo_map(data: bytes) -> None:
    """Any bytes are a tempo map or a sentence; in a map, positions and bars rise together, and come back."""
    try:
        tempo = tempo_of(data)
    except ValueError as error:
        sentence(error, 500)
        return
    assert [one.quarter for one in tempo.tempos] == sorted({one.quarter for one in tempo.tempos})
    assert [one.quarter for one in tempo.bars] == sorted({one.quarter for one in tempo.bars})
    assert all(one.lasts > 0 for one in tempo.tempos)
    _rises(tempo)


def _rises(tempo: TempoMap) -> None:
    clocks = [0, 1, 24, 96, 1_000]
    places = [tempo.at_clock(clock) for clock in clocks]
    assert places == sorted(places)


# -- backups --------------------------------------------------------------------------------------------------


def manifest(data: bytes) -> None:
    """Any bytes are a manifest or a sentence; a manifest is JSON by any reader, and says what that reads."""
    try:
        found = read_manifest(data)
    except ValueError as error:
        sentence(error, 10_000)
        return
    said = json.loads(data)
    assert found.setlist == said["setlist"]
    assert [one.path for one in found.files] == [one["path"] for one in said["files"]]
    assert Manifest.model_validate(found.model_dump()) == found


def backup(data: bytes) -> None:
    """Any bytes are a backup or faults. A backup unpacks into its folder and nowhere else, as `zipfile` reads it; where
    it cannot, nothing is written."""
    try:
        found = check(io.BytesIO(data), "a backup")
    except FileFaults as faults:
        _told(faults)
        return
    with tempfile.TemporaryDirectory(prefix="fuzz-") as around:
        folder = Path(around) / "here" / "show"
        folder.parent.mkdir()
        (Path(around) / "beside").write_bytes(b"as it was")
        try:
            unpack(found, "a backup", folder)
        except (FileFaults, DeviceError) as error:
            _told(error)
            assert list(folder.parent.iterdir()) == []
        else:
            _is_as_listed(found.manifest, folder, data)
        assert {one.name for one in Path(around).iterdir()} == {"here", "beside"}
        assert (Path(around) / "beside").read_bytes() == b"as it was"


def _told(error: FileFaults | DeviceError) -> None:
    lines = [str(fault) for fault in error.faults] if isinstance(error, FileFaults) else [str(error)]
    assert lines and all(0 < len(line) < 3_000 and line.isprintable() for line in lines), lines


def _is_as_listed(found: Manifest, folder: Path, data: bytes) -> None:
    assert {one.name for one in folder.parent.iterdir()} == {"show"}
    there = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert there.keys() == {file.path for file in found.files}
    judge = zipfile.ZipFile(io.BytesIO(data))
    for file in found.files:
        assert hashlib.sha256(there[file.path]).hexdigest() == file.sha256
        assert judge.read(file.path) == there[file.path]


NAMES: Final = (
    *("show/setlist.yaml", "show/rig.yaml", "manifest.json", "nights/a.night", "../out", "/out", "show/../../out"),
    *("C:out", "show\\out", "a\0b", "show", "show/", "SHOW/SETLIST.YAML", "con", "show/é", "show/e\u0301", "x" * 300),
    *("/".join("abcdefghijklmnopqr"), "", ".", "nights/../show/x", "nights/a.night/"),
)


def made_backup(data: bytes) -> None:
    """A backup with a manifest and entries that are drawn: names, kinds, sizes and sums that lie."""
    backup(made(Drawn(data)))


def made(drawn: Drawn) -> bytes:
    """A zip as it is drawn; with no bytes, a sound backup."""
    files = [(drawn.pick(NAMES), drawn.raw(30)) for _ in range(1 + drawn.below(4))]
    listed = [_listed(drawn, path, raw) for path, raw in files]
    text: dict[str, Any] = {
        "format": 1,
        "program": "0",
        "when": "2026-11-25T19:30:00Z",
        "title": "a show",
        "setlist": files[0][0],
        "files": listed,
        "left": [],
    }
    if drawn.below(8) == 7:
        text[drawn.pick(list(text))] = drawn.value()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", drawn.pick((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as packed:
        for path, raw in [("manifest.json", json.dumps(text, default=repr).encode()), *files]:
            entry = zipfile.ZipInfo(path)
            entry.external_attr = drawn.pick((0, 0o100644 << 16, 0o120777 << 16, 0o040755 << 16, 0o010644 << 16, 16))
            _put(packed, entry, raw)
    whole = bytearray(out.getvalue())
    for _ in range(drawn.below(4)):
        whole[drawn.below(len(whole))] = drawn.below(256)
    return bytes(whole)


def _put(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, raw: bytes) -> None:
    import warnings

    with warnings.catch_warnings():
        # The same name twice is one of the lies.
        warnings.simplefilter("ignore")
        packed.writestr(entry, raw)


def _listed(drawn: Drawn, path: str, raw: bytes) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "path": path,
        "what": "setlist",
        "size": len(raw),
        "sha256": hashlib.sha256(raw).hexdigest(),
        "time": "2026-11-25T19:30:00Z",
        "shipped": False,
    }
    if drawn.below(8) == 7:
        entry[drawn.pick(list(entry))] = drawn.value(NAMES)
    return entry
