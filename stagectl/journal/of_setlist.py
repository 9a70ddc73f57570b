"""Which journals are nights of a setlist: by the path of its file, and not by its title, which copies share."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from stagectl.errors import JournalError
from stagectl.journal.read import came_to_nothing, night, open_read


def of_setlist(journals: Sequence[Path], setlist: Path) -> tuple[list[Path], bool]:
    """Those of some journals that may be nights of the setlist at a path, in their order, and whether one of them is
    for sure. A journal that does not say, or cannot be read, may be; where none is for sure, any may: the show was
    moved. Nights that came to nothing are passed over, where there are others."""
    own = str(setlist.resolve())
    all_said = {journal: _said(journal) for journal in journals}
    said = {journal: one for journal, one in all_said.items() if not one.nothing} or all_said
    if own not in {one.path for one in said.values()}:
        return list(said), False
    return [journal for journal, one in said.items() if one.path in (own, "")], True


class _Said(NamedTuple):
    """What a journal says: the path of its setlist, and whether the night came to nothing. One that cannot be read says
    neither."""

    path: str = ""
    nothing: bool = False


def _said(journal: Path) -> _Said:
    try:
        with closing(open_read(journal)) as connection:
            return _Said(night(connection).path, came_to_nothing(connection))
    except JournalError:
        return _Said()
