"""Which journals are nights of a setlist: by the path of its file, and not by its title, which copies share and which
may be edited. The title decides where no path does: where the night does not say it, or the show was moved since."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from stagectl.errors import JournalError
from stagectl.journal.paths import folders, ordered
from stagectl.journal.read import came_to_nothing, night, open_read
from stagectl.journal.schema import Night


class OfSetlist(NamedTuple):
    """Journals, the last night first. `all`: all that there are; `nights`: those that may be nights of the setlist;
    `sure`: whether one of them is by its path, or by where it lies; `titled`: those that say nothing against it but
    their title; `moved`: those of `nights` that are by their title alone, while others are for sure: they were played
    from where there is nothing any more, as a show that was moved leaves it."""

    all: list[Path]
    nights: list[Path]
    sure: bool
    titled: list[Path]
    moved: list[Path]


def of_setlist(setlist: Path, title: str, beside: Path) -> OfSetlist:
    """Which journals may be nights of the setlist at a path, which is called `title` now. One that was played from that
    path is, whatever its title was. Of one that does not say where it was played, or where there is nothing any more,
    the title decides; where none was played from that path, of any: the show was moved. One that cannot be read may be.
    Nights that came to nothing are passed over, where there are others.

    `beside`: the folder of the nights that were restored with the show. One that lies there is as one that was played
    from that path, where its title says nothing against it; where the same night lies elsewhere, that one is taken."""
    own = str(setlist.resolve())
    here = [] if beside.resolve() in [folder.resolve() for folder in folders()] else [beside]
    journals = ordered(*here, *folders())
    restored = {_said(journal).night for journal in ordered(*here)}
    all_said = {
        journal: one.as_of(own, title) if one.night in restored else one
        for journal, one in _once({journal: _said(journal) for journal in journals}, here).items()
    }
    said = {journal: one for journal, one in all_said.items() if not one.nothing} or all_said
    sure = own in {one.path for one in said.values()}
    moved = [journal for journal, one in said.items() if sure and one.title == title and one.is_moved(own)]
    open_ = {journal: one for journal, one in said.items() if not sure or one.path in (own, "") or journal in moved}
    titled = [journal for journal, one in open_.items() if one.path != own and one.title not in (title, None)]
    return OfSetlist(journals, [journal for journal in open_ if journal not in titled], sure, titled, moved)


def _once(all_said: Mapping[Path, _Said], beside: Collection[Path]) -> dict[Path, _Said]:
    """What journals say, without those beside a show whose night lies elsewhere, too: there it may have gone on
    since."""
    elsewhere = {one.night for journal, one in all_said.items() if journal.parent not in beside} - {None}
    return {
        journal: one for journal, one in all_said.items() if journal.parent not in beside or one.night not in elsewhere
    }


def of_another(played: Night, setlist: Path, title: str) -> str | None:
    """Why a night is none of the setlist at a path, which is called `title` now; None where it was played from there,
    or has that title."""
    if played.path == str(setlist.resolve()) or played.setlist == title:
        return None
    return f"this night was that of `{played.setlist}`, and {setlist} is `{title}`: name the setlist that was played"


class _Said(NamedTuple):
    """What a journal says: the path of its setlist, its title, whether the night came to nothing, and which night it
    is. One that cannot be read says none of it."""

    path: str = ""
    title: str | None = None
    nothing: bool = False
    night: tuple[int, int] | None = None

    def as_of(self, own: str, title: str) -> _Said:
        """The same of a night of the setlist at a path, unless its title says that it is none."""
        return self._replace(path=own if own == self.path or title == self.title else "")

    def is_moved(self, own: str) -> bool:
        """Whether it was played from where there is nothing any more."""
        return self.path not in (own, "") and not os.path.lexists(self.path)


def _said(journal: Path) -> _Said:
    try:
        with closing(open_read(journal)) as connection:
            head = night(connection)
            return _Said(head.path, head.setlist, came_to_nothing(connection), (head.begun_us, head.zero))
    except JournalError:
        return _Said()
