"""What goes between the program and the page's process: a line of JSON each way.

To it, first of all, {"open": {"host", "port", "title", "kind", "read_key", "control_key"}}; then

    {"board": name, "is": {…}}          the whole board anew; the last of each goes to every client
    {"beat": at}                        every `BEAT_S`: the program lives, and lived at the monotonic time `at`, ns
    {"gone": why}                       it is over: clients are told so, and the process ends

From it

    {"is": "here", "url": …}            it is served; `port` is the one that it has got
    {"is": "failed", "text": …}         it cannot be served, and why; the process ends
    {"is": "clients", "count": n}       so many pages are open
    {"is": "want", "want": {…}, "at": …, "from": "page"}
                                        somebody asks for something, and every guard has let it through; `at`: when, by
                                        the monotonic clock, ns
    {"is": "trouble", "text": …}        worth telling; it goes on

Every text is a whole sentence without its full stop. All processes of a machine share the monotonic clock.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Final, Literal, NamedTuple, TypeAlias

LINE_MAX: Final = 1_000_000
"""Bytes of a line; a longer one is passed over."""

BOARDS_MAX: Final = 16
"""Boards of different names; one more is not taken."""

BOARD_NAME: Final = re.compile(r"[a-z][a-z ]{0,30}")
"""What a board may be called: it becomes an event's name in the stream, which is one line."""

BEAT_S: Final = 1.0
"""How often the program's heart beats, s."""

SILENT_S: Final = 3.0
"""A program that was not heard for so long hears nothing either: nothing is asked of it any more, s."""

LATE_S: Final = 2.0
"""What was asked for longer ago than this is not done any more: whoever asked has seen that it was not, s."""

Kind: TypeAlias = Literal["night", "rehearsal"]


class Open(NamedTuple):
    """How the page is to be served. `read_key`: what has to be known to read, None where nothing has to be;
    `control_key`: what has to be known to ask for anything, None where nobody can."""

    host: str
    port: int
    title: str
    kind: Kind = "night"
    read_key: str | None = None
    control_key: str | None = None


def line(message: Mapping[str, object]) -> bytes:
    """A message as it goes through the pipe. Raises ValueError where it would be too long, or holds a number that JSON
    has no word for."""
    text = json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n"
    if len(text) > LINE_MAX:
        raise ValueError(f"a line of {len(text):,} bytes is too long; up to {LINE_MAX:,} go through")
    return text


class Cutter:
    """Cuts what comes out of a pipe into lines; those longer than `LINE_MAX` are passed over and counted."""

    def __init__(self) -> None:
        self.passed_over = 0
        self._left = bytearray()
        self._skips = False

    def take(self, data: bytes) -> Iterator[bytes]:
        """The lines that end in `data`, without their ends."""
        *ends, left = data.split(b"\n")
        for end in ends:
            whole, self._left = bytes(self._left) + end, bytearray()
            skips, self._skips = self._skips, False
            if skips or len(whole) > LINE_MAX:
                self.passed_over += not skips
            else:
                yield whole
        if not self._skips:
            self._left += left
            if len(self._left) > LINE_MAX:
                self._left.clear()
                self._skips = True
                self.passed_over += 1
