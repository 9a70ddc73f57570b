"""The recorder's thread, as the world has it: its rounds are taken in the loop's turn, as late as the disk is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .clock import SECOND

if TYPE_CHECKING:
    from .night import World

SYNC_NS: Final = SECOND


class Rounds:
    """`recorder`: that of the present process."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.recorder: Any = None
        self._at: int | None = None

    @property
    def waits(self) -> bool:
        """Whether there is something to be written."""
        return self._at is not None

    def ended(self) -> None:
        """The process has ended by itself; what it has recorded can still be looked at."""
        self._at = None

    def forget(self) -> None:
        """The process is no more."""
        self.recorder, self._at = None, None

    def wake(self) -> None:
        """There is something to be written."""
        self._plan(self._world.disk.takes_ns)

    def _plan(self, after_ns: int) -> None:
        at = self._world.clock.world + after_ns
        if self._at is None or at < self._at:
            self._at = at
            self._world.later(after_ns, lambda: self._round(at))

    def _round(self, at: int) -> None:
        if self._world.life is None or self._at != at:
            return
        self._at = None
        self.recorder._round()
        self._world.rules.written()

    def keep_syncing(self) -> None:
        """Once a second the recorder's thread wakes by itself."""
        life = self._world.life
        if life is None or life.daemon is None:
            return

        def again() -> None:
            if self._world.life is life and self.recorder is not None:
                self._plan(0)
                life.loop.call_later(SYNC_NS / 1e9, again)

        life.loop.call_later(SYNC_NS / 1e9, again)
