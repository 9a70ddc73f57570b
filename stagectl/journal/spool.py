"""What is on its way into a journal: a file in memory, written before the first byte leaves for the desk.

A disk may take its time over a write, and sometimes seconds; no press waits for that. So the lines of a press go into
this file, which the operating system keeps in memory and which outlives the process, and from there, by another thread,
into the journal. Whoever opens the journal of a process that was killed puts into it first what was still on its way.
A power cut takes this file with it: that is what the journal's own `sync`, once a second, is for.

It is lines of JSON: the first says where the journal was, each other one is a list of a journal's lines. Bytes, which
only what was heard has, in its last place, stand there as base64 (RFC 4648, 4). The last line may be cut off, where its
writer was killed in it. The file's name stands for the journal's, and has the night in it: so lines of a journal that
was moved are found, and those of one night never get into the journal of another in its place.
Whoever only reads a night claims nothing: lines that are brought home twice, or by two at once, are there once.
"""

from __future__ import annotations

import os
import sqlite3
import time
from base64 import b64decode
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple

from msgspec.json import Decoder, Encoder

from stagectl.journal.causes import cause
from stagectl.journal.claim import HEAD, Claim, holder_of, looking, name_of, nobodys, running
from stagectl.journal.schema import HEARD_LENGTH, INSERTS, Packed, path_packed, path_unpacked
from stagectl.journal.wary import wary
from stagectl.journal.write import insert, sound

KEEPS: Final = 256 * 1024
"""Bytes from which on the file is emptied when all of it is in the journal."""

SPOOL_MAX: Final = 64 * 2**20
"""Bytes that may be on their way, while a journal cannot be written. What comes then is held by the process alone."""

AT_ONCE: Final = 1_000
"""Lines that are brought home in one transaction, so that whoever writes the journal meanwhile waits for no more."""

_SUFFIX: Final = ".spool"

_WHERE_MAX: Final = 16 * 1024
"""Bytes of the line that says where the journal was."""


_encode = Encoder().encode
_decode = Decoder(list[tuple[bool | int | float | str | None, ...]]).decode
_decode_text = Decoder(str).decode


class Which(NamedTuple):
    """Which night it is: it began at the wall time `begun`, µs since 1970, and by the monotonic clock at `zero`, ns."""

    begun: int
    zero: int


def spool_path(journal: Path, night: Which | None = None) -> Path:
    """The file in memory for a journal that is where it was when it was begun, or taken up. `night`: where it is
    known."""
    night = night or which_night(journal) or Which(0, 0)
    return running() / name_of(_kind(night), str(journal.resolve()))


def _kind(night: Which) -> str:
    return f"{night.begun}-{night.zero}{_SUFFIX}"


def which_night(journal: Path) -> Which | None:
    """Which night a journal is of; None where that cannot be read."""
    try:
        if not journal.is_file():
            return None
        address = f"{journal.resolve().as_uri()}?mode=ro"
        with closing(wary(sqlite3.connect(address, uri=True, isolation_level=None))) as disk:
            begun, zero = disk.execute("SELECT begun, zero FROM night").fetchone()
        return Which(int(begun), int(zero))
    except (OSError, sqlite3.Error, ValueError, TypeError):
        return None


def spool_of(journal: Path) -> Path | None:
    """The file in memory for the night of a journal, wherever that was then; None where there is none."""
    try:
        names = [name for name in os.listdir(running()) if name.endswith(_SUFFIX)]
    except OSError:
        return None
    night = which_night(journal) if names else None
    if night is None:
        return None
    own = spool_path(journal, night)
    if own.name in names:
        return own
    for path in [own.with_name(name) for name in names if name.endswith(f".{_kind(night)}")]:
        was = _where(path)
        # Where the journal is still where it was, this one is a copy of it.
        if was is not None and which_night(was) != night:
            return path
    return None


def on_its_way(journal: Path) -> list[Packed]:
    """Lines that are on their way into a journal, and may be there already. Nothing where nobody writes it."""
    path = spool_of(journal)
    try:
        return [] if path is None else list(_lines(path.read_bytes()))
    except OSError:
        return []


def lived_until(journal: Path) -> float | None:
    """When the process that was writing a journal without an end lived last, s since 1970; None where that is not
    known: it has ended, or the machine has."""
    path = spool_of(journal)
    try:
        return None if path is None else path.stat().st_mtime
    except OSError:
        return None


def writer_of(journal: Path) -> int | None:
    """The process that is writing a journal; None where nobody is."""
    path = spool_of(journal)
    return None if path is None else holder_of(path)


def written_now() -> Iterator[tuple[int, Path]]:
    """The processes that are writing journals now, each with where its journal was when it began."""
    with suppress(OSError):
        for path in sorted(running().glob(f"*{_SUFFIX}")):
            writer, where = holder_of(path), _where(path)
            if writer is not None and where is not None:
                yield writer, where


def _seek_and_write(file: int, raw: bytes, at: int) -> int:
    os.lseek(file, at, os.SEEK_SET)
    return os.write(file, raw)


_write_at = getattr(os, "pwrite", _seek_and_write)
"""Write at a place; in one call where the system has it."""


