"""Saying in mid-show that a file of the show was edited: what is played stays as it was read, until the next start.

It looks from a thread of its own, which nobody waits for: a disk that does not answer holds up no press, and no end.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from stagectl.show.edits import Edits, look
from stagectl.show.files import Files

LOOK_S: Final = 1.0
"""Seconds between two looks."""


class Edited:
    """The files that are played, by path, with what they held when they were read. `tell` is called from another thread
    with what somebody has to know who saved one of them."""

    def __init__(self, played: Mapping[str, bytes], tell: Callable[[str], None]) -> None:
        self._played, self._tell = played, tell
        self._edits = Edits(look(played))
        self._over = threading.Event()
        self._said: list[str] = []

    def begin(self) -> None:
        """Look every `LOOK_S` from now on."""
        threading.Thread(target=self._run, name="edited files", daemon=True).start()

    def look(self) -> None:
        """One look."""
        if not self._edits.are_new(look(self._played)):
            return
        differ = [path for path, was in self._played.items() if self._differs(path, was)]
        names = " and ".join(Path(path).name for path in differ)
        if differ:
            one = len(differ) == 1
            self._tell(
                f"{names} {'was' if one else 'were'} edited: the night goes on by what {'it' if one else 'they'} held, "
                "and the edit counts from the next start of `run` on"
            )
        elif self._said:
            self._tell("the files are again as they are played")
        self._said = differ

    def _differs(self, path: str, was: bytes) -> bool:
        try:
            return Files().read(Path(path), len(was) + 1) != was
        except (OSError, ValueError):
            # A file that is away counts as edited: the next start will miss it.
            return True

    def _run(self) -> None:
        while not self._over.wait(LOOK_S):
            self.look()

    def end(self) -> None:
        """No more looks."""
        self._over.set()
