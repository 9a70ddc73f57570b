"""Watching the ports: every half second the list of ports is looked through, in a thread of its own, so that opening
one never holds up a press."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final, NamedTuple

from stagectl.errors import DeviceError
from stagectl.live.links import Link, OutLink, PedalLink
from stagectl.ports.midi import MidiSystem, open_system

LOOK_S: Final = 0.5
"""Seconds between two looks."""


class Found(NamedTuple):
    """A link that came (True) or went (False)."""

    link: Link
    here: bool


class Watch:
    """Looks for the ports of links. `changed` is called in the loop for each that came or went; `trouble` with a
    sentence when the MIDI system does not answer, once."""

    def __init__(
        self,
        links: Sequence[Link],
        api: str,
        changed: Callable[[Found], None],
        trouble: Callable[[str], None],
    ) -> None:
        self._links = links
        self._api = api
        self._changed = changed
        self._trouble = trouble
        self._system: MidiSystem | None = None
        self._told: str | None = None
        self._needs_midi = any(isinstance(link, PedalLink) or _is_midi(link) for link in links)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="watch")

    async def look(self) -> None:
        """One look through the ports."""
        loop = asyncio.get_running_loop()
        found, trouble = await loop.run_in_executor(self._thread, self._look)
        if trouble is not None and trouble != self._told:
            self._trouble(trouble)
        self._told = trouble
        for one in found:
            self._changed(one)

    async def forever(self) -> None:
        """Look on and on, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            await self.look()

    def _look(self) -> tuple[list[Found], str | None]:
        trouble = None
        if self._needs_midi and self._system is None:
            try:
                self._system = open_system(self._api)
            except DeviceError as error:
                trouble = str(error)
        inputs: list[str] = []
        outputs: list[str] = []
        if self._system is not None:
            try:
                inputs, outputs = self._system.inputs(), self._system.outputs()
            except DeviceError as error:
                # What is not known is left as it was.
                return [], str(error)
        taken = {link.port_name for link in self._links if isinstance(link, PedalLink) and link.port_name}
        found = []
        for link in self._links:
            names = inputs if isinstance(link, PedalLink) else outputs
            here = link.look(self._system, names, taken)
            if here is not None:
                found.append(Found(link, here))
        return found, trouble

    def close(self) -> None:
        """Let go of every link and of the system."""
        self._thread.shutdown(wait=True, cancel_futures=True)
        for link in self._links:
            link.close()
        if self._system is not None:
            self._system.close()


def _is_midi(link: Link) -> bool:
    return isinstance(link, OutLink) and link.is_midi
