"""The pipes between the program and a process of its own: lines of JSON, which go out on a thread of their own, so that
nobody at their other end holds up what the process is there for."""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import asyncio

ENDED: Final = 0
"""The exit code where standard input has ended, or nobody reads what is said any more."""

NONSENSE: Final = (ValueError, TypeError, LookupError, ArithmeticError)
"""What values that make no sense raise: of another kind, missing, without end, or in no form that is known."""

WAITING_MAX: Final = 1_024
"""Messages that may wait on either way: one more that comes in stays in its pipe, one more that goes out is lost."""


def line(message: Mapping[str, object]) -> bytes:
    """A message as it goes through the pipe."""
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


def parsed(text: bytes) -> dict[str, Any] | None:
    """The message of a line; None where it is none."""
    with suppress(ValueError, RecursionError):
        message = json.loads(text)
        if isinstance(message, dict):
            return message
    return None


async def next_line(reader: asyncio.StreamReader) -> bytes:
    """The next line; empty at the end. One that is longer than the reader's limit is passed over."""
    while True:
        with suppress(ValueError):
            return await reader.readline()


class Out:
    """What a process says goes out on a thread of its own: whoever does not read it holds up nothing."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._waiting: queue.Queue[dict[str, Any] | None] = queue.Queue(WAITING_MAX)
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def say(self, what: str, **message: Any) -> None:
        """A message, with its values; it is lost where nobody has read for long."""
        with suppress(queue.Full):
            self._waiting.put_nowait({"is": what, **message})

    def end(self, wait_s: float = 0.3) -> None:
        """Let what waits go out, if it can."""
        with suppress(queue.Full):
            self._waiting.put_nowait(None)
        self._thread.join(wait_s)

    def _write(self) -> None:
        try:
            while (message := self._waiting.get()) is not None:
                self._file.write(line(message))
        except OSError:
            os._exit(ENDED)


def own_output() -> IO[bytes]:
    """Standard output for our lines alone: what libraries print goes nowhere."""
    sys.stdout.flush()
    own = os.fdopen(os.dup(1), "wb", buffering=0)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return own


def end_after(wait_s: float) -> None:
    """Standard input has ended: so does the process by then, s, whatever else happens."""
    last_call = threading.Timer(wait_s, os._exit, (ENDED,))
    last_call.daemon = True
    last_call.start()
