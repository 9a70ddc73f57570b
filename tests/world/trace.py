"""The trace of a run: one line an event, what came of it, and every byte; at the end what it all comes to (SHA-256)."""

from __future__ import annotations

import hashlib
from collections import deque
from typing import Final, TextIO

KEPT: Final = 40
"""Lines that are kept for whoever asks how it came to this."""


class Trace:
    """`file`: where the lines go, if anywhere. Without `whole` only what is kept for a failure is written down."""

    def __init__(self, file: TextIO | None = None, *, whole: bool = False) -> None:
        self._file = file
        self.whole = whole or file is not None
        self._sum = hashlib.sha256()
        self.lines = 0
        self._last: deque[tuple[int, str, tuple[object, ...]]] = deque(maxlen=KEPT)

    def say(self, at: int, what: str, *values: object) -> None:
        """A line. `at`: the time of the world, ns; `values`: what is put for each `{}` of it, if it is ever needed."""
        self._last.append((at, what, values))
        if self.whole:
            self.lines += 1
            raw = f"{_line(at, what, values)}\n"
            self._sum.update(raw.encode())
            if self._file is not None:
                self._file.write(raw)

    @property
    def last(self) -> list[str]:
        """The lines before now."""
        return [_line(*one) for one in self._last]

    @property
    def sha256(self) -> str:
        """What all lines so far come to."""
        return self._sum.hexdigest()

    def end(self) -> None:
        """The last line."""
        if self._file is not None:
            self._file.write(f"sha256 {self.sha256} over {self.lines} lines\n")


def _line(at: int, what: str, values: tuple[object, ...]) -> str:
    said = [value.hex() if isinstance(value, bytes) else value for value in values]
    return f"{at / 1e9:.9f} {what.format(*said) if said else what}"
