"""Writing what is there whole or not at all, and never over anything: the steps that can fail, each on its own."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from stagectl.whole import umask


class Disk:
    """The real one. Every method raises OSError."""

    def begin(self, path: Path) -> BinaryIO:
        """A new file."""
        return path.open("xb")

    def finish(self, file: BinaryIO) -> None:
        """Have the disk keep a file, and close it."""
        file.flush()
        os.fsync(file.fileno())
        file.close()

    def put_file(self, made: Path, path: Path) -> None:
        """Give a finished file its name, which must be free, in one step."""
        try:
            os.link(made, path)
        except FileExistsError:
            raise
        except OSError:
            # A file system without hard links, as on a memory stick: hold the name with an empty file, then take it.
            path.open("xb").close()
            try:
                made.replace(path)
            except OSError:
                with suppress(OSError):
                    path.unlink()
                raise
        else:
            made.unlink()
        self.keep_names(path.parent)

    def begin_folder(self, beside: Path) -> Path:
        """A new folder beside another, on the same disk."""
        return Path(tempfile.mkdtemp(prefix=f".{beside.name}.", dir=beside.parent))

    def make_folder(self, path: Path) -> None:
        """A folder in one that was begun, with those above it."""
        path.mkdir(parents=True, exist_ok=True)

    def put_folder(self, made: Path, path: Path) -> None:
        """Give a finished folder its name, which must be free or that of an empty folder, in one step."""
        made.chmod(0o777 & ~umask())
        if os.name == "nt" and path.is_dir():
            path.rmdir()
        made.rename(path)
        self.keep_names(path.parent)

    def keep_names(self, folder: Path) -> None:
        """Have the disk keep the names in a folder, where it can."""
        if os.name == "nt":
            return
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    def clear(self, path: Path) -> None:
        """Take away what was begun, as far as that can be done."""
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
            return
        with suppress(OSError):
            path.unlink()
