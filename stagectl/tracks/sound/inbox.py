"""What comes in on the player's standard input, on a thread of its own, until the loop takes it."""

from __future__ import annotations

import os
import queue
import threading
from contextlib import suppress
from typing import Any, Final

from stagectl.apart.pipes import ENDED, end_after, parsed
from stagectl.tracks.sound.orders import LINE_MAX

ENDS_S: Final = 0.6
"""How long the player's end may take after that of standard input, s."""


def read_orders(inbox: queue.Queue[Any], opened: threading.Event) -> None:
    """Put the orders of standard input in the inbox; None at its end. `opened`: whether the device is."""
    left = b""
    with suppress(OSError):
        while data := os.read(0, 65_536):
            *lines, left = (left + data).split(b"\n")
            for order in lines:
                if (said := parsed(order)) is not None:
                    inbox.put(said)
            if len(left) > LINE_MAX:
                break
    if not opened.is_set():
        # Opening a device may take its time: nothing plays yet that would have to fade.
        os._exit(ENDED)
    end_after(ENDS_S)
    inbox.put(None)
