"""A look before the night: read the desk, say what the first recall would change, and change nothing."""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from typing import Final

from stagectl.core.effects import Question
from stagectl.core.events import DeskCame, Event, Wake
from stagectl.core.levels import text
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.live.desk import DeskSide
from stagectl.live.links import Link
from stagectl.live.watch import Watch
from stagectl.live.whole_mixes import off_at_the_desk
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.show.whole_mix_fit import counted_as_0_db
from stagectl.story.rows import stop_names
from stagectl.story.words import place

FOUND_S: Final = 2.0
"""Seconds that the desk's port has to be found, and the desk to answer."""

READ_S: Final = 10.0
"""Seconds that reading may take: a large desk on a slow link."""


async def look(show: Show, compiled: Compiled, api: str) -> tuple[bool, list[str]]:
    """Whether all is known that can be, and what was found, in lines."""
    reader = Reader(show, compiled, api)
    plan, side = compiled.plan, reader.side
    first = plan.rests[min(1, len(plan.stops) - 1)].steps
    try:
        known = await reader.read(FOUND_S, READ_S)
        if not side.talk.can_read:
            levels = sum(level is not None for level in first)
            away = [] if known else [*reader.troubles, f"The desk's port `{side.link.wants}` is not here."]
            lines = [*away, f"This desk cannot be read by its profile: the first `next` asserts all {levels} levels."]
            counted = counted_as_0_db(show.rig, plan)
            return known, lines if counted is None else [*lines, f"Warning: {counted}."]
        if side.waits:
            return False, [*reader.troubles, f"The desk at `{side.link.wants}` does not answer."]
        return known, _found(plan, reader.state, first)
    finally:
        reader.close()


class Reader:
    """Reads a desk, made in a loop: it is asked its questions, and told nothing. `came`, `answered`, `known`: when its
    port was there, when it said its first level, and when all was known that can be, monotonic ns; None where that has
    not been. A desk that cannot be read counts as answering, and as known, when its port is there."""

    def __init__(self, show: Show, compiled: Compiled, api: str) -> None:
        self.plan: Plan = compiled.plan
        self.state = begin(self.plan, time.monotonic_ns())
        self.came: int | None = None
        self.answered: int | None = None
        self.known: int | None = None
        self.troubles: list[str] = []
        self.side = DeskSide(show, self._handle, self.troubles.append)
        self._answers, self._here = asyncio.Event(), asyncio.Event()
        self._desk = self.side.link
        links: list[Link | None] = [self._desk, self.side.voice]
        self._watch = Watch([link for link in links if link is not None], api, self._changed, self.troubles.append)

    def _changed(self, link: Link, here: bool) -> None:
        if link is self._desk:
            self.came = time.monotonic_ns() if here else self.came
            self.side.link_changed(here)

    def _handle(self, event: Event, now: int) -> None:
        """The core asks its questions; until anything is recalled it tells the desk nothing."""
        self.state, effects = step(self.plan, self.state, event, now)
        for effect in effects:
            if isinstance(effect, Question):
                for packet in self.side.talk.question(effect.sends):
                    self._desk.send(packet)
        if isinstance(event, DeskCame):
            self.answered = now if self.answered is None else self.answered
            self._answers.set()
        if self.state.desk_here:
            self.known = now if self.known is None else self.known
            self._here.set()

    async def read(self, found_s: float, read_s: float) -> bool:
        """Read it. `found_s`: how long its port has to be found and the desk to answer, s; `read_s`: how long reading
        may take. Returns whether all is known that can be."""
        chores = [asyncio.ensure_future(chore()) for chore in (self._watch.forever, self.side.forever, self._wake)]
        try:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._answers.wait(), found_s)
            if self._answers.is_set():
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._here.wait(), read_s)
        finally:
            for chore in chores:
                chore.cancel()
            await asyncio.gather(*chores, return_exceptions=True)
        return self._here.is_set()

    async def _wake(self) -> None:
        while True:
            due = next_wake(self.state)
            await asyncio.sleep(0.02 if due is None else max(0.0, (due - time.monotonic_ns()) / 1e9))
            self._handle(Wake(), time.monotonic_ns())

    def close(self) -> None:
        """Let go of the desk."""
        self.side.close()
        self._watch.close()


def _found(plan: Plan, state: State, steps: Levels) -> list[str]:
    """What the first recall would change, which has these steps of the desk's."""
    said = state.asked
    driven = [send for send, step_ in enumerate(steps) if step_ is not None]
    moved = [send for send in driven if said[send] != steps[send]]
    name = place(*stop_names(plan, min(1, len(plan.stops) - 1)))
    lines = [f"The first `next` goes to {name} and changes {len(moved)} of {len(driven)} levels:"]
    lines += [f"  {plan.send_name(send)}: {text(said[send])} → {text(steps[send])}" for send in moved]
    off = off_at_the_desk(plan, state)
    return lines if off is None else [*lines, f"Warning: {off}."]
