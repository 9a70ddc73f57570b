"""A look before the night: read the desk, say what the first recall would change, and change nothing."""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from typing import Final

from stagectl.core.effects import Question
from stagectl.core.events import Event, Wake
from stagectl.core.levels import text
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step
from stagectl.live.desk import DeskSide
from stagectl.live.links import Link
from stagectl.live.watch import Watch
from stagectl.live.whole_mixes import off_at_the_desk
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.story.rows import stop_names
from stagectl.story.words import place

FOUND_S: Final = 2.0
"""Seconds that the desk's port has to be found, and the desk to answer."""

READ_S: Final = 10.0
"""Seconds that reading may take: a large desk on a slow link."""


async def look(show: Show, compiled: Compiled, api: str) -> tuple[bool, list[str]]:
    """Whether all is known that can be, and what was found, in lines."""
    reader = _Reader(show, compiled, api)
    try:
        return await reader.read()
    finally:
        reader.close()


class _Reader:
    def __init__(self, show: Show, compiled: Compiled, api: str) -> None:
        self.plan: Plan = compiled.plan
        self.state = begin(self.plan, time.monotonic_ns())
        self.here = asyncio.Event()
        self.troubles: list[str] = []
        self.side = DeskSide(show, self._handle, self.troubles.append)
        self.desk = self.side.link
        links: list[Link | None] = [self.desk, self.side.voice]
        self.watch = Watch([link for link in links if link is not None], api, self._changed, self.troubles.append)

    def _changed(self, link: Link, here: bool) -> None:
        if link is self.desk:
            self.side.link_changed(here)

    def _handle(self, event: Event, now: int) -> None:
        """The core asks its questions; until anything is recalled it tells the desk nothing."""
        self.state, effects = step(self.plan, self.state, event, now)
        for effect in effects:
            if isinstance(effect, Question):
                for packet in self.side.talk.question(effect.sends):
                    self.desk.send(packet)
        if self.state.desk_here:
            self.here.set()

    async def read(self) -> tuple[bool, list[str]]:
        first = self.plan.rests[min(1, len(self.plan.stops) - 1)].steps
        if not self.side.talk.can_read:
            levels = sum(level is not None for level in first)
            return True, [f"This desk cannot be read: the first `next` asserts all {levels} levels."]
        chores = [asyncio.ensure_future(chore()) for chore in (self.watch.forever, self.side.forever, self._wake)]
        try:
            with suppress(TimeoutError):
                await asyncio.wait_for(self.side.answering.wait(), FOUND_S)
            if self.side.waits:
                return False, [*self.troubles, f"The desk at `{self.desk.wants}` does not answer."]
            with suppress(TimeoutError):
                await asyncio.wait_for(self.here.wait(), READ_S)
        finally:
            for chore in chores:
                chore.cancel()
            await asyncio.gather(*chores, return_exceptions=True)
        return self.here.is_set(), self._found(first)

    async def _wake(self) -> None:
        while True:
            due = next_wake(self.state)
            await asyncio.sleep(0.02 if due is None else max(0.0, (due - time.monotonic_ns()) / 1e9))
            self._handle(Wake(), time.monotonic_ns())

    def _found(self, steps: Levels) -> list[str]:
        """What the first recall would change, which has these steps of the desk's."""
        plan, said = self.plan, self.state.asked
        driven = [send for send, step_ in enumerate(steps) if step_ is not None]
        moved = [send for send in driven if said[send] != steps[send]]
        name = place(*stop_names(plan, min(1, len(plan.stops) - 1)))
        lines = [f"The first `next` goes to {name} and changes {len(moved)} of {len(driven)} levels:"]
        lines += [f"  {plan.send_name(send)}: {text(said[send])} → {text(steps[send])}" for send in moved]
        off = off_at_the_desk(plan, self.state)
        return lines if off is None else [*lines, f"Warning: {off}."]

    def close(self) -> None:
        """Let go of the desk."""
        self.side.close()
        self.watch.close()
