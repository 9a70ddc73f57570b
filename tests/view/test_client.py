"""The program's end of the page, with the real process: it comes back at its own port with its boards, and nothing
holds the program up."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import time
from collections.abc import Callable, Coroutine
from typing import Any

import httpx
import pytest
from httpx_sse import aconnect_sse
from processes import children

from stagectl.view.client import WAITING_MAX, Page, PageHeard
from stagectl.view.lines import BOARDS_MAX, LATE_S, LINE_MAX, Open, line

LIMIT_S = 30.0


class Kept:
    """A page that is kept, and what it said."""

    def __init__(self, open_: Open) -> None:
        self.said: asyncio.Queue[tuple[bool, str]] = asyncio.Queue()
        self.wants: list[dict[str, Any]] = []
        self.late: list[dict[str, Any]] = []
        heard = PageHeard(
            changed=lambda here, text: self.said.put_nowait((here, text)),
            want=self.wants.append,
            late=lambda want, _: self.late.append(want),
            clients=lambda _: None,
            trouble=lambda _: None,
        )
        self.page = Page(open_, heard)

    async def comes(self) -> str:
        here, text = await asyncio.wait_for(self.said.get(), LIMIT_S)
        assert here, text
        return text

    async def board(self, url: str) -> Any:
        """The board that a new client is given."""
        async with httpx.AsyncClient() as client, aconnect_sse(client, "GET", f"{url}live") as source:
            async for event in source.aiter_sse():
                if event.event == "stage":
                    return event.json()
        return None


def played(open_: Open, test: Callable[[Kept], Coroutine[Any, Any, None]]) -> None:
    async def run() -> None:
        kept = Kept(open_)
        living = asyncio.ensure_future(kept.page.forever())
        try:
            await asyncio.wait_for(test(kept), LIMIT_S)
        finally:
            kept.page.close("the test is over")
            await asyncio.wait_for(living, LIMIT_S)

    asyncio.run(run())


def pages() -> list[int]:
    """The processes of pages that this one has started, by their numbers."""
    return [pid for pid, command in children(os.getpid()).items() if "view.process" in command]


def test_a_process_that_was_killed_comes_back_where_it_was_with_its_boards() -> None:
    async def test(kept: Kept) -> None:
        kept.page.put("stage", {"now": 1})
        first = await kept.comes()
        assert await kept.board(first) == {"now": 1}
        [number] = pages()
        os.kill(number, signal.SIGKILL)
        assert await asyncio.wait_for(kept.said.get(), LIMIT_S) == (False, "the page's process has ended (-9)")
        kept.page.put("stage", {"now": 2})
        assert await kept.comes() == first
        assert await kept.board(first) == {"now": 2}

    played(Open("127.0.0.1", 0, "t"), test)
    assert pages() == []


def test_a_port_that_is_taken_is_said_once_and_the_program_goes_on() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]

        async def test(kept: Kept) -> None:
            here, text = await asyncio.wait_for(kept.said.get(), LIMIT_S)
            assert not here and f"127.0.0.1:{port}" in text
            kept.page.put("stage", {"now": 1})
            assert kept.said.empty()

        played(Open("127.0.0.1", port, "t"), test)


def test_a_process_that_hangs_holds_nothing_up_and_fills_no_memory() -> None:
    async def test(kept: Kept) -> None:
        url = await kept.comes()
        [number] = pages()
        os.kill(number, signal.SIGSTOP)
        try:
            for at in range(200):
                kept.page.put("stage", {"now": at, "pad": "x" * 100_000})
                await asyncio.sleep(0)
            pipe = kept.page._pipe
            assert pipe is not None
            assert pipe.transport.get_write_buffer_size() <= WAITING_MAX + LINE_MAX
        finally:
            os.kill(number, signal.SIGCONT)
        while (await kept.board(url))["now"] != 199:
            pass

    played(Open("127.0.0.1", 0, "t"), test)


def test_the_heart_beats_in_the_loop_of_the_program() -> None:
    """Each beat has its time; a client that looks on hears of them."""

    async def test(kept: Kept) -> None:
        url = await kept.comes()
        beats = []
        async with httpx.AsyncClient() as client, aconnect_sse(client, "GET", f"{url}live") as source:
            async for event in source.aiter_sse():
                beats += [event.json()["now"]] if event.event == "beat" else []
                if len(beats) == 2:
                    break
        assert 0 <= beats[1] - beats[0] < 10_000

    played(Open("127.0.0.1", 0, "t"), test)


def test_what_was_asked_for_while_the_program_stood_still_is_not_done() -> None:
    async def test() -> None:
        kept = Kept(Open("127.0.0.1", 0, "t"))
        now = time.monotonic_ns()
        for ago_s in (0.0, LATE_S - 0.5, LATE_S + 0.001, 9.0):
            kept.page._hear(line({"is": "want", "want": {"do": ago_s}, "at": now - round(ago_s * 1e9), "from": "page"}))
        assert kept.wants == [{"do": 0.0}, {"do": LATE_S - 0.5}]
        assert kept.late == [{"do": LATE_S + 0.001}, {"do": 9.0}]

    asyncio.run(test())


def test_boards_have_their_bounds() -> None:
    async def test(kept: Kept) -> None:
        for at in range(BOARDS_MAX):
            kept.page.put(f"board {chr(97 + at)}", {})
        for name, is_, why in (
            ("one more", {}, "one board too many"),
            ("board a", {"x": "y" * LINE_MAX}, "too long"),
            ("A", {}, "no name"),
            ("a\nb", {}, "no name"),
            ("", {}, "no name"),
        ):
            with pytest.raises(ValueError, match=why):
                kept.page.put(name, is_)

    played(Open("127.0.0.1", 0, "t"), test)
