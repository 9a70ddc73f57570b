"""Where the night was when: the songs in the order in which it came to them."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from typing import Final

from stagectl.ears.report import SONG_MIN

SONGS_KEPT: Final = 1_000
"""Songs that are told apart."""

BEFORE: Final = "base"
"""What the story calls the place before the first song."""

_OTHERS: Final = "further songs"


class Visits:
    """The songs in the order in which the night came to them. `names[0]` is before the first song; a visit is the id of
    its first row, its song's index and its time."""

    def __init__(self) -> None:
        self.names: list[str] = [BEFORE]
        self._index: dict[str, int] = {}
        self.ids = array("q", [-(2**62)])
        self.songs = array("q", [0])
        self.ats = array("q", [0])
        self.undone: set[int] = set()
        """Presses whose undo took the night to another place."""

    def arrive(self, number: int, at: int, song: str, section: str | None) -> None:
        """The night is at a song, from the row `number` on."""
        index = self._of(song, section)
        if index != self.songs[-1]:
            self.ids.append(number)
            self.songs.append(index)
            self.ats.append(max(at, self.ats[-1]))

    def _of(self, song: str, section: str | None) -> int:
        # The place before the first song has no section and this name; a song of the same name is taken for it.
        if song == self.names[0] and section is None:
            return 0
        found = self._index.get(song)
        if found is None:
            if len(self.names) > SONGS_KEPT:
                song = _OTHERS
            found = self._index.setdefault(song, len(self.names))
            if found == len(self.names):
                self.names.append(song)
        return found

    @property
    def name(self) -> str:
        """The present song."""
        return self.names[self.songs[-1]]

    def spans(self, end: int) -> Iterator[tuple[int, int, int]]:
        """Each visit: the song's index, from when, to when."""
        for at, song in enumerate(self.songs):
            after = self.ats[at + 1] if at + 1 < len(self.ats) else max(end, self.ats[at])
            yield song, self.ats[at], after


def stayed_of(visits: Visits, end: int) -> list[tuple[int, list[tuple[int, int]]]]:
    """For each song in the order of the first visit: its index and its spans; the place before the first song too."""
    found: dict[int, list[tuple[int, int]]] = {}
    for song, begun, ended in visits.spans(end):
        found.setdefault(song, []).append((begun, ended))
    return list(found.items())


def is_played(spans: list[tuple[int, int]]) -> bool:
    """Whether the night stayed at a song for as long as the ears count it."""
    return sum(ended - begun for begun, ended in spans) >= SONG_MIN