class Spool:
    """The file, claimed by this process for as long as it writes the journal."""

    def __init__(self, journal: Path, night: Which) -> None:
        """Raises ClaimedError where another process writes this journal, OSError where there can be no such file."""
        self._journal = journal
        self._claim = Claim(spool_path(journal, night))
        self._size = self._begins = HEAD

    def begin(self) -> None:
        """What was in it is in the journal: go on with none. Raises OSError, and then the claim is let go of."""
        head = _encode(path_packed(str(self._journal.resolve()))) + b"\n"
        try:
            os.ftruncate(self._claim.file, HEAD)
            self._write(head, HEAD)
        except OSError:
            os.close(self._claim.file)
            raise
        self._size = self._begins = HEAD + len(head)

    def _write(self, raw: bytes, at: int) -> None:
        while raw:
            wrote = _write_at(self._claim.file, raw, at)
            raw, at = raw[wrote:], at + wrote

    def add(self, lines: Sequence[Packed]) -> bool:
        """Put lines into it. Returns whether they are: with no room, they are not."""
        try:
            raw = _encode(lines) + b"\n"
        except (UnicodeEncodeError, OverflowError):
            raw = _encode([tuple(map(_fit, line)) for line in lines]) + b"\n"
        if self._size + len(raw) > SPOOL_MAX:
            return False
        try:
            self._write(raw, self._size)
        except OSError:
            with suppress(OSError):
                os.ftruncate(self._claim.file, self._size)
            return False
        self._size += len(raw)
        return True

    def forget(self) -> None:
        """All of it is in the journal: begin it anew where it has grown."""
        if self._size > KEEPS:
            with suppress(OSError):
                os.ftruncate(self._claim.file, self._begins)
                self._size = self._begins

    def lines(self) -> list[Packed]:
        """What is in it. Raises OSError."""
        return list(_lines(self._claim.path.read_bytes()))

    def live(self) -> None:
        """Its writer lives, whether or not anything is recorded: that is seen by when the file was changed."""
        now = time.time_ns()
        with suppress(OSError):
            os.utime(self._claim.file, ns=(now, now))

    @property
    def gone(self) -> bool:
        """Whether the file was taken away, as an end of the user's session may do with what is in memory."""
        return self._claim.gone

    def again(self) -> None:
        """Make it anew where it was taken away, with what was in it. Raises as the making does; then it is closed."""
        os.lseek(self._claim.file, HEAD, os.SEEK_SET)
        raw = os.read(self._claim.file, self._size - HEAD)
        try:
            self._claim.again()
            self._write(raw, HEAD)
        except BaseException:
            os.close(self._claim.file)
            raise

    def close(self, *, keep: bool = False) -> None:
        """Let go of it. `keep`: what is in it is not in the journal yet, and stays."""
        if keep:
            os.close(self._claim.file)
        else:
            self._claim.give_up()


def bring_home(journal: Path) -> str | None:
    """Put into a journal what a killed process left on its way into it. Returns what keeps it from that, if anything
    does; then nothing is lost, and it may be tried again."""
    path = spool_of(journal)
    if path is None:
        return None
    try:
        with looking(path) as file:
            if file is None or not nobodys(path, file, shared=True):
                return None
            raw, lived = path.read_bytes(), os.fstat(file).st_mtime_ns
        bare = _bare(raw)
        if len(raw) <= bare:
            return None
        # From here on nothing is locked, whatever the journal's disk does: who writes it need not wait for this.
        address = f"{journal.resolve().as_uri()}?mode=rw"
        with closing(wary(sqlite3.connect(address, uri=True, isolation_level=None))) as disk:
            lines = list(_lines(raw))
            for at in range(0, len(lines), AT_ONCE):
                put(disk, lines[at : at + AT_ONCE])
            over = _is_over(disk)
        with looking(path) as file, suppress(OSError):
            if file is not None and nobodys(path, file) and path.read_bytes() == raw:
                if over:
                    path.unlink()
                else:
                    # Without its lines it stays: when it was changed last says how long its writer lived.
                    os.ftruncate(file, bare)
                    os.utime(file, ns=(lived, lived))
    except (sqlite3.Error, ValueError, OverflowError, OSError) as error:
        return cause(error)
    return None


def _bare(raw: bytes) -> int:
    """How long a file is without its lines, bytes."""
    return sum(len(line) + 1 for line in raw.split(b"\n", 2)[:2])


def _is_over(connection: sqlite3.Connection) -> bool:
    """Whether a night was ended. Raises sqlite3.Error."""
    last = connection.execute("SELECT kind FROM story ORDER BY at DESC, id DESC LIMIT 1").fetchone()
    return last is not None and last[0] == "end"


def put(connection: sqlite3.Connection, lines: Sequence[Packed]) -> None:
    """Lines that may be there already, in one transaction. Raises sqlite3.Error."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        insert(connection, lines)
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def _fit(value: int | str | bytes | None) -> int | str | bytes | None:
    """What JSON takes: a sound text, and a number that no table takes as text."""
    return str(value) if isinstance(value, int) and abs(value) >= 1 << 63 else sound(value)


def _where(path: Path) -> Path | None:
    """Where the journal of a file's lines was; None where it does not say."""
    try:
        with path.open("rb") as file:
            file.seek(HEAD)
            return Path(path_unpacked(_decode_text(file.readline(_WHERE_MAX))))
    except (OSError, ValueError):
        return None


def _lines(raw: bytes) -> Iterator[Packed]:
    """The journal's lines in what a file holds, up to where it is cut off."""
    for written in raw.split(b"\n")[2:-1]:
        try:
            lines = [_whole(line) for line in _decode(written) if len(line) in INSERTS]
        except ValueError:
            return
        yield from lines


def _whole(line: tuple[Any, ...]) -> Packed:
    """A line with the bytes that it came as. Raises ValueError where they are none."""
    said = line[-1]
    return (*line[:-1], b64decode(said, validate=True)) if len(line) == HEARD_LENGTH and isinstance(said, str) else line
