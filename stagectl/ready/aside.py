"""Something that may never return, on a thread that nobody has to wait for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

ResultT = TypeVar("ResultT")


class Aside(Generic[ResultT]):
    """Begun when it is made. The thread does not keep the process from ending."""

    def __init__(self, does: Callable[[], ResultT], name: str) -> None:
        self._does = does
        self._found: list[ResultT] = []
        self._error: BaseException | None = None
        self.begun = time.monotonic()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._found.append(self._does())
        except BaseException as error:  # noqa: BLE001 - it is raised where the result is asked for
            self._error = error

    def result(self, until: float) -> ResultT:
        """What came of it. Raises what it has raised, or TimeoutError where it is not done by a monotonic time, s."""
        self._thread.join(max(0.0, until - time.monotonic()))
        if self._error is not None:
            raise self._error
        if not self._found:
            raise TimeoutError
        return self._found[0]
