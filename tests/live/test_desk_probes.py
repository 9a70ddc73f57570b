"""In silence the desk is asked for each of its levels in turn: a hand whose one report was lost is found out about.

What the questions mean is read by python-osc (OSC 1.0), and by the desk that stands in for one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from virtual_time import VirtualLoop, played

from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Event
from stagectl.desk.faults import Faults
from stagectl.desk.meaning import Spot
from stagectl.desk.stand_in import StandIn
from stagectl.desk.virtual import VirtualDesk
from stagectl.live import desk as room
from stagectl.live.desk import PROBE_S, TICK_S, DeskSide
from stagectl.show.load import Show, load_show

ROOT = Path(__file__).resolve().parents[2]

ROUND_S = 1.2 * (PROBE_S + TICK_S)
"""The most between two questions that are answered, s: the silence, up to the next look at the clock, and a little."""

MS = 1_000_000


@pytest.fixture(scope="module")
def show() -> Show:
    """Over OSC, four inputs and three mixes: 15 levels that can be asked for one by one."""
    return load_show(ROOT / "setlists" / "three-songs")


class Wire:
    """The link's port, and behind it the desk; `loses` says which answers are lost."""

    def __init__(self, show: Show, loop: VirtualLoop) -> None:
        self.name = "desk"
        self.desk = StandIn(VirtualDesk.of(show), Faults(delay_ns=0), 1)
        self.asked: list[str] = []
        self.events: list[Event] = []
        self.loses: Callable[[str], bool] = lambda _: False
        self.side = DeskSide(show, lambda event, _: self.events.append(event), self.said)
        self.sentences: list[str] = []
        self._loop = loop
        self.side.link.take(self)  # type: ignore[arg-type] # a port, as far as the link uses it

    def said(self, sentence: str) -> None:
        self.sentences.append(sentence)

    def send(self, packet: bytes) -> None:
        """To the desk, and what it answers back, in the loop's next turn."""
        message = OscMessage(packet)
        if message.address != "/reports":
            assert not message.params, "a question has no arguments"
            self.asked.append(message.address)
        self.desk.hear(packet, "us", self._loop.monotonic_ns)
        self._loop.call_soon(self.arrives)

    def arrives(self) -> None:
        for out in self.desk.advance(self._loop.monotonic_ns + MS).out:
            if not self.loses(OscMessage(out.packet).address):
                self.side.heard(out.packet, self._loop.monotonic_ns)

    def said_of(self, send: int) -> list[object]:
        return [event.level for event in self.events if isinstance(event, DeskSaid) and event.send == send]


def night(show: Show, monkeypatch: pytest.MonkeyPatch, does: Callable[[Wire], Any]) -> Any:
    """What `does` finds, with a desk that was connected."""

    async def whole(loop: VirtualLoop) -> Any:
        monkeypatch.setattr(room, "time", SimpleNamespace(monotonic_ns=lambda: loop.monotonic_ns))
        wire = Wire(show, loop)
        wire.side.link_changed(True)
        watching = asyncio.ensure_future(wire.side.forever())
        try:
            return await does(wire)
        finally:
            watching.cancel()

    return played(datetime(2027, 5, 14, 18, tzinfo=UTC), whole)


def spots_of(addresses: list[str]) -> Iterator[Spot]:
    for address in addresses:
        match address.split("/"):
            case ["", "ask", "mix", mix, "whole"]:
                yield Spot(int(mix), None)
            case ["", "ask", "mix", mix, "from", socket]:
                yield Spot(int(mix), int(socket))


def test_every_level_is_asked_for_in_turn_and_then_again(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    async def looks(wire: Wire) -> tuple[list[str], int]:
        await asyncio.sleep(2 * wire.side.talk.sends * ROUND_S)
        return wire.asked, wire.side.talk.sends

    asked, sends = night(show, monkeypatch, looks)
    spots = list(spots_of(asked))
    every = [Spot(mix, socket) for mix in (1, 2, 3) for socket in (1, 2, 3, 4, None)]
    assert sends == len(every) == 15
    assert len(spots) >= 2 * sends
    assert set(spots[:sends]) == set(every)
    assert spots[sends : 2 * sends] == spots[:sends]


@pytest.mark.parametrize("spot", [Spot(1, 1), Spot(2, 4), Spot(3, None)], ids=str)
def test_a_hand_whose_report_was_lost_is_heard_of_within_a_round(
    show: Show, monkeypatch: pytest.MonkeyPatch, spot: Spot
) -> None:
    async def loses_one(wire: Wire) -> list[object]:
        await asyncio.sleep(1)
        wire.loses = lambda _: True
        heard = wire.desk.move(spot, -700, wire._loop.monotonic_ns)
        wire.arrives()
        wire.loses = lambda _: False
        send = (spot.mix - 1) * 5 + (4 if spot.socket is None else spot.socket - 1)
        assert heard.level not in wire.said_of(send)
        await asyncio.sleep(wire.side.talk.sends * ROUND_S)
        assert not wire.sentences
        return [heard.level in wire.said_of(send)]

    assert night(show, monkeypatch, loses_one) == [True]


def test_a_wire_that_loses_the_answers_of_one_level_does_not_make_the_desk_go(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def loses_some(wire: Wire) -> list[Event]:
        wire.loses = lambda address: address.endswith("/from/1")
        await asyncio.sleep(2 * wire.side.talk.sends * ROUND_S)
        return [event for event in wire.events if isinstance(event, DeskCame | DeskWent)]

    assert night(show, monkeypatch, loses_some) == [DeskCame()]


def test_a_desk_that_says_nothing_goes_and_is_asked_on(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    async def goes(wire: Wire) -> tuple[list[Event], int, list[str]]:
        await asyncio.sleep(1)
        wire.loses = lambda _: True
        await asyncio.sleep(3)
        before = len(wire.asked)
        await asyncio.sleep(4)
        asked = len(wire.asked) - before
        wire.loses = lambda _: False
        await asyncio.sleep(1)
        return [one for one in wire.events if isinstance(one, DeskCame | DeskWent)], asked, wire.sentences

    events, asked, sentences = night(show, monkeypatch, goes)
    assert events == [DeskCame(), DeskWent(), DeskCame()]
    assert 4 / ROUND_S - 1 <= asked <= 4 / PROBE_S
    assert len(sentences) == 1 and "has stopped answering" in sentences[0]
