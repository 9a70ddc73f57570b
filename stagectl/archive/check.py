"""Is a backup whole, and harmless? All of it is looked at before anything of it is written.

What is trusted, step by step: the size of the file; then the record at its end, which says how long its own list of
files is, so that no list is read that is too long; then the list: number, names, kinds and sizes; then the manifest;
then what each file really holds, of which no more is unpacked than the list has said. Source of the layout: APPNOTE
4.3.16 (the end record), 4.4 (fields).
"""

from __future__ import annotations

import hashlib
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from typing import BinaryIO, Final, NamedTuple

from stagectl.archive.bounds import (
    CHUNK,
    DIRECTORY_MAX,
    FILE_MAX,
    FILES_MAX,
    MANIFEST,
    MANIFEST_MAX,
    RATIO_FROM,
    RATIO_MAX,
    TOTAL_MAX,
    ZIP_MAX,
)
from stagectl.archive.gather import NIGHTS
from stagectl.archive.manifest import Manifest, Packed, read_manifest
from stagectl.archive.names import clashes, path_fault
from stagectl.errors import DeviceError, Fault, FileFaults
from stagectl.journal.causes import cause

FAULTS_MAX: Final = 20
"""Faults of one backup that are told."""

SHOWN_MAX: Final = 80
"""Characters of a hostile name that are shown."""

BROKEN: Final = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    OverflowError,
    IndexError,
)
"""What `zipfile` raises where a file is no sound zip."""

_END: Final = struct.Struct("<4s4H2LH")
_ENCRYPTED: Final = 0x1


SPARED: Final = ("night", "levels")
"""What can be left out where it is damaged: the show is whole without it."""


class Backup(NamedTuple):
    """A backup whose show was found to be whole. `manifest`: what is whole in it. `entries`: where each file of that is
    in the zip. `damaged`: what is wrong with nights, and desk's levels, which are left out."""

    manifest: Manifest
    entries: Mapping[str, zipfile.ZipInfo]
    zip: zipfile.ZipFile
    damaged: tuple[Fault, ...] = ()


def check(file: BinaryIO, name: str, *, nights: bool = True) -> Backup:
    """Look at all of a backup. `name`: what it is called. A night, or desk's levels, whose bytes are damaged are left
    out; `nights`: whether their bytes are read at all. Raises FileFaults with what else is wrong, DeviceError where the
    disk fails."""

    def stop_at(faults: Sequence[str]) -> None:
        if faults:
            told = [Fault(name, 0, fault) for fault in faults[:FAULTS_MAX]]
            more = len(faults) - FAULTS_MAX
            raise FileFaults([*told, Fault(name, 0, f"and {more} more")] if more > 0 else told)

    try:
        stop_at(list(_end_faults(file)))
        found = zipfile.ZipFile(file)
        entries = found.infolist()
        stop_at(list(_list_faults(entries, found.start_dir)))
        by_path = {entry.orig_filename: entry for entry in entries}
        manifest, wrong = _manifest(found, by_path.pop(MANIFEST, None))
        if manifest is None:
            raise FileFaults([Fault(name, 0, wrong)])
        stop_at(list(_manifest_faults(manifest, by_path)))
        backup = Backup(manifest, by_path, found)
        some = [file for file in manifest.files if nights or not _is_spared(file, manifest)]
        wrong_in = {file: fault for file in some if (fault := _content_fault(backup, file.path, file.sha256))}
        stop_at([fault for file, fault in wrong_in.items() if not _is_spared(file, manifest)])
    except BROKEN as error:
        raise FileFaults([Fault(name, 0, f"it is no sound zip: {str(error) or type(error).__name__}")]) from error
    except OSError as error:
        raise DeviceError(f"{name} cannot be read: {cause(error)}") from error
    return _without(backup, name, wrong_in)


def _is_spared(file: Packed, manifest: Manifest) -> bool:
    return file.what in SPARED and file.path.startswith(f"{NIGHTS}/") and file.path != manifest.setlist


def _without(backup: Backup, name: str, damaged: Mapping[Packed, str]) -> Backup:
    """The backup without some of its files."""
    left_out = {file.path for file in damaged}
    kept = tuple(file for file in backup.manifest.files if file.path not in left_out)
    return Backup(
        backup.manifest.model_copy(update={"files": kept}),
        {path: entry for path, entry in backup.entries.items() if path not in left_out},
        backup.zip,
        tuple(Fault(name, 0, fault) for fault in damaged.values()),
    )


def chunks(backup: Backup, path: str) -> Iterator[bytes]:
    """What a file of a backup holds, up to the size that it is said to have. Raises one of BROKEN, or OSError."""
    left = backup.entries[path].file_size
    with backup.zip.open(backup.entries[path]) as file:
        while chunk := file.read(min(CHUNK, left + 1)):
            left -= len(chunk)
            if left < 0:
                raise zipfile.BadZipFile("a file holds more than it is said to")
            yield chunk
    if left:
        raise zipfile.BadZipFile("a file holds less than it is said to")


