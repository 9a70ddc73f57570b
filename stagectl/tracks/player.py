"""A track player at the end of a wire: what it is told to start, stop, pause and go on."""

from __future__ import annotations

from stagectl.core.effects import Cue, Tells
from stagectl.core.tempo import TempoMap
from stagectl.show.rig import PlayerModel
from stagectl.show.saying import spoken, track_numbers


class WirePlayer:
    """A track player that is told things by MIDI or OSC messages."""

    def __init__(self, model: PlayerModel) -> None:
        self.name = model.name
        self._told = {tells: model.told(tells.value) for tells in Tells}
        self._start_here = model.told("start here")

    def packets(self, cue: Cue, tempo: TempoMap | None, code_at: int) -> tuple[bytes, ...]:
        """The messages that tell it so. `tempo`: that of the song, for a position in beats; `code_at`: what time code
        says where its track begins, ns. Raises WireError where the position is beyond what one of them can name."""
        elsewhere = cue.tells is Tells.START and not cue.begins
        says = self._start_here if elsewhere else self._told[cue.tells]
        # Time code may begin before the track does; no message names a place there.
        return spoken(says, track_numbers(cue.number, max(0, cue.position), tempo, code_at))
