"""Which journals are nights of a setlist: by the path of its file, and not by its title, which copies share."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from stagectl.errors import JournalError
from stagectl.journal.read import came_to_nothing, night, open_read


def of_setlist(journals: Sequence[Path], setlist: Path) -> tuple[list[Path], bool]:
    """Those of some journals that may be nights of the setlist at a path, in their order, and whether one of them is
    for sure. A journal that does not say, or cannot be read, may be; where none is for sure, any may: the show was
    moved. Nights that came to nothing are passed over, where there are others."""
    own = str(setlist.resolve())
    journals = [one for one in journals if not came_to_nothing(one)] or journals
    said = {journal: _said(journal) for journal in journals}
    if own not in said.values():
        return list(journals), False
    return [journal for journal, path in said.items() if path in (own, "")], True


def _said(journal: Path) -> str:
    """The path of the setlist that a journal says; empty where it does not."""
    try:
        with closing(open_read(journal)) as connection:
            return night(connection).path
    except JournalError:
        return ""
