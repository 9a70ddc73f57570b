"""The UDP ports that pedals over OSC are heard at. One that another program has is tried again and again, as a MIDI
port that is missing is waited for; the rest is served meanwhile."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from typing import Final

from stagectl.core.events import Event, PedalCame
from stagectl.errors import DeviceError
from stagectl.live.hearing import Hearing
from stagectl.ports.udp import listen

AGAIN_S: Final = 1.0
"""Seconds between two tries."""


class OscPorts:
    """`hearing` knows which pedals are heard at which port, `names` how these are called; `handle` takes that they have
    come, and `warn` tells people what is wrong."""

    def __init__(
        self,
        hearing: Hearing,
        names: Sequence[str],
        handle: Callable[[Event, int], None],
        warn: Callable[[str], None],
    ) -> None:
        self._hearing, self._handle, self._warn = hearing, handle, warn
        self._heard = {port: hearing.heard_osc(port) for port in hearing.osc_ports}
        self._whose = {port: ", ".join(names[at] for at in pedals) for port, pedals in hearing.osc_ports.items()}
        self._open: dict[int, asyncio.DatagramTransport] = {}

    @property
    def missing(self) -> list[str]:
        """What is waited for, in words."""
        return [f"{whose} (UDP port {port})" for port, whose in self._whose.items() if port not in self._open]

    async def begin(self) -> None:
        """Open all that can be opened."""
        for port, trouble in (await self._try()).items():
            self._warn(f"{self._whose[port]}: {trouble}; it is tried again")

    async def forever(self) -> None:
        """Try the others until all are open."""
        while self.missing:
            await asyncio.sleep(AGAIN_S)
            await self._try()

    async def _try(self) -> dict[int, DeviceError]:
        """Open what is not open yet. Returns what could not be, and why."""
        troubles = {}
        for port, heard in self._heard.items():
            if port in self._open:
                continue
            try:
                self._open[port] = await listen("0.0.0.0", port, heard)
            except DeviceError as error:
                troubles[port] = error
                continue
            for pedal in self._hearing.osc_ports[port]:
                self._handle(PedalCame(pedal=pedal), time.monotonic_ns())
        return troubles

    def close(self) -> None:
        """Hear no more."""
        for transport in self._open.values():
            transport.close()
