"""A journal that was taken away from under the night that is played, deleted or moved, is written anew.

The file is still there for whoever has it open (POSIX, `unlink`; `rename`), so everything that was in it is read from
there. Under the old name a journal has to be whole at once: it is written beside it, and then takes the name.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

ANEW_MAX: Final = 3
"""How often in a night a journal is written anew: where it goes on being taken away, somebody means it."""

BESIDE: Final = ("-wal", "-shm", "-journal")
"""Ends of the names of the files that SQLite keeps beside its own."""


def which(path: Path) -> tuple[int, int] | None:
    """Which file has a name; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def free(path: Path) -> Path:
    """A name beside one that is taken."""
    n, found = 1, path
    while found.exists():
        n += 1
        found = path.with_name(f"{path.stem}-{n}{path.suffix}")
    return found


def write_anew(
    connection: sqlite3.Connection, path: Path, add: Callable[[sqlite3.Connection], None] = lambda _: None
) -> None:
    """Write all that a connection sees to a file of its own, which then is `path`. `add`: what the file gets beyond
    that before it takes the name. Raises sqlite3.Error and OSError, and what `add` raises; then it leaves what was
    there, but for files that a journal which is gone has left beside it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with whole_at_once(path) as made, closing(sqlite3.connect(made, isolation_level=None)) as copy:
        connection.backup(copy)
        add(copy)
        copy.execute("PRAGMA journal_mode = DELETE").fetchone()
    with suppress(OSError):
        # It has its name; that the name outlives a power cut is for later.
        keep_names(path.parent)


@contextmanager
def whole_at_once(path: Path) -> Iterator[Path]:
    """A path beside another to write a journal to, which takes that name when the disk has it. Raises OSError; whatever
    goes wrong, it leaves nothing beside."""
    made = path.with_name(f"{path.name}.new")
    try:
        made.unlink(missing_ok=True)
        yield made
        with made.open("rb+") as file:
            os.fsync(file.fileno())
        # SQLite would take what these hold for a part of the new file.
        for end in BESIDE:
            Path(f"{path}{end}").unlink(missing_ok=True)
        made.replace(path)
    except BaseException:
        for end in ("", *BESIDE):
            with suppress(OSError):
                Path(f"{made}{end}").unlink()
        raise


def keep_names(folder: Path) -> None:
    """Have the disk keep the names in a folder, where the system can be told to. Raises OSError."""
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
