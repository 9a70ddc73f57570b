"""The built-in track player, as the night knows it: its process is the world's."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from .clock import MS, SECOND

if TYPE_CHECKING:
    from stagectl.live.sound import SoundHeard

    from .night import World

COMES_NS: Final = 300 * MS
STARTS_NS: Final = 30 * MS
LENGTH_NS: Final = 12 * SECOND
"""As the shows say it."""


class SimSound:
    """It comes by itself, plays what it is told, and dies when the world says so."""

    world: World

    def __init__(self, _device: Any, tracks: Mapping[int, Any], heard: SoundHeard) -> None:
        self.here = False
        self._tracks = tracks
        self._heard = heard
        self._turn = 0
        self._plays: tuple[int, int, int] | None = None
        """The song, and a position with its time."""
        self.life = self.world.life
        self.world.sounds.append(self)

    async def forever(self) -> None:
        """Be there for as long as the night lasts."""
        self.world.later(COMES_NS, self.come)
        await asyncio.Event().wait()

    def come(self) -> None:
        """Its process is started, again."""
        if self._lives and not self.here and self.world.sound_lives:
            self.here = True
            self._heard.changed(True, "the built-in player is here")

    def die(self) -> None:
        """Its process ends."""
        if self._lives and self.here:
            self.here = False
            plays, self._plays = self._plays, None
            self._turn += 1
            if plays is not None:
                now = self.world.now
                self._heard.said(plays[1] + now - plays[2], now, False)
            self._heard.changed(False, "the built-in player has ended (-11)")

    @property
    def _lives(self) -> bool:
        return self.world.life is self.life

    def prepare(self, songs: Sequence[int]) -> None:
        """Keep songs ready."""

    def start(self, song: int, position: int) -> None:
        self._turn += 1
        turn = self._turn
        if song not in self._tracks or not self.here:
            self.world.soon(lambda: self._heard.failed(song, f"song {song} is not started"))
        else:
            self.world.later(STARTS_NS, lambda: self._runs(turn, song, position))

    def _runs(self, turn: int, song: int, position: int) -> None:
        if turn != self._turn or not self._lives or not self.here:
            return
        self._plays = (song, position, self.world.now)
        self._heard.said(position, self.world.now, True)
        self.world.later(max(0, LENGTH_NS - position), lambda: self._over(turn, song))

    def _over(self, turn: int, song: int) -> None:
        if turn == self._turn and self._lives and self._plays is not None:
            self._plays = None
            self._heard.ended(song)

    def pause(self) -> None:
        self._halt()

    def stop(self) -> None:
        self._halt()

    def _halt(self) -> None:
        self._turn += 1
        plays, self._plays = self._plays, None
        if plays is not None and self.here:
            now = self.world.now
            self.world.soon(lambda: self._heard.said(plays[1] + now - plays[2], now, False))

    def close(self) -> None:
        """The night is over."""
        self._turn += 1
