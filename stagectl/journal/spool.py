"""What is on its way into a journal: a file in memory, written before the first byte leaves for the desk.

A disk may take its time over a write, and sometimes seconds; no press waits for that. So the lines of a press go into
this file, which the operating system keeps in memory and which outlives the process, and from there, by another thread,
into the journal. Whoever opens the journal of a process that was killed puts into it first what was still on its way.
A power cut takes this file with it: that is what the journal's own `sync`, once a second, is for.

It is lines of JSON, each a list of a journal's lines. The last one may be cut off, where its writer was killed in it.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final

from stagectl.journal.causes import cause
from stagectl.journal.claim import HEAD, Claim, ClaimedError, holder_of, name_of, running
from stagectl.journal.schema import INSERTS, Packed

KEEPS: Final = 256 * 1024
"""Bytes from which on the file is emptied when all of it is in the journal."""

SPOOL_MAX: Final = 64 * 2**20
"""Bytes that may be on their way, while a journal cannot be written. What comes then is held by the process alone."""

_BYTES: Final = "bytes"
"""The key under which bytes are written, as hexadecimal digits: JSON has none."""


def spool_path(journal: Path) -> Path:
    """The file in memory for a journal."""
    return running() / name_of("spool", str(journal.resolve()))


def on_its_way(journal: Path) -> list[Packed]:
    """Lines that are on their way into a journal, and may be there already. Nothing where nobody writes it."""
    try:
        return list(_lines(spool_path(journal)))
    except OSError:
        return []


def writer_of(journal: Path) -> int | None:
    """The process that is writing a journal; None where nobody is."""
    return holder_of(spool_path(journal))


class Spool:
    """The file, claimed by this process for as long as it writes the journal."""

    def __init__(self, journal: Path) -> None:
        """Raises ClaimedError where another process writes this journal, OSError where there can be no such file."""
        self._claim = Claim(spool_path(journal))
        self._size = HEAD
        self._encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), default=_plain).encode

    def begin(self) -> None:
        """What was in it is in the journal: go on with none. Raises OSError."""
        os.ftruncate(self._claim.file, HEAD)
        self._size = HEAD

    def left(self) -> list[Packed]:
        """What a process that was killed left in it."""
        return list(_lines(self._claim.path))

    def add(self, lines: Sequence[Packed]) -> bool:
        """Put lines into it. Returns whether they are: with no room, they are not."""
        raw = (self._encode(lines) + "\n").encode(errors="surrogatepass")
        if self._size + len(raw) > SPOOL_MAX:
            return False
        at = self._size
        try:
            os.lseek(self._claim.file, at, os.SEEK_SET)
            while raw:
                written = os.write(self._claim.file, raw)
                at, raw = at + written, raw[written:]
        except OSError:
            with suppress(OSError):
                os.ftruncate(self._claim.file, self._size)
            return False
        self._size = at
        return True

    def forget(self) -> None:
        """All of it is in the journal: begin it anew where it has grown."""
        if self._size > KEEPS:
            with suppress(OSError):
                self.begin()

    def close(self, *, keep: bool = False) -> None:
        """Let go of it. `keep`: what is in it is not in the journal yet, and stays."""
        if keep:
            os.close(self._claim.file)
        else:
            self._claim.give_up()


def bring_home(journal: Path) -> str | None:
    """Put into a journal what a killed process left on its way into it. Returns what keeps it from that, if anything
    does; then nothing is lost, and it may be tried again."""
    try:
        if not spool_path(journal).exists():
            return None
        spool = Spool(journal)
    except ClaimedError:
        return None
    except OSError as error:
        return cause(error)
    try:
        with closing(sqlite3.connect(f"{journal.resolve().as_uri()}?mode=rw", uri=True, isolation_level=None)) as disk:
            put(disk, spool.left())
    except (sqlite3.Error, ValueError, OverflowError) as error:
        spool.close(keep=True)
        return cause(error)
    spool.close()
    return None


def put(connection: sqlite3.Connection, lines: Sequence[Packed]) -> None:
    """Lines that may be there already, in one transaction. Raises sqlite3.Error."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        for line in lines:
            connection.execute(INSERTS[len(line)], line)
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return {_BYTES: value.hex()}
    raise TypeError(f"{value!r} has no place in a journal")


def _lines(path: Path) -> Iterator[Packed]:
    """The journal's lines in a file, up to where it is cut off."""
    raw = path.read_bytes().partition(b"\n")[2]
    for written in raw.split(b"\n")[:-1]:
        try:
            batch = json.loads(written.decode(errors="surrogatepass"))
            lines = [tuple(map(_value, line)) for line in batch]
        except (ValueError, TypeError):
            return
        yield from (line for line in lines if len(line) in INSERTS)


def _value(value: Any) -> Any:
    return bytes.fromhex(value[_BYTES]) if isinstance(value, dict) else value
