"""The heart of a program whose part a test plays, for the page's process: without it nothing is asked for there."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from stagectl.view.lines import BEAT_S


@contextmanager
def beating(say: Callable[[str], None]) -> Iterator[None]:
    """A heart that beats on a thread of its own. `say`: gives the process a line."""
    over = threading.Event()

    def beat() -> None:
        while not over.is_set():
            try:
                say(json.dumps({"beat": time.monotonic_ns()}))
            except (OSError, ValueError):
                # The process has ended, or its pipe was closed.
                return
            over.wait(BEAT_S)

    heart = threading.Thread(target=beat, daemon=True)
    heart.start()
    try:
        yield
    finally:
        over.set()
        heart.join()
