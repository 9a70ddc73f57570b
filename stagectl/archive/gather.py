"""What belongs to a show: its files, what feet do in a rehearsal, its nights; and the sound files that it only names.

Files lie in the backup as they lie on the disk, seen from the folder that holds them all. What came with the program
lies beside the rig, where it is found first, so that another version of the program makes no other show of it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Final, NamedTuple

from stagectl.archive.bounds import MANIFEST
from stagectl.archive.manifest import Left
from stagectl.archive.names import clashes, path_fault
from stagectl.errors import DeviceError, Fault, FileFaults
from stagectl.journal.causes import cause
from stagectl.show.load import Show, looks_like
from stagectl.show.yamltext import BYTES_MAX, read_text, shown
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
    """What goes into a backup. `setlist`: where it lies in there. `unfit`: what is wrong with files beside the show
    that it does not name; they are left."""

    title: str
    setlist: str
    pieces: tuple[Piece, ...]
    left: tuple[Left, ...]
    unfit: tuple[Fault, ...] = ()


def gather(show: Show, nights: Sequence[Piece] = ()) -> Gathered:
    """All of it, in the order of the backup. Raises FileFaults where a file that the show names cannot be restored
    elsewhere: for its name, or because the show names it by a whole path; DeviceError where it cannot be looked at."""
    _check_relative(show)
    kept = _kept(show)
    base = _base(show, list(kept))
    rig = _whole(show, show.sources["rig"].path).parent
    named = []
    for path, raw in kept.items():
        ours = path.is_relative_to(shipped("mappings"))
        where = (rig / path.name if ours else path).relative_to(base).as_posix()
        named.append(Piece(where, _what(show, path), raw, _changed(path), path, ours))
    _check_names([*named, *nights])
    folder = _whole(show, show.sources["setlist"].path).parent
    beside, unfit = _fit([*named, *nights], _beside(folder, base, set(kept)))
    rest = sorted([*named[1:], *beside], key=lambda piece: piece.path)
    left = [*_left(show, folder.relative_to(base).as_posix()), *(one.left for one in unfit)]
    faults = tuple(one.fault for one in unfit)
    return Gathered(show.setlist.title, named[0].path, (named[0], *rest, *nights), tuple(left), faults)


def nights_beside(show: Show) -> Path:
    """Where nights lie of a show that was restored from a backup; there need not be such a folder."""
    try:
        return _base(show, list(_kept(show))) / NIGHTS
    except FileFaults:
        return _whole(show, show.sources["setlist"].path).parent / NIGHTS


def _kept(show: Show) -> dict[Path, bytes]:
    """The files that the show was read from, by their whole paths, the setlist first."""
    return {_whole(show, Path(path)): raw for path, raw in show.files.items()}


def _whole(show: Show, path: Path) -> Path:
    """An absolute path without `..`, seen from where the show's folder really lies: behind a link to it, `..` is
    there, too."""
    # What is not named from the show's folder came with the program.
    with suppress(ValueError):
        path = show.folder.resolve() / path.relative_to(show.folder)
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
        if _whole(show, source.path) == path:
            return name.split(" ")[0]
    return "tempo file"


class Unfit(NamedTuple):
    """A file beside the show that cannot be backed up, and why."""

    left: Left
    fault: Fault


def _beside(folder: Path, base: Path, taken: set[Path]) -> Iterator[Piece | Unfit]:
    """What feet do in a rehearsal: press scripts and takes beside the setlist."""
    with os.scandir(folder) as found:
        names = sorted(one.name for one in islice(found, BESIDE_MAX))
    for path in (folder / name for name in names):
        kind = path.suffix.lower()
        what, most = ("take", SIZE_MAX) if kind in _TAKES else ("presses", BYTES_MAX)
        if path in taken or kind not in (*_TAKES, *_SCRIPTS) or not path.is_file() or path.stat().st_size > most:
            continue
        where = path.relative_to(base).as_posix()
        try:
            raw = path.read_bytes()
        except OSError as error:
            yield _unfit(where, what, path, f"it cannot be read: {cause(error)}")
            continue
        if what == "take" or looks_like(read_text(raw, str(path)).data) == "script":
            yield Piece(where, what, raw, _changed(path), path)


def _unfit(where: str, what: str, path: Path, says: str) -> Unfit:
    return Unfit(Left(path=shown(where), what=what, size=path.stat().st_size), Fault(str(path), 0, says))


def _fit(others: Sequence[Piece], beside: Iterable[Piece | Unfit]) -> tuple[list[Piece], list[Unfit]]:
    """Which of the files beside the show can lie beside the others on every system, and which cannot."""
    found = list(beside)
    pieces = [one for one in found if isinstance(one, Piece)]
    faults = _name_faults([*others, *pieces])
    unfit = [
        one if isinstance(one, Unfit) else _unfit(one.path, one.what, one.source, faults[one.path])
        for one in found
        if isinstance(one, Unfit) or one.path in faults
    ]
    return [piece for piece in pieces if piece.path not in faults], unfit


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
    """When a file was changed last, to the second. Raises DeviceError."""
    try:
        return datetime.fromtimestamp(int(path.stat().st_mtime), UTC)
    except OSError as error:
        raise DeviceError(f"{path} cannot be looked at: {cause(error)}") from error


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
    found = _name_faults(pieces)
    faults = [Fault(str(piece.source), 0, found[piece.path]) for piece in pieces if piece.path in found]
    if faults:
        raise FileFaults(faults)


def _name_faults(pieces: Sequence[Piece]) -> dict[str, str]:
    """Why files cannot be restored on every system, by their paths in the backup; of two that clash, the second."""
    paths = [piece.path for piece in pieces]
    found = dict(clashes([MANIFEST, *paths]))
    found |= {path: fault for path in paths if (fault := path_fault(path)) is not None}
    return {path: f"it cannot be backed up as `{shown(path)}`: {fault}" for path, fault in found.items()}
