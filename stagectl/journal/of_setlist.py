"""Which journals are nights of a setlist: by the path of its file, and not by its title, which copies share and which
may be edited. The title decides only where no path does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from stagectl.errors import JournalError
from stagectl.journal.read import came_to_nothing, night, open_read
from stagectl.journal.schema import Night


class OfSetlist(NamedTuple):
    """Journals, in the order in which they were given. `nights`: those that may be nights of the setlist; `sure`:
    whether one of them is by its path; `titled`: those that say nothing against it but their title."""

    nights: list[Path]
    sure: bool
    titled: list[Path]


def of_setlist(journals: Sequence[Path], setlist: Path, title: str) -> OfSetlist:
    """Those of some journals that may be nights of the setlist at a path, which is called `title` now. One that was
    played from that path is, whatever its title was. Of one that does not say where it was played, the title decides;
    where none was played from that path, of any: the show was moved. One that cannot be read may be. Nights that came
    to nothing are passed over, where there are others."""
    own = str(setlist.resolve())
    all_said = {journal: _said(journal) for journal in journals}
    said = {journal: one for journal, one in all_said.items() if not one.nothing} or all_said
    sure = own in {one.path for one in said.values()}
    open_ = {journal: one for journal, one in said.items() if not sure or one.path in (own, "")}
    titled = [journal for journal, one in open_.items() if one.path != own and one.title not in (title, None)]
    return OfSetlist([journal for journal in open_ if journal not in titled], sure, titled)


def of_another(played: Night, setlist: Path, title: str) -> str | None:
    """Why a night is none of the setlist at a path, which is called `title` now; None where it was played from there,
    or has that title."""
    if played.path == str(setlist.resolve()) or played.setlist == title:
        return None
    return f"this night was that of `{played.setlist}`, and {setlist} is `{title}`: name the setlist that was played"


class _Said(NamedTuple):
    """What a journal says: the path of its setlist, its title, and whether the night came to nothing. One that cannot
    be read says none of it."""

    path: str = ""
    title: str | None = None
    nothing: bool = False


def _said(journal: Path) -> _Said:
    try:
        with closing(open_read(journal)) as connection:
            head = night(connection)
            return _Said(head.path, head.setlist, came_to_nothing(connection))
    except JournalError:
        return _Said()
