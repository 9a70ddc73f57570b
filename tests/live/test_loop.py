"""The loop is woken when something is due, and not at the next whole millisecond."""

from __future__ import annotations

import asyncio
import os
import selectors
import signal
import socket
import sys
import time

import pytest

from stagectl.live.loop import SWITCH_S, new_loop, outlive_terminal, play, set_by_signals


def test_what_is_due_in_a_tenth_of_a_millisecond_waits_for_that_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """The call that counts in whole milliseconds is never given a time to wait for."""
    if sys.platform != "linux":
        pytest.skip("elsewhere the loop is the system's own")
    waited: list[float | None] = []
    usual = selectors.EpollSelector.select

    def noted(self: selectors.EpollSelector, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        waited.append(timeout)
        return usual(self, timeout)

    monkeypatch.setattr(selectors.EpollSelector, "select", noted)
    ran: list[int] = []

    async def night() -> None:
        loop, due = asyncio.get_running_loop(), time.monotonic() + 0.0001
        over = asyncio.Event()

        def comes() -> None:
            ran.append(time.monotonic_ns() - int(due * 1e9))
            over.set()

        loop.call_at(due, comes)
        await over.wait()

    play(night())
    assert ran and ran[0] >= -1_000_000
    assert waited and all(not timeout for timeout in waited)


def test_what_is_heard_comes_before_what_is_due() -> None:
    async def night() -> None:
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        theirs.send(b"a press")
        assert await asyncio.wait_for(asyncio.get_running_loop().sock_recv(ours, 16), 10) == b"a press"
        ours.close()
        theirs.close()

    play(night())
    loop = new_loop()
    loop.close()


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system has no such signal")
def test_a_terminal_that_goes_away_ends_no_night() -> None:
    """SIGHUP (signal(7)) comes where a terminal is closed or a connection to it lost; SIGTERM is an order."""
    said = []

    async def night() -> None:
        stop = asyncio.Event()
        outlive_terminal()
        set_by_signals(stop)
        os.kill(os.getpid(), signal.SIGHUP)
        await asyncio.sleep(0)
        said.append(stop.is_set())
        os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.wait_for(stop.wait(), 10)
        said.append(stop.is_set())

    before = signal.getsignal(signal.SIGHUP)
    try:
        play(night())
    finally:
        signal.signal(signal.SIGHUP, before)
    assert said == [False, True]


def test_a_drivers_thread_gets_pythons_lock_within_half_a_millisecond() -> None:
    """Python's own default is ten times that (`sys.getswitchinterval`)."""
    before, found = sys.getswitchinterval(), []

    async def night() -> None:
        found.append(sys.getswitchinterval())

    try:
        play(night())
    finally:
        sys.setswitchinterval(before)
    assert found == [pytest.approx(SWITCH_S)] and SWITCH_S <= 0.0005
