"""A track player at the end of a wire: what starts a cue and what stops it."""

from __future__ import annotations

from stagectl.show.rig import PlayerModel


class WirePlayer:
    """A track player that is told things by MIDI or OSC messages."""

    def __init__(self, model: PlayerModel) -> None:
        self.name = model.name
        self._start = model.start
        self._stop = tuple(packet for say in model.stop for packet in say.packets(0))

    def packets(self, number: int | None) -> tuple[bytes, ...]:
        """The messages that start a number, or (None) stop."""
        if number is None:
            return self._stop
        return tuple(packet for say in self._start for packet in say.packets(number))
