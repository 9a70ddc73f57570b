"""A copy of the desk's levels beside the journal, for the day on which the desk has lost them.

It is YAML that reads like the `base:` of a setlist. Every so often it is written anew where anything has changed: into
a file beside it, which then takes its name, so that whenever the power fails there is a whole one. Text and file are
made in a thread of their own; the loop only hands over the state, which never changes.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Final, TypeAlias

import yaml

from stagectl.core.levels import Level, Off, plain_text
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.learn.write import comment, plain, quoted

SUFFIX: Final = ".levels.yaml"

FADE_S: Final = 90
"""How long a backup waits for a fade to be over, s: the longest takes a minute."""

CLOSE_S: Final = 2.0
"""How long the end of the night waits for the last backup, s."""

NO_KEY: Final = "<<"
"""A name that no setlist can give a level either: as a key of YAML it has a meaning of its own."""

Known: TypeAlias = tuple[Level | None, ...]
"""The level of each send as far as it is known."""


def backup_path(journal: Path) -> Path:
    """The file beside a journal."""
    return journal.with_name(journal.stem + SUFFIX)


def known_levels(state: State) -> Known:
    """What the desk has, by what it said last, or else by what it was asked for."""
    said, stored = state.known.said, state.known.stored is not None
    # What a scene of the desk's own has brought nobody has said yet.
    return tuple(asked if stored and asked is None else said.get(send, asked) for send, asked in enumerate(state.asked))


def levels_text(plan: Plan, levels: Known, head: str) -> str:
    """The file: `head`, a sentence, as a comment, then the levels by listener and input."""
    lines = comment(plain(head), "")
    lines += comment("It reads like the `base:` of a setlist.", "")
    missing = sum(level is None and plan.grids[send] is not None for send, level in enumerate(levels))
    if missing:
        lines += comment(f"Not known, and left out: {missing} level{'s' * (missing > 1)}.", "")
    lines.append("base:")
    for at, listener in enumerate(plan.listeners):
        begins = at * plan.width
        rows = list(_rows(plan, levels[begins : begins + plan.width]))
        if rows and listener != NO_KEY:
            lines += [f"  {key(listener)}:", *rows]
    return "\n".join(lines) + "\n"


def _rows(plan: Plan, levels: Known) -> Iterator[str]:
    for column, level in enumerate(levels):
        name = plan.column_name(column)
        if level is not None and name != NO_KEY:
            yield f"    {key(name)}: {'off' if isinstance(level, Off) else plain_text(level)}"


def key(name: str) -> str:
    """A name as a key in YAML. Characters that cannot be seen are written as escapes."""
    if name.isprintable():
        return quoted(name)
    return str(yaml.safe_dump(name, default_style='"', width=10_000)).rstrip("\n")


class Backup:
    """The levels of one night. `state`: the present one; `night`: what the night is called; `says` takes a sentence
    when writing begins to fail, and one when it works again."""

    def __init__(
        self,
        plan: Plan,
        state: Callable[[], State],
        path: Path,
        night: str,
        zone: tzinfo,
        says: Callable[[str], None],
        now: Callable[[], datetime],
    ) -> None:
        self.path = path
        self.trouble: str | None = None
        self._plan = plan
        self._state = state
        self._night = night
        self._zone = zone
        self._says = says
        self._now = now
        self._written: Known | None = None
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="backup")
        # It begins now: a night has as many threads at its end as at its beginning.
        self._thread.submit(int)

    async def keep(self) -> None:
        """Write what is known of the desk, if it differs from what was written last. Waits for a fade to be over."""
        for _ in range(FADE_S):
            if self._state().fade is None:
                break
            await asyncio.sleep(1)
        await self._write()

    async def _write(self) -> None:
        state = self._state()
        if not state.desk_here:
            return
        loop = asyncio.get_running_loop()
        trouble = await loop.run_in_executor(self._thread, self._put, state, self._now())
        if trouble != self.trouble:
            self.trouble = trouble
            self._says(trouble or "the desk's levels are kept again")

    def _put(self, state: State, now: datetime) -> str | None:
        """In the thread: returns what is the matter."""
        levels = known_levels(state)
        if levels == self._written:
            return None
        if all(level is None for level in levels):
            return self.trouble
        when = f"{now.astimezone(self._zone):%Y-%m-%d %H:%M:%S %z}"
        text = levels_text(self._plan, levels, f"The levels of the desk at {when}, of the night of {self._night}.")
        try:
            write_whole(self.path, text)
        except OSError as error:
            return f"the desk's levels cannot be kept in {self.path}: {error.strerror or error}"
        self._written = levels
        return None

    async def close(self, within_s: float = CLOSE_S) -> None:
        """Write a last time, if the disk can do that in time, and no more after that."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._write(), within_s)
        self._thread.shutdown(wait=False)


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all. Raises OSError, and then leaves what was there. The file beside it has a fixed
    name, so that of any number of broken-off tries one is left at most."""
    made = path.with_name(f"{path.name}.new")
    try:
        with made.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        made.replace(path)
    except OSError:
        with suppress(OSError):
            made.unlink()
        raise
