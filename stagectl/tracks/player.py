"""A track player at the end of a wire: what starts a cue and what stops it."""

from __future__ import annotations

from stagectl.show.messages import spoken
from stagectl.show.rig import PlayerModel


class WirePlayer:
    """A track player that is told things by MIDI or OSC messages."""

    def __init__(self, model: PlayerModel) -> None:
        self.name = model.name
        self._start = model.start
        self._stop = model.stop

    def packets(self, number: int, *, starts: bool) -> tuple[bytes, ...]:
        """The messages that start a number, or stop it."""
        return spoken(self._start if starts else self._stop, {"cue": number})
