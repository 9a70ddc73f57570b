"""The show of a night that was broken off, as its journal keeps it: an edit with a fault in it that was saved in
mid-show keeps nobody from going on."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

from stagectl.errors import FileFaults, StagectlError
from stagectl.journal.read import files_of, open_read
from stagectl.live.broken_off import begun, broken_off_of
from stagectl.show.load import Show, load_kept


def as_it_was(setlist: Path, journal: Path | None, faults: FileFaults) -> tuple[Show, str]:
    """The show that the last night of a setlist was played by, and a sentence that says so. `setlist`: the path of its
    file; `journal`: the one that was asked for; `faults`: those of the files as they are now. Raises them where no
    night of it was broken off, or its files cannot be had either."""
    setlist = setlist.resolve()
    try:
        found = broken_off_of(setlist, journal, time.time_ns() // 1000)
        if found is None:
            raise faults
        with closing(open_read(found.path)) as connection:
            kept = files_of(connection, found.path)
        show = load_kept(kept[max(kept)])
    except (StagectlError, ValueError) as error:
        raise faults from error
    if show.sources["setlist"].path.resolve() != setlist:
        # It was begun in another folder, and its tracks would not be found from here.
        raise faults
    how = "mend this; until then the night of {} goes on by the files as they were when it was broken off"
    return show, how.format(begun(found.head))