def _end_faults(file: BinaryIO) -> Iterator[str]:
    size = file.seek(0, 2)
    if size > ZIP_MAX:
        yield f"it has {size:,} bytes, and a backup has up to {ZIP_MAX:,}"
        return
    file.seek(max(0, size - _END.size))
    raw = file.read(_END.size)
    if len(raw) < _END.size or raw[:4] != b"PK\x05\x06":
        yield "it is no backup: no zip ends where it ends"
        return
    _, disk, first_disk, here, files, length, offset, comment = _END.unpack(raw)
    if disk or first_disk or here != files or comment:
        yield "it is no backup: it is a zip of several parts, or with a comment"
    elif files > FILES_MAX:
        yield f"it has {files:,} files, and {FILES_MAX:,} are allowed"
    elif length > DIRECTORY_MAX:
        yield f"its list of files has {length:,} bytes, and {DIRECTORY_MAX:,} are allowed"
    elif offset + length + _END.size != size:
        yield "it is no sound zip: its list of files is not where it is said to be"


def _list_faults(entries: Sequence[zipfile.ZipInfo], list_at: int) -> Iterator[str]:
    if len(entries) > FILES_MAX:
        yield f"it has {len(entries):,} files, and {FILES_MAX:,} are allowed"
        return
    for entry in entries:
        for fault in _entry_faults(entry, list_at):
            yield f"{_shown(entry.orig_filename)}: {fault}"
    for path, fault in clashes(entry.orig_filename for entry in entries):
        yield f"{_shown(path)}: {fault}"
    total = sum(entry.file_size for entry in entries)
    if total > TOTAL_MAX:
        yield f"its files have {total:,} bytes in all, and {TOTAL_MAX:,} are allowed"


def _entry_faults(entry: zipfile.ZipInfo, list_at: int) -> Iterator[str]:
    fault = path_fault(entry.orig_filename)
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if fault is not None:
        yield fault
    if stat.S_ISLNK(kind):
        yield "it is a link to another file"
    elif kind not in (0, stat.S_IFREG) or entry.is_dir():
        yield "it is no plain file"
    if not 0 <= entry.header_offset < list_at:
        yield "it lies outside of the zip"
    if entry.flag_bits & _ENCRYPTED:
        yield "it is encrypted"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        yield f"it is packed by method {entry.compress_type}, and 0 (not at all) and 8 (deflate) are read"
    most = MANIFEST_MAX if entry.orig_filename == MANIFEST else FILE_MAX
    if entry.file_size > most:
        yield f"it has {entry.file_size:,} bytes, and {most:,} are allowed"
    if entry.file_size >= RATIO_FROM and entry.file_size > RATIO_MAX * entry.compress_size:
        yield f"it unpacks to {entry.file_size:,} bytes from {entry.compress_size:,}: more than {RATIO_MAX} times"


def _manifest(found: zipfile.ZipFile, entry: zipfile.ZipInfo | None) -> tuple[Manifest | None, str]:
    """The manifest, or what is wrong with it."""
    if entry is None:
        return None, f"it is no backup: it has no `{MANIFEST}`"
    with found.open(entry) as file:
        raw = file.read(MANIFEST_MAX + 1)
    try:
        return read_manifest(raw), ""
    except ValueError as error:
        return None, f"`{MANIFEST}`: {error}"


def _manifest_faults(manifest: Manifest, by_path: Mapping[str, zipfile.ZipInfo]) -> Iterator[str]:
    """Where the manifest and the zip differ."""
    listed = [file.path for file in manifest.files]
    for path in dict.fromkeys(listed):
        if listed.count(path) > 1:
            yield f"{_shown(path)}: the manifest lists it twice"
    for file in manifest.files:
        entry = by_path.get(file.path)
        if entry is None:
            yield f"{_shown(file.path)}: the manifest lists it, and it is not there"
        elif entry.file_size != file.size:
            yield f"{_shown(file.path)}: it has {entry.file_size:,} bytes, and {file.size:,} by the manifest"
    for path in by_path.keys() - set(listed):
        yield f"{_shown(path)}: it is there, and the manifest does not list it"


def _content_fault(backup: Backup, path: str, sha256: str) -> str | None:
    """What is wrong with what a file holds."""
    digest = hashlib.sha256()
    try:
        for chunk in chunks(backup, path):
            digest.update(chunk)
    except BROKEN as error:
        return f"{_shown(path)}: it is damaged: {str(error) or type(error).__name__}"
    if digest.hexdigest() != sha256:
        return f"{_shown(path)}: it is not what was backed up: its SHA-256 is {digest.hexdigest()}, and was {sha256}"
    return None


def _shown(path: str) -> str:
    """A name that may be hostile, as a line can show it."""
    cut = path if len(path) <= SHOWN_MAX else f"{path[:SHOWN_MAX]}…"
    return f"`{''.join(char if char.isprintable() else '�' for char in cut)}`"
