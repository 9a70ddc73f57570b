"""The player's pipes: orders come in and events go out, each on a thread of its own, so that nobody at their other end
holds up the music."""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from contextlib import suppress
from typing import IO, Any, Final

from stagectl.tracks.sound.orders import LINE_MAX, line

ENDED: Final = 0
"""The exit code where standard input has ended, or nobody reads the events any more."""

WAITING_MAX: Final = 1_024
"""Orders, and events, that may wait: an order more stays in its pipe, an event more is lost."""

ENDS_S: Final = 0.6
"""How long its end may take after that of standard input, s."""


class Out:
    """Events go out on a thread of their own: whoever does not read them holds up no music."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._waiting: queue.Queue[dict[str, Any] | None] = queue.Queue(WAITING_MAX)
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def say(self, what: str, **message: Any) -> None:
        """An event, with its values; it is lost where nobody has read for long."""
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
    """Standard output for events alone: what libraries print goes nowhere."""
    sys.stdout.flush()
    own = os.fdopen(os.dup(1), "wb", buffering=0)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return own


def read_orders(inbox: queue.Queue[Any], opened: threading.Event) -> None:
    """Put the orders of standard input in the inbox; None at its end. `opened`: whether the device is."""
    left = b""
    with suppress(OSError):
        while data := os.read(0, 65_536):
            *lines, left = (left + data).split(b"\n")
            for order in lines:
                with suppress(ValueError):
                    parsed = json.loads(order)
                    if isinstance(parsed, dict):
                        inbox.put(parsed)
            if len(left) > LINE_MAX:
                break
    if not opened.is_set():
        # Opening a device may take its time: nothing plays yet that would have to fade.
        os._exit(ENDED)
    last_call = threading.Timer(ENDS_S, os._exit, (ENDED,))
    last_call.daemon = True
    last_call.start()
    inbox.put(None)
