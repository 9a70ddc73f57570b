"""What belongs to a show: its files, what feet do in a rehearsal, its nights; and the sound files that it only names.

Files lie in the backup as they lie on the disk, seen from the folder that holds them all. What came with the program
lies beside the rig, where it is found first, so that another version of the program makes no other show of it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Final

from stagectl.archive.bounds import MANIFEST
from stagectl.archive.manifest import Left
from stagectl.archive.names import clashes, path_fault
from stagectl.errors import Fault, FileFaults
from stagectl.show.load import Show, looks_like
from stagectl.show.yamltext import BYTES_MAX, read_text
from stagectl.where import shipped
from stagectl.wire.midi_file import SIZE_MAX

BESIDE_MAX: Final = 1_000
"""Files beside the setlist that are looked at."""

NIGHTS: Final = "nights"
"""The folder of the nights in a backup."""

_TAKES: Final = (".mid", ".midi")
_SCRIPTS: Final = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Piece:
    """A file for a backup. `path`: where it lies in there. `content`: what it holds, or a file that holds it and that
    nobody changes. `time`: when it was changed last. `source`: where it came from."""

    path: str
    what: str
    content: bytes | Path
    time: datetime
    source: Path
    shipped: bool = False

    @property
    def size(self) -> int:
        """How many bytes it holds. Raises OSError where its file cannot be looked at."""
        return len(self.content) if isinstance(self.content, bytes) else self.content.stat().st_size


@dataclass(frozen=True, slots=True)
class Gathered:
    """What goes into a backup. `setlist`: where it lies in there."""

    title: str
    setlist: str
    pieces: tuple[Piece, ...]
    left: tuple[Left, ...]


def gather(show: Show, nights: Sequence[Piece] = ()) -> Gathered:
    """All of it, in the order of the backup. Raises FileFaults where a file cannot be restored elsewhere: for its name,
    or because the show names it by a whole path."""
    _check_relative(show)
    setlist = _whole(show.sources["setlist"].path)
    kept = {_whole(Path(path)): raw for path, raw in show.files.items()}
    base = _base(show, list(kept))
    rig = _whole(show.sources["rig"].path).parent
    pieces = []
    for path, raw in kept.items():
        ours = path.is_relative_to(shipped("mappings"))
        where = (rig / path.name if ours else path).relative_to(base).as_posix()
        pieces.append(Piece(where, _what(show, path), raw, _changed(path), path, ours))
    for path, raw, what in _beside(setlist.parent, set(kept)):
        pieces.append(Piece(path.relative_to(base).as_posix(), what, raw, _changed(path), path))
    rest = sorted(pieces[1:], key=lambda piece: piece.path)
    ordered = (pieces[0], *rest, *nights)
    _check_names(ordered)
    left = tuple(_left(show, setlist.parent.relative_to(base).as_posix()))
    return Gathered(show.setlist.title, pieces[0].path, ordered, left)


def _whole(path: Path) -> Path:
    """An absolute path without `..`."""
    return Path(os.path.abspath(path))


def _base(show: Show, paths: Sequence[Path]) -> Path:
    """The folder that holds all files that did not come with the program."""
    own = [path.parent for path in paths if not path.is_relative_to(shipped("mappings"))]
    try:
        return Path(os.path.commonpath(own))
    except ValueError as error:
        says = "the show's files lie on several drives; put them into one folder"
        raise FileFaults([Fault(str(show.sources["setlist"].path), 0, says)]) from error


def _what(show: Show, path: Path) -> str:
    for name, source in show.sources.items():
        if _whole(source.path) == path:
            return name.split(" ")[0]
    return "tempo file"


def _beside(folder: Path, taken: set[Path]) -> Iterator[tuple[Path, bytes, str]]:
    """What feet do in a rehearsal: press scripts and takes beside the setlist."""
    with os.scandir(folder) as found:
        names = sorted(one.name for one in islice(found, BESIDE_MAX))
    for path in (folder / name for name in names):
        if path in taken or not path.is_file():
            continue
        if path.suffix.lower() in _TAKES and path.stat().st_size <= SIZE_MAX:
            yield path, path.read_bytes(), "take"
        elif path.suffix.lower() in _SCRIPTS and path.stat().st_size <= BYTES_MAX:
            raw = path.read_bytes()
            if looks_like(read_text(raw, str(path)).data) == "script":
                yield path, raw, "presses"


def _left(show: Show, folder: str) -> Iterator[Left]:
    """The sound files that the show names, each once."""
    stems = [stem for song in show.setlist.songs if song.cue is not None for stem in song.cue.stems]
    for stem in dict.fromkeys(stems):
        try:
            size = (show.folder / stem).stat().st_size
        except (OSError, ValueError):
            size = None
        yield Left(path=PurePosixPath(folder, Path(stem).as_posix()).as_posix(), what="stem", size=size)


def _changed(path: Path) -> datetime:
    """When a file was changed last, to the second."""
    return datetime.fromtimestamp(int(path.stat().st_mtime), UTC)


def _check_relative(show: Show) -> None:
    """The setlist names its files so that they are found wherever the folder is."""
    source, setlist = show.sources["setlist"], show.setlist
    named: list[tuple[str, tuple[str | int, ...]]] = [(setlist.rig, ("rig",))]
    named += [
        (song.tempo_file, ("songs", at, "tempo file"))
        for at, song in enumerate(setlist.songs)
        if song.tempo_file is not None and song.tempo is None
    ]
    says = "`{}` is a whole path, which is found on this machine alone; name the file from the setlist's folder"
    faults = [source.fault(says.format(name), *place) for name, place in named if Path(name).is_absolute()]
    if faults:
        raise FileFaults(faults)


def _check_names(pieces: Sequence[Piece]) -> None:
    """Every file can be restored on every system."""
    faults = [
        Fault(str(piece.source), 0, f"it cannot be backed up as `{piece.path}`: {fault}")
        for piece in pieces
        if (fault := path_fault(piece.path)) is not None
    ]
    sources = {piece.path: piece.source for piece in pieces} | {MANIFEST: Path(MANIFEST)}
    for path, fault in clashes([MANIFEST, *(piece.path for piece in pieces)]):
        faults.append(Fault(str(sources[path]), 0, f"it cannot be backed up as `{path}`: {fault}"))
    if faults:
        raise FileFaults(faults)
