"""What the virtual desk's process says: a value in two parts is one line."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence

import pytest
from shipped import profile_of

from stagectl.desk import process
from stagectl.desk.say import Sayer
from stagectl.desk.stand_in import StandIn
from stagectl.desk.virtual import VirtualDesk


def _sayer(name: str, as_json: bool = False) -> Sayer:
    return Sayer(VirtualDesk(profile_of(name), 4, 2), as_json)


def _hear(sayer: Sayer, *packets: str) -> list[str]:
    return [line for packet in packets for line in sayer.hear(bytes.fromhex(packet))]


def _pair(sayer: Sayer) -> Sequence[bytes]:
    """The messages of the first input of mix 1."""
    return sayer.desk.profile.send.say.packets(1, 1, 0x60 << 7 | 0x10)


@pytest.mark.parametrize("name", ["nrpn", "control-pair"])
def test_a_coarse_and_a_fine_part_are_one_line(name: str) -> None:
    apart, at_once = _sayer(name), _sayer(name)
    lines = [line for packet in _pair(apart) for line in apart.hear(packet)]
    assert len(lines) == 1
    assert at_once.hear(b"".join(_pair(at_once))) == lines
    assert apart.waiting is at_once.waiting is None


def test_json_holds_the_bytes_of_both_parts() -> None:
    sayer = _sayer("control-pair", as_json=True)
    coarse, fine = _pair(sayer)
    assert sayer.hear(coarse) == []
    (line,) = sayer.hear(fine)
    assert json.loads(line)["bytes"] == (coarse + fine).hex(" ").upper()


def test_a_coarse_part_alone_is_said_when_another_level_comes_or_it_has_waited() -> None:
    sayer = _sayer("control-pair")
    first, second = (sayer.desk.profile.send.say.packets(socket, 1, 0x60 << 7)[0] for socket in (1, 2))
    assert sayer.hear(first) == []
    (line,) = sayer.hear(second)
    assert line.startswith("mix 1, input 1: ")
    assert sayer.waiting is not None
    (line,) = sayer.coarse()
    assert line.startswith("mix 1, input 2: ")
    assert sayer.coarse() == []


def test_a_fine_part_alone_is_said_at_once() -> None:
    sayer = _sayer("control-pair")
    coarse, fine = _pair(sayer)
    sayer.hear(coarse)
    sayer.coarse()
    assert len(sayer.hear(fine)) == 1


def test_the_process_says_a_coarse_part_that_has_waited(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []

    async def night() -> None:
        desk = process._Desk(StandIn(sayer.desk), sayer)
        heard = asyncio.Event()

        def write(lines: list[str]) -> None:
            said.extend(lines)
            if any(line.startswith("mix 1, input 1: ") for line in lines):
                heard.set()

        monkeypatch.setattr(process, "_write", write)
        running = asyncio.ensure_future(desk.run("here"))
        desk.put(_pair(sayer)[0], 0)
        async with asyncio.timeout(10):
            while not heard.is_set():
                # Messages for no level, such as a clock's, do not keep it waiting.
                desk.put(b"\xf8", 0)
                await asyncio.sleep(0)
        running.cancel()

    sayer = _sayer("control-pair")
    asyncio.run(night())
    assert len(said) == 2
