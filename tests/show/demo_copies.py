"""Copies of the demo shows in which a test plants faults.

A fault is planted by replacing a piece of a file. The line that the fault has to be found on carries the mark `#!`,
which YAML takes for a comment.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

from pydantic import BaseModel

from stagectl.errors import FileFaults
from stagectl.show import load
from stagectl.show.load import Loading, Named, Show, load_show
from stagectl.show.proof import proof_of
from stagectl.show.salvage import Rest
from stagectl.show.source import Source
from stagectl.where import shipped

MARK: Final = "#!"

SETLIST, RIG = "setlist.yaml", "rig.yaml"


@cache
def _files(demo: str) -> dict[str, bytes]:
    """The files of a demo show, with the mappings and the profile that it uses, by name."""
    paths = [shipped("setlists") / demo / file for file in (SETLIST, RIG)]
    rig = paths[1].read_text("utf-8")
    for kind in ("pedals", "desks"):
        paths += [path for path in (shipped("mappings") / kind).glob("*.yaml") if f": {path.stem}\n" in rig]
    return {path.name: path.read_bytes() for path in paths}


@cache
def _shipped() -> frozenset[bytes]:
    """All that is shipped, as it is."""
    return frozenset(path.read_bytes() for kind in ("setlists", "mappings") for path in shipped(kind).rglob("*.yaml"))


@cache
def _desks() -> frozenset[str]:
    return frozenset(path.name for path in (shipped("mappings") / "desks").glob("*.yaml"))


class AsShipped(Loading):
    """Reads as the program does; but a shipped file in which nothing is planted only once for all tests."""

    ONCE: Final[dict[bytes, Rest[Any]]] = {}

    def read_rest(self, path: Path, model: type[Any], name: str, named: Named | None = None) -> Rest[Any]:
        raw = path.read_bytes() if path.is_file() else b""
        known = self.ONCE.get(raw)
        if known is not None and isinstance(known.model, model):
            self.files.read(path, len(raw))
            self.sources[name] = Source(path=path, text=known.text)
            return known
        rest = super().read_rest(path, model, name, named)
        if isinstance(rest.model, BaseModel) and not rest.text.faults and raw in _shipped():
            self.ONCE[raw] = rest
        return rest


class Copy:
    """A demo show in a folder of its own, with the mappings and the profile that it uses beside it."""

    def __init__(self, folder: Path, demo: str) -> None:
        self.folder = folder / demo
        self.folder.mkdir()
        for name, raw in _files(demo).items():
            (self.folder / name).write_bytes(raw)

    def show(self) -> Show:
        """The show as it is now. Raises FileFaults."""
        with patch.object(load, "Loading", AsShipped):
            return load_show(self.folder)

    def plant(self, file: str, old: str, new: str) -> None:
        """Replace a piece, which stands there once, by another. An empty piece is the whole file."""
        path = self.folder / file
        text = path.read_text("utf-8") if path.exists() else ""
        if old:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
        path.write_text(text.replace(old, new) if old else new, "utf-8")

    def marked(self, file: str) -> list[int]:
        """The marked lines; one with two marks stands there twice."""
        rows = (self.folder / file).read_text("utf-8").splitlines()
        return [at for at, row in enumerate(rows, 1) for _ in range(row.count(MARK))]

    def faults(self) -> list[tuple[str, int, str]]:
        """File name, line and sentence of every fault; none where the show is sound."""
        try:
            found = proof_of(self.show()).faults
        except FileFaults as error:
            found = error.faults
        return [(Path(fault.file).name, fault.line, fault.text) for fault in found]

    def warnings(self) -> list[tuple[str, int, str]]:
        """File name, line and sentence of every warning of the proof of a sound show."""
        return [(Path(one.file).name, one.line, one.text) for one in proof_of(self.show()).advice]

    def all_marks(self) -> list[tuple[str, int]]:
        """File and line of every mark, in the order in which the files are read."""
        found = {path.name for path in self.folder.glob("*.yaml")}
        desks = sorted(found & _desks())
        order = [SETLIST, RIG, *desks]
        order += sorted(found.difference(order), key=self._in_rig)
        return [(name, line) for name in order for line in self.marked(name)]

    def _in_rig(self, name: str) -> int:
        """Where the rig first names a mapping."""
        return (self.folder / RIG).read_text("utf-8").find(f": {name.removesuffix('.yaml')}\n")
