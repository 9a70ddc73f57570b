"""`stagectl` on a disk that takes its time over every write: so much is on its way at any instant.

With `CARELESS` in the environment, nothing is kept in memory for a journal before the bytes leave.
"""

from __future__ import annotations

import os
import threading
from typing import Any, Final

from stagectl.cli import main as cli
from stagectl.journal.spool import Spool
from stagectl.journal.write import Journal

WRITE_S: Final = 0.03
"""How long each write takes, s."""


def main() -> None:
    """The command."""
    put = Journal.put

    def slow(journal: Journal, lines: Any) -> None:
        threading.Event().wait(WRITE_S)
        put(journal, lines)

    # This process is nobody else's.
    Journal.put = slow  # type: ignore[method-assign, assignment]
    if os.environ.get("CARELESS"):
        Spool.add = lambda spool, lines: True  # type: ignore[method-assign, assignment]
    cli.main()


if __name__ == "__main__":
    main()
