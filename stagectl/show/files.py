"""Where the files of a show are read from: the disk, or what a journal has kept of them."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from pathlib import Path

from stagectl.errors import Fault
from stagectl.regular import open_regular
from stagectl.show.yamltext import BYTES_MAX, Text, read_text
from stagectl.where import shipped


def setlist_file(named: Path) -> Path:
    """The setlist that is named: a folder stands for the `setlist.yaml` in it."""
    return named / "setlist.yaml" if named.is_dir() else named


class Files:
    """The disk. `seen`: what was read, by path, in the order of reading."""

    def __init__(self) -> None:
        self.seen: dict[str, bytes] = {}
        self._texts: dict[Path, Text] = {}

    def read(self, path: Path, most: int) -> bytes:
        """What a file holds, up to `most` bytes. Raises OSError, where it is no regular file too, and ValueError for a
        name that can be no file's."""
        with open_regular(path) as file:
            raw = file.read(most)
        self.seen[str(path)] = raw
        return raw

    def text(self, path: Path) -> Text:
        """What a YAML file says, read once. Where it cannot be read, that is its fault."""
        if path not in self._texts:
            self._texts[path] = self._text(path)
        return self._texts[path]

    def _text(self, path: Path) -> Text:
        try:
            raw = self.read(path, BYTES_MAX + 1)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            missing = isinstance(error, FileNotFoundError)
            return Text(None, {}, [Fault(str(path), 0, "there is no such file" if missing else reason)])
        return read_text(raw, str(path))

    def named(self, name: str, kind: str, beside: Path) -> Path | None:
        """The file of a mapping (`pedals`) or profile (`desks`): in the folder `beside`, else among those that ship
        with the program. The name may be written with `.yaml` too."""
        stem = name.removesuffix(".yaml")
        paths = (folder / f"{stem}.yaml" for folder in (beside, shipped("mappings") / kind))
        return next((path for path in paths if "/" not in stem and "\\" not in stem and self.is_file(path)), None)

    def is_file(self, path: Path) -> bool:
        """Is there a file? (A name that cannot be a file's is none.)"""
        try:
            return path.is_file()
        except (OSError, ValueError):
            return False

    def is_something_else(self, path: Path) -> bool:
        """Is there something that is no file? Raises OSError and ValueError."""
        return path.exists() and not path.is_file()


class KeptFiles(Files):
    """Files that were kept, by path."""

    def __init__(self, kept: Mapping[str, bytes]) -> None:
        super().__init__()
        self._kept = kept

    def read(self, path: Path, most: int) -> bytes:
        raw = self._kept.get(self._name(path))
        if raw is None:
            raise FileNotFoundError(errno.ENOENT, "it was not kept", str(path))
        self.seen[str(path)] = raw
        return raw[:most]

    def is_file(self, path: Path) -> bool:
        return self._name(path) in self._kept

    def _name(self, path: Path) -> str:
        """The name that a file was kept by: those that ship with the program may have been elsewhere then."""
        if str(path) in self._kept or path.parts[-3:-2] != ("mappings",):
            return str(path)
        within = path.parts[-3:]
        return next((name for name in self._kept if tuple(name.replace("\\", "/").split("/")[-3:]) == within), "")

    def is_something_else(self, path: Path) -> bool:
        return False
