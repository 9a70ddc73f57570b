"""A file as it was read, to say where in it a fault is."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from stagectl.errors import Advice, Fault
from stagectl.show.yamltext import Text


class Source(NamedTuple):
    """A file's path, and the lines of its values."""

    path: Path
    text: Text

    def fault(self, text: str, *place: str | int) -> Fault:
        """A fault at a place in the file."""
        return Fault(str(self.path), self.text.line(place), text)

    def advice(self, text: str, *place: str | int) -> Advice:
        """A warning at a place in the file."""
        return Advice(str(self.path), self.text.line(place), text)
