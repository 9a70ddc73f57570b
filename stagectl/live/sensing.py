"""Active sensing: a pedal that promises to be heard all the time, and what its silence means.

Source: MIDI 1.0 Detailed Specification 4.2.1, Active Sensing: once FE was received, the receiver expects another
message of any kind at least every 300 ms; after more than 330 ms with none it takes the connection for lost and works
normally again. A sender that never sends FE is never expected to.
"""

from __future__ import annotations

from typing import Final

SENSING: Final = 0xFE

SILENCE_NS: Final = 330_000_000
"""The silence after which a connection counts as lost."""


class Sensing:
    """The promise of one pedal. Times in monotonic ns."""

    def __init__(self) -> None:
        self.lost = False
        self._last: int | None = None

    def heard(self, packet: bytes, at: int) -> bool:
        """Take note of a message. Returns whether the pedal had been lost, and is here again."""
        back, self.lost = self.lost, False
        if self._last is not None or packet[:1] == bytes((SENSING,)):
            self._last = at
        return back

    @property
    def due(self) -> int | None:
        """When the silence will have been too long; None where nothing was promised."""
        return None if self._last is None else self._last + SILENCE_NS + 1

    def silent(self, now: int) -> bool:
        """Whether the silence is too long now. If so the promise is forgotten."""
        due = self.due
        if due is None or now < due:
            return False
        self._last, self.lost = None, True
        return True

    def forget(self) -> None:
        """The port went away or came anew: nothing is promised."""
        self._last, self.lost = None, False
