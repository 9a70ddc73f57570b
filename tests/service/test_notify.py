"""What a service manager hears, on a real socket: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from stagectl.live.notify import STATUS_MAX, STATUS_S, Notify


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.setblocking(False)
        yield ear


Kept = Callable[[Notify], Notify]


@pytest.fixture
def kept() -> Iterator[Kept]:
    """Closes what a test has made when it is over."""
    with ExitStack() as stack:

        def keep(notify: Notify) -> Notify:
            stack.callback(notify.close)
            return notify

        yield keep


def heard(ear: socket.socket) -> list[list[str]]:
    """What has come by now, a list of lines each."""
    out = []
    while True:
        try:
            out.append(ear.recv(4096).decode().split("\n"))
        except BlockingIOError:
            return out


def at(ear: socket.socket, **more: str) -> dict[str, str]:
    return {"NOTIFY_SOCKET": ear.getsockname(), **more}


def test_a_night_is_ready_and_says_where_it_is_once(ear: socket.socket, kept: Kept) -> None:
    place = ["base"]
    notify = kept(Notify(lambda: place[0], at(ear)))
    notify.ready()
    notify.beat()
    place[0] = "Slow Tram Home\nREADY=0"
    notify.beat()
    notify.close()
    notify.beat()
    assert heard(ear) == [["READY=1", "STATUS=base"], ["STATUS=Slow Tram Home READY=0"], ["STOPPING=1"]]


def test_a_watchdog_is_fed_with_each_beat_twice_as_often_as_it_asks(ear: socket.socket, kept: Kept) -> None:
    notify = kept(Notify(lambda: "x" * 999, at(ear, WATCHDOG_USEC="3000000", WATCHDOG_PID=str(os.getpid()))))
    notify.beat()
    notify.beat()
    assert notify.every_s == 1.5
    assert heard(ear) == [[f"STATUS={'x' * STATUS_MAX}", "WATCHDOG=1"], ["WATCHDOG=1"]]


@pytest.mark.parametrize(
    "said", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "x"}, {"WATCHDOG_USEC": "9", "WATCHDOG_PID": "1"}]
)
def test_a_watchdog_that_is_none_or_anothers_is_not_fed(ear: socket.socket, kept: Kept, said: dict[str, str]) -> None:
    notify = kept(Notify(lambda: "base", at(ear, **said)))
    notify.beat()
    assert notify.every_s == STATUS_S and heard(ear) == [["STATUS=base"]]


def test_beats_come_from_the_loop_and_with_it_they_stand_still(ear: socket.socket, kept: Kept) -> None:
    notify = kept(Notify(lambda: "base", at(ear, WATCHDOG_USEC="2000")))
    ((_, chore),) = notify.chores

    async def night() -> tuple[int, int, int]:
        beats = asyncio.ensure_future(chore())
        while len(seen := heard(ear)) == 0:
            await asyncio.sleep(0)
        ran = len(seen)
        stood = len(heard_while_standing(ear))
        while len(heard(ear)) == 0:
            await asyncio.sleep(0)
        beats.cancel()
        return ran, stood, 1

    ran, stood, again = asyncio.run(night())
    assert ran >= 1 and stood == 0 and again == 1


def heard_while_standing(ear: socket.socket) -> list[list[str]]:
    """The loop does nothing for ten times as long as a beat lasts."""
    ear.settimeout(0.02)
    try:
        return [ear.recv(4096).decode().split("\n")]
    except TimeoutError:
        return []
    finally:
        ear.setblocking(False)


def test_an_abstract_socket_is_one_too(kept: Kept) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        # An empty name: Linux gives a free one, unix(7), "Autobind feature".
        ear.bind("")
        ear.setblocking(False)
        notify = kept(Notify(lambda: "base", {"NOTIFY_SOCKET": "@" + ear.getsockname()[1:].decode()}))
        notify.ready()
        assert heard(ear) == [["READY=1", "STATUS=base"]]


@pytest.mark.parametrize("named", [None, "", "relative", "vsock:2:1234"])
def test_where_nobody_listens_nothing_runs(kept: Kept, named: str | None) -> None:
    notify = kept(Notify(lambda: "base", {} if named is None else {"NOTIFY_SOCKET": named}))
    notify.ready()
    notify.close()
    assert notify.chores == ()


def test_a_manager_that_takes_nothing_holds_nothing_up_and_hears_it_later(ear: socket.socket, kept: Kept) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as stuffing:
        stuffing.setblocking(False)
        with suppress(BlockingIOError):
            while True:
                stuffing.sendto(b"X=1", ear.getsockname())
    notify = kept(Notify(lambda: "base", at(ear)))
    notify.ready()
    assert {"X=1"} == {line for lines in heard(ear) for line in lines}
    notify.beat()
    assert heard(ear) == [["READY=1", "STATUS=base"]]


def test_a_manager_that_is_gone_is_no_trouble(tmp_path: Path, kept: Kept) -> None:
    notify = kept(Notify(lambda: "base", {"NOTIFY_SOCKET": str(tmp_path / "gone")}))
    notify.ready()
    notify.close()
