"""A crowd at the stage page, as a process of its own: `python tests/page_crowd.py PORT`. Orders come in on standard
input, one a line, and each is answered by a line when it is done:

    look N      N clients open the stream, and read what they are given
    stall N     N clients open it, and read nothing
    idle N      N connections are kept open that say nothing; those that are closed are opened again
    flood       wrong keys, garbage, requests in a row and half requests, from now on, as fast as they are answered
    count       how many boards have been read, and what the flood was answered
    leave       everybody goes
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections import Counter
from contextlib import suppress
from typing import Final

GARBAGE: Final = (
    b"GET /?key=wrong%d HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
    b"\x16\x03\x01%d\r\n\r\n",
    b"GET /live HTTP/1.1\r\nHost: evil%d.example\r\nConnection: close\r\n\r\n",
    b"POST /want HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Length: 99%d\r\n\r\n{",
    b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\nGET /%d HTTP/1.1\r\nHost: localhost\r\n\r\n",
)
"""What a flood says."""

BACK_S: Final = 0.2
"""How soon a connection that was closed is opened again, s."""


class Crowd:
    """Everybody at one page of this machine."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.boards = 0
        self.answers: Counter[str] = Counter()
        self.tasks: list[asyncio.Task[None]] = []
        self.open = 0

    async def look(self, here: asyncio.Event, *, reads: bool) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, limit=1 << 20)
        try:
            writer.write(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            await reader.readuntil(b"event: you")
            here.set()
            if not reads:
                writer.transport.pause_reading()  # type: ignore[attr-defined]
                await asyncio.Event().wait()
            while data := await reader.read(65_536):
                self.boards += data.count(b"event: stage")
            self.answers["a client was let go of"] += 1
        finally:
            writer.close()

    async def idle(self, here: asyncio.Event) -> None:
        while True:
            with suppress(OSError):
                reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
                self.open += 1
                here.set()
                await reader.read()
                writer.close()
                self.answers["idle ones let go of"] += 1
            here.set()
            await asyncio.sleep(BACK_S)

    async def flood(self, here: asyncio.Event) -> None:
        here.set()
        number = 0
        while True:
            number += 1
            try:
                reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
                writer.write(GARBAGE[number % len(GARBAGE)] % number)
                first = await asyncio.wait_for(reader.read(65_536), 10)
                writer.close()
                self.answers[first[9:12].decode("latin-1") or "nothing"] += 1
            except (OSError, TimeoutError) as error:
                self.answers[type(error).__name__] += 1
            await asyncio.sleep(0.001)

    async def come(self, number: int, how: str) -> None:
        come = []
        for _ in range(number):
            here = asyncio.Event()
            coming = {
                "look": lambda here=here: self.look(here, reads=True),
                "stall": lambda here=here: self.look(here, reads=False),
                "idle": lambda here=here: self.idle(here),
                "flood": lambda here=here: self.flood(here),
            }[how]()
            self.tasks.append(asyncio.create_task(coming))
            come.append(here.wait())
        await asyncio.wait_for(asyncio.gather(*come), 60)

    async def take(self, order: str, number: int) -> object:
        if order == "count":
            return {"boards": self.boards, **self.answers}
        if order == "leave":
            for task in self.tasks:
                task.cancel()
            await asyncio.gather(*self.tasks, return_exceptions=True)
            self.tasks.clear()
        else:
            await self.come(number, order)
        return "done"


async def main(port: int) -> None:
    """Take orders until standard input ends."""
    crowd, loop = Crowd(port), asyncio.get_running_loop()
    while words := (await loop.run_in_executor(None, sys.stdin.readline)).split():
        print(json.dumps(await crowd.take(words[0], int(words[1]) if words[1:] else 1)), flush=True)


if __name__ == "__main__":
    os.nice(10)
    asyncio.run(main(int(sys.argv[1])))
