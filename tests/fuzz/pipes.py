"""Lines of JSON between the program and processes of its own: what the pulse, the player and the page are told, and
what the pulse says.

A line that makes no sense costs that line: the ones behind it are heard, and the process ends when it is told to.
Outside judge: the mido library reads what the pulse then sends.
"""

from __future__ import annotations

import asyncio
import gc
import io
import json
import socket
from contextlib import suppress
from itertools import pairwise
from typing import Any, Final

from mido.parser import Parser

from fuzz.drawn import Drawn
from stagectl.apart.pipes import NONSENSE, Out, parsed
from stagectl.live.pulse import PulseOut, _Output
from stagectl.tracks.pulse.process import Sender, order_of
from stagectl.tracks.pulse.score import Wants
from stagectl.tracks.sound.orders import plain_track, track_from
from stagectl.view.inbox import Inbox
from stagectl.view.lines import Open
from stagectl.view.process import _Process
from stagectl.wire.time_code import RATES

SENT_MAX: Final = 12
"""Messages that are asked for after each order."""

TEMPO: Final[dict[str, Any]] = {"tempos": [[0, 1, 500_000_000, 1]], "bars": [[1, 0, 1, 4, 4]], "begins": 0}

TRACK: Final[dict[str, Any]] = {
    "song": 0,
    "name": "First",
    "stems": [["/a.wav", [1, 2]]],
    "tempo": TEMPO,
    "lead": 0,
    "length": 1_000_000_000,
    "click": [3],
    "counts": None,
}


class _Port:
    """Keeps what is sent."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, packet: bytes) -> None:
        self.sent.append(packet)


def pulse_lines(data: bytes) -> None:
    """Whatever the process of an output is told: what it sends is whole messages, and it still ends."""
    port: Any = _Port()
    said: list[dict[str, Any]] = []
    sender = Sender(Wants(True, RATES["25"]), said.append, lambda _: None)
    sender.found(port)
    for line in [*data.split(b"\n"), json.dumps({"run": {"tempo": TEMPO, "zero": 0, "position": 0}}).encode()]:
        if (order := order_of(sender, line)) is not None:
            order()
            for _ in range(SENT_MAX):
                if sender._score.due is not None:
                    sender._send()
    sender.end()
    # A track that runs freezes what is there, which is right for a process that does nothing else.
    gc.unfreeze()
    assert sender._ended and port.sent
    parser = Parser()
    parser.feed(b"".join(port.sent))
    assert [bytes(message.bytes()) for message in parser] == port.sent
    json.dumps(said, allow_nan=False)


def pulse_says(data: bytes) -> None:
    """Whatever the process of an output says: sentences, and whether its port is there."""
    troubles: list[str] = []
    changes: list[tuple[str, bool]] = []
    output = _Output(
        PulseOut("lights", "a", True), "jack", bytes, lambda name, here: changes.append((name, here)), troubles.append
    )
    lines = data.split(b"\n")
    for line in lines:
        output._hear(line)
    assert len(troubles) <= len(lines)
    assert all(now != then for (_, now), (_, then) in pairwise(changes))


def player_lines(data: bytes) -> None:
    """Whatever tracks the player is told to keep: those that make sense go back as they came."""
    for line in data.split(b"\n"):
        order = parsed(line)
        if order is None:
            continue
        with suppress(*NONSENSE):
            for track in [track_from(one) for one in order["songs"]]:
                plain = plain_track(track)
                assert track_from(json.loads(json.dumps(plain))) == track


def page_lines(data: bytes) -> None:
    """Whatever the page's process is told: it takes the boards that make sense, and the end."""
    troubles: list[dict[str, Any]] = []
    asyncio.run(_page(data.split(b"\n"), troubles))
    assert not troubles, troubles


async def _page(lines: list[bytes], troubles: list[dict[str, Any]]) -> None:
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: troubles.append(context))
    inbox = Inbox(loop)
    for line in lines[:1]:
        if (message := parsed(line)) is not None:
            inbox._put(message)
    await asyncio.sleep(0)
    if inbox.opened.done():
        with suppress(TypeError):
            opened = inbox.opened.result()
            assert opened is None or isinstance(opened, Open)
    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
        process = _Process(Open("127.0.0.1", 0, "A show"), made, Out(io.BytesIO()))
        process._out.end()
        inbox.give_to(process.take)
        for line in [*lines, b'{"board":"last","is":{}}', b'{"gone":"over"}']:
            if (message := parsed(line)) is not None:
                inbox._put(message)
        inbox._give()
        await asyncio.sleep(0)
        process._silent_s()
        assert process.over.is_set() and process.audience.over
        assert all(
            event.endswith(b"\n\n") and event.count(b"\n") == 3 for _, event in process.audience._boards.values()
        )


ORDERS: Final = (
    "run",
    "moved",
    "halt",
    "here",
    "trouble",
    "late",
    "sent",
    "worst",
    "board",
    "is",
    "beat",
    "gone",
    "open",
)
"""What lines mean something by, on any of these pipes."""

WITHIN: Final = ("tempo", "zero", "position", "code_at", "tempos", "bars", "begins", "songs", "stems", "lead", "click")


def made_lines(data: bytes) -> None:
    """Lines whose names and values are drawn from those that mean something, on every one of these pipes."""
    drawn = Drawn(data)
    lines = [json.dumps(_line(drawn), default=repr).encode() for _ in range(1 + drawn.below(4))]
    whole = b"\n".join(lines)
    for hears in (pulse_lines, pulse_says, player_lines, page_lines):
        hears(whole)


def _line(drawn: Drawn) -> dict[str, Any]:
    line: dict[str, Any] = {
        drawn.pick(ORDERS): drawn.value((True, 1, 0, "x", TEMPO)) for _ in range(1 + drawn.below(4))
    }
    run: dict[str, Any] = {"tempo": _odd(drawn, TEMPO), "zero": 0, "position": 0, "code_at": 0}
    if drawn.below(2):
        line["run"] = _odd(drawn, run)
    if drawn.below(2):
        line["songs"] = [_odd(drawn, {**TRACK, "tempo": _odd(drawn, TEMPO)})]
    return line


def _odd(drawn: Drawn, sound: dict[str, Any]) -> dict[str, Any]:
    """With one of its values drawn, or with one of the numbers in its lists."""
    name = drawn.pick([*sound, "x"])
    kind = drawn.below(4)
    if kind == 0 or name == "x":
        return sound
    if kind == 1 and isinstance(sound[name], list):
        rows = json.loads(json.dumps(sound[name]))
        if rows and isinstance(rows[0], list) and rows[0]:
            rows[0][drawn.below(len(rows[0]))] = drawn.value((0, 1, -1, 1e300, 4.0))
        return {**sound, name: rows}
    return {**sound, name: drawn.value((0, 1, -1, None, 2**70))}
