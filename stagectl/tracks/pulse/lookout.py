"""Looking for the port of one output, in a thread of its own: once a second the list of ports is looked through.

A port is opened here and handed over; it is closed here as well, but only once it was handed back, so that none is
closed under a message that is leaving. Opening one takes the driver some 20 ms, in which nothing of this process runs.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final

from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiOut, MidiSystem, find_all, open_system

LOOK_S: Final = 1.0
"""Seconds between two looks; a MIDI system that does not answer is tried as often."""

SETTLE_S: Final = 0.2
"""Seconds before the first bytes go to a port that was just opened: JACK loses what is sent before the graph of its
clients has been sorted anew (measured: some 50 ms)."""

_GRAVEYARD: Final[list[object]] = []
"""Ports and systems whose server has died: letting go of them would hold everything up."""


class Lookout:
    """Looks for the port that any part of its name says. `found` is called in the looking thread with the port, opened,
    or with None where it has gone; `trouble` with each sentence, once for as long as it holds."""

    def __init__(
        self, wants: str, api: str, found: Callable[[MidiOut | None], None], trouble: Callable[[str], None]
    ) -> None:
        self._wants = wants
        self._api = api
        self._found = found
        self._trouble = trouble
        self._system: MidiSystem | None = None
        self._port: MidiOut | None = None
        self._back: deque[MidiOut] = deque()
        self._woken = threading.Event()
        self._told: set[str] = set()
        self._ended = False

    def give_back(self, port: MidiOut) -> None:
        """A port is not used any more: it has gone, or took no bytes. From any thread."""
        self._back.append(port)
        self._woken.set()

    def end(self) -> None:
        """Look no more, and let go of everything that still answers. From any thread."""
        self._ended = True
        self._woken.set()

    def forever(self) -> None:
        """Look on and on, until the end."""
        while not self._ended:
            self.look()
            self._woken.wait(LOOK_S)
            self._woken.clear()
        if self._system is not None and self._system.answers:
            for port in {*self._back, *([] if self._port is None else [self._port])}:
                self._close(port)
            self._system.close()

    def look(self) -> None:
        """One look."""
        try:
            troubles = self._look()
        except DeviceError as error:
            troubles = {str(error)}
        except Exception as error:  # noqa: BLE001 - whatever a driver stumbles over, it is looked again
            troubles = {f"{type(error).__name__}: {error}"}
        for trouble in sorted(troubles - self._told):
            self._trouble(trouble)
        self._told = troubles

    def _look(self) -> set[str]:
        """What is ambiguous, as sentences. Raises DeviceError where there is no looking."""
        names = self._names()
        while self._back:
            port = self._back.popleft()
            if port is self._port:
                self._port = None
            self._close(port)
        fit = find_all(self._wants, names)
        if self._port is not None:
            # The system answers, and so what the port was given has left.
            self._port.relax()
            if self._port.name not in names:
                self._lose()
        elif fit and self._system is not None:
            self._port = self._system.open_out(fit[0])
            time.sleep(SETTLE_S)
            self._found(self._port)
        if len(fit) < 2 or self._port is None:
            return set()
        said = ", ".join(f"`{name}`" for name in fit)
        return {f"`{self._wants}` fits {len(fit)} ports: {said}; `{self._port.name}` is taken"}

    def _close(self, port: MidiOut) -> None:
        if not any(port is dead for dead in _GRAVEYARD):
            port.close()

    def _names(self) -> list[str]:
        """The ports that can be sent to. Raises DeviceError."""
        if self._system is not None and not self._system.answers:
            _GRAVEYARD.extend((self._system, self._port, *self._back))
            self._back.clear()
            self._system = None
            if self._port is not None:
                self._lose()
            raise DeviceError("the JACK server is gone; it is waited for")
        if self._system is None:
            self._system = open_system(self._api)
        return self._system.outputs()

    def _lose(self) -> None:
        """The port has gone. It is handed back by whoever sends to it."""
        self._port = None
        self._found(None)
