"""What is kept of closed MIDI ports outlives a call of the driver's that has begun, and is bounded. The judge is
Python's own count of references (`weakref`)."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from typing import Any

import pytest

from stagectl.ports import midi
from stagectl.ports.midi import PAIRS_MAX, InPort


class Driver:
    """Holds function and data as a pair, and frees it when the function is taken back (python-rtmidi 1.5, MidiIn)."""

    pair: tuple[Callable[..., None], Any] | None = None

    def set_callback(self, function: Callable[..., None]) -> None:
        self.pair = (function, None)

    def cancel_callback(self) -> None:
        self.pair = None

    def ignore_types(self, **_: bool) -> None:
        """Nothing is ignored."""

    def close_port(self) -> None:
        """There is none."""

    def delete(self) -> None:
        """There is nothing to it."""


def closed() -> weakref.ref[Callable[..., None]]:
    """A port that came and went: what its driver may still call."""
    driver = Driver()
    port = InPort(driver, "foot:out", lambda packet, at: None)
    assert driver.pair is not None
    called = weakref.ref(driver.pair[0])
    port.close()
    return called


def test_a_loose_contact_piles_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "IN_FLIGHT_S", 0.0)
    # A search through everything that the other tests have left takes long.
    gc.collect()
    gc.freeze()
    try:
        first = closed()
        for _ in range(PAIRS_MAX - 1):
            closed()
        assert first() is not None, "a call that has begun may still get there"
        closed()
        gc.collect()
        assert first() is None
    finally:
        gc.unfreeze()
