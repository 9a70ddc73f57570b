"""Writing a backup: a zip with the manifest first.

The same content gives the same bytes: files in a fixed order, with their own times, packed in one way. It is written
beside its place, into a file that is its own alone, and gets its name when the disk has it; a file that is there
already stays, and so does the first of two that are made under one name at the same time.
"""

from __future__ import annotations

import hashlib
import secrets
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from stagectl import __version__
from stagectl.archive.bounds import (
    CHUNK,
    FILE_MAX,
    FILES_MAX,
    FORMAT,
    MANIFEST,
    MANIFEST_MAX,
    RATIO_FROM,
    RATIO_MAX,
    TOTAL_MAX,
)
from stagectl.archive.disk import Disk
from stagectl.archive.gather import Gathered, Piece
from stagectl.archive.manifest import Manifest, Packed, manifest_text, stamp
from stagectl.errors import DeviceError, Fault, FileFaults
from stagectl.journal.causes import cause

LEVEL: Final = zlib.Z_DEFAULT_COMPRESSION
"""How hard deflate works: what `zipfile` asks for where nothing is said."""

ZIP_TIMES: Final = (datetime(1980, 1, 1, tzinfo=UTC), datetime(2107, 12, 31, 23, 59, 58, tzinfo=UTC))
"""The first and the last time that a zip can say (APPNOTE 4.4.6: the format of MS-DOS)."""

NAMED_MAX: Final = 40
"""Characters of the backup's name that stand in that of the file that it is written into."""

Watch = Callable[[int], None]
"""Told how many more bytes were read. All is read twice: to measure it, and to write it."""


class Measured(NamedTuple):
    """A piece with its size, bytes, its sum, and whether it is packed."""

    piece: Piece
    size: int
    sha256: str
    deflated: bool


def pack(gathered: Gathered, path: Path, disk: Disk | None = None, watch: Watch = lambda _: None) -> Manifest:
    """Write a backup to `path`. Raises FileFaults where it is there already or more than a backup can hold, DeviceError
    where it cannot be written; then there is nothing at `path`."""
    if path.exists() or path.is_symlink():
        raise FileFaults([Fault(str(path), 0, "it is there already, and nothing is written over")])
    if not path.parent.is_dir():
        raise FileFaults([Fault(str(path), 0, "there is no folder of that name to write it into")])
    disk = disk or Disk()
    made = path.with_name(f".{path.name[:NAMED_MAX]}.{secrets.token_hex(8)}.new")
    try:
        measured = [_measure(piece, watch) for piece in gathered.pieces]
        manifest = _manifest(gathered, measured)
        text = manifest_text(manifest)
        _check_size(path, measured, text)
        try:
            _write(made, text, manifest, measured, disk, watch)
            disk.put_file(made, path)
        except BaseException:
            disk.clear(made)
            raise
    except FileExistsError as error:
        raise FileFaults([Fault(str(path), 0, "it is there already, and nothing is written over")]) from error
    except OSError as error:
        raise DeviceError(f"the backup {path} cannot be written: {cause(error)}") from error
    return manifest


def _write(made: Path, text: bytes, manifest: Manifest, measured: Sequence[Measured], disk: Disk, watch: Watch) -> None:
    file = disk.begin(made)
    try:
        with zipfile.ZipFile(file, "w", allowZip64=False) as out:
            newest = datetime.fromisoformat(manifest.when)
            out.writestr(_entry(MANIFEST, newest, deflated=True), text)
            for one in measured:
                entry = _entry(one.piece.path, one.piece.time, deflated=one.deflated)
                entry.file_size = one.size
                with out.open(entry, "w") as into:
                    for chunk in _chunks(one.piece.content):
                        into.write(chunk)
                        watch(len(chunk))
        disk.finish(file)
    except BaseException:
        with suppress(OSError):
            file.close()
        raise


def _entry(path: str, time: datetime, *, deflated: bool) -> zipfile.ZipInfo:
    """What the zip says of a file: all that a system or a moment could change is fixed."""
    clipped = min(max(time, ZIP_TIMES[0]), ZIP_TIMES[1])
    entry = zipfile.ZipInfo(path, clipped.timetuple()[:6])
    entry.compress_type = zipfile.ZIP_DEFLATED if deflated else zipfile.ZIP_STORED
    entry.create_system = 3
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    return entry


def _measure(piece: Piece, watch: Watch) -> Measured:
    """Read a piece through: how large it is, its sum, and whether packing it keeps within the ratio."""
    total, packed = 0, 0
    digest, packer = hashlib.sha256(), zlib.compressobj(LEVEL, zlib.DEFLATED, -15)
    for chunk in _chunks(piece.content):
        digest.update(chunk)
        total += len(chunk)
        packed += len(packer.compress(chunk))
        watch(len(chunk))
    packed += len(packer.flush())
    return Measured(piece, total, digest.hexdigest(), total < RATIO_FROM or total <= RATIO_MAX * packed)


def _manifest(gathered: Gathered, measured: Sequence[Measured]) -> Manifest:
    return Manifest(
        format=FORMAT,
        program=__version__,
        when=stamp(max(one.piece.time for one in measured)),
        title=gathered.title,
        setlist=gathered.setlist,
        files=tuple(
            Packed(
                path=piece.path,
                what=piece.what,
                size=size,
                sha256=sha256,
                time=stamp(piece.time),
                shipped=piece.shipped,
            )
            for piece, size, sha256, _ in measured
        ),
        left=gathered.left,
    )


def _check_size(path: Path, measured: Sequence[Measured], text: bytes) -> None:
    """A backup that could not be restored is not written."""
    faults = [
        Fault(str(one.piece.source), 0, f"it has {one.size:,} bytes, and a backup holds files of up to {FILE_MAX:,}")
        for one in measured
        if one.size > FILE_MAX
    ]
    total = sum(one.size for one in measured) + len(text)
    for found, most, what in (
        (total, TOTAL_MAX, "bytes in all"),
        (len(measured) + 1, FILES_MAX, "files"),
        (len(text), MANIFEST_MAX, "bytes of manifest"),
    ):
        if found > most:
            faults.append(Fault(str(path), 0, f"it would have {found:,} {what}, and {most:,} are allowed"))
    if faults:
        raise FileFaults(faults)


def _chunks(content: bytes | Path) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    with content.open("rb") as file:
        while chunk := file.read(CHUNK):
            yield chunk
