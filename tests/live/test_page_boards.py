"""When the stage page's board is made: soon after what it shows has changed, seldom otherwise, and never in the way."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from virtual_time import VirtualLoop

from stagectl.core.actions import Next, Nudge
from stagectl.core.effects import Effect
from stagectl.core.events import Event, Wanted
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.live.links import OutLink
from stagectl.live.page import (
    EVERY_S,
    IDLE_S,
    REFUSED_EVERY_S,
    TOO_LATE,
    Around,
    Connections,
    NightPage,
    Served,
    addresses,
)
from stagectl.live.page_keys import NightKeys
from stagectl.ports.udp import UdpOut
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.rig import LinkedModel
from stagectl.story.rows import Row, Teller
from stagectl.view.lamps import Known, lamps
from stagectl.view.lines import Open
from stagectl.view.picture import Moment, SetClock

ROOT = Path(__file__).resolve().parents[2]


def test_devices_come_and_go_among_the_connections() -> None:
    plan = compile_show(load_show(ROOT / "setlists" / "nine-songs")).plan
    rig = {"desk": "127.0.0.1:9", "keys rig": "127.0.0.1:10", "lights": "127.0.0.1:11"}
    outs = {name: OutLink(name, LinkedModel.model_validate({"host": host})) for name, host in rig.items()}
    connections = Connections([one.name for one in plan.pedals], list(outs.values()), lambda: False, lambda: None)

    def said() -> dict[str, tuple[str, str]]:
        some = lamps(plan, begin(plan, 0), connections.known())
        return {one["name"]: (one["state"], one["says"]) for one in some if one["what"] == "device"}

    waits = ("wait", "is not here yet, waiting for `127.0.0.1:11`")
    assert said()["lights"] == waits
    for name in ("keys rig", "lights"):
        port = outs[name].seek(None, ())
        assert isinstance(port, UdpOut)
        outs[name].take(port)
    assert said() == dict.fromkeys(("keys rig", "lights"), ("ok", "here"))
    for name in ("keys rig", "lights"):
        dropped = outs[name].drop()
        assert dropped is not None
        dropped.close()
    assert said()["lights"] == ("wrong", "is gone, waiting for `127.0.0.1:11`")


class Evening:
    """A night with its page, in a time of its own; the page's process is not started."""

    def __init__(self) -> None:
        self.loop = VirtualLoop(datetime(2026, 11, 26, 20, tzinfo=UTC))
        self.show = load_show(ROOT / "setlists" / "three-songs")
        self.compiled = compile_show(self.show)
        self.plan = self.compiled.plan
        self.state: State = begin(self.plan, 0)
        self.teller = Teller(self.plan, 0)
        self.boards: list[tuple[float, dict[str, Any]]] = []
        self.warned: list[str] = []
        self.handled: list[Event] = []
        self.loop.run_until_complete(self._begin())

    async def _begin(self) -> None:
        around = Around(
            state=lambda: self.state,
            handle=lambda event, _: self.handled.append(event),
            clock=lambda *_: SetClock(),
            known=Known,
            say=lambda _: None,
            warn=self.warned.append,
            zero=0,
        )
        self.page = NightPage(self.show, self.compiled, None, Open("127.0.0.1", 0, "t"), around)
        self.page.page.put = self.put  # type: ignore[method-assign]

    def put(self, board: str, is_: Mapping[str, object]) -> None:
        if board == "stage":
            self.boards.append((self.loop.time(), dict(is_)))

    def does(self, event: Event) -> None:
        self.state, effects = step(self.plan, self.state, event, self.loop.monotonic_ns)
        self.page.look(self.state)
        self.told(effects)

    def told(self, effects: tuple[Effect, ...] | list[Effect]) -> None:
        rows = self.teller.rows(effects)
        if rows:
            self.page.told(rows)

    def passes(self, seconds: float) -> None:
        self.loop.run_until_complete(asyncio.sleep(seconds))

    def clients(self, count: int) -> None:
        async def come() -> None:
            self.page._clients_are(count)

        self.loop.run_until_complete(come())


@pytest.fixture
def evening() -> Any:
    made = Evening()
    yield made
    made.page.close()
    made.loop.close()


def test_a_press_is_drawn_within_two_hundredths_of_a_second(evening: Evening) -> None:
    evening.clients(1)
    evening.passes(1)
    evening.boards.clear()
    began = evening.loop.time()
    evening.does(Wanted(action=Next(), who="singer", listener=0))
    evening.passes(1)
    at, board = evening.boards[0]
    assert at - began <= EVERY_S and board["place"]["number"] == 1
    assert board["last"]["what"] == "next"


def test_a_storm_of_presses_is_drawn_so_often_and_no_more_and_ends_true(evening: Evening) -> None:
    evening.clients(1)
    evening.does(Wanted(action=Next(), who="singer", listener=0))
    evening.passes(10)
    evening.boards.clear()
    for at in range(1_000):
        evening.does(Wanted(action=Nudge(by=100 if at % 2 else -100), who="singer", listener=0))
        evening.passes(0.001)
    evening.passes(EVERY_S)
    times = [at for at, _ in evening.boards]
    assert 40 <= len(times) <= 1.1 / EVERY_S
    assert min(b - a for a, b in pairwise(times)) >= EVERY_S - 1e-6
    assert evening.boards[-1][1]["listeners"][0]["nudges"] == []
    evening.does(Wanted(action=Nudge(by=-100), who="singer", listener=0))
    evening.passes(EVERY_S)
    assert evening.boards[-1][1]["listeners"][0]["nudges"][0]["by"] == -100


def test_where_nobody_looks_it_is_drawn_seldom_and_whoever_comes_sees_it_as_it_is(evening: Evening) -> None:
    evening.boards.clear()
    for at in range(500):
        evening.does(Wanted(action=Nudge(by=100 if at % 2 else -100), who="singer", listener=0))
        evening.passes(0.01)
    assert len(evening.boards) <= 5 / IDLE_S + 1
    evening.does(Wanted(action=Next(), who="singer", listener=0))
    evening.clients(1)
    assert evening.boards[-1][1]["place"]["number"] == 1


def test_nothing_is_drawn_where_nothing_has_changed(evening: Evening) -> None:
    evening.clients(1)
    evening.boards.clear()
    for _ in range(100):
        evening.page.look(evening.state)
        evening.page.told([Row(0, "count", what="said more")])
        evening.passes(0.1)
    assert evening.boards == []


def test_a_board_that_cannot_be_made_is_said_once_and_ends_nothing(evening: Evening) -> None:
    def fails(*_: object) -> None:
        raise ValueError("no such board")

    evening.page.page.put = fails  # type: ignore[method-assign, assignment]
    evening.clients(1)
    for _ in range(5):
        evening.does(Wanted(action=Nudge(by=100), who="singer", listener=0))
        evening.passes(1)
    assert evening.warned == ["the page: ValueError: no such board"]
    evening.page.page.put = evening.put  # type: ignore[method-assign]
    evening.does(Wanted(action=Next(), who="singer", listener=0))
    evening.passes(1)
    assert evening.boards[-1][1]["place"]["number"] == 1


def test_wants_go_to_the_core_and_nonsense_is_said(evening: Evening) -> None:
    evening.page._want({"do": "next"})
    evening.page._want({"do": "jump", "song": "x"})
    assert evening.handled == [Wanted(action=Next(), who="page")]
    assert len(evening.warned) == 1 and "nothing is done by `jump`" in evening.warned[0]


def test_wants_that_come_to_nothing_are_told_once_a_minute_and_counted(evening: Evening) -> None:
    for at in range(250):
        evening.page._want({"do": "hush", "listener": f"x{at}"})
        evening.passes(0.01)
    assert len(evening.warned) == 1
    evening.passes(REFUSED_EVERY_S)
    assert evening.warned[1:] == ["the page asked 249 times more for what cannot be done, or too late"]
    evening.passes(10 * REFUSED_EVERY_S)
    assert len(evening.warned) == 2
    evening.page._want({"do": "jump"})
    evening.page._want({"do": "jump"})
    assert "nothing is done by `jump`" in evening.warned[2]
    evening.page.close()
    assert evening.warned[3:] == ["the page asked once more for what cannot be done, or too late"]


def test_a_want_that_came_too_late_is_not_done_and_is_told(evening: Evening) -> None:
    evening.clients(1)
    evening.page._late({"do": "hush", "listener": "singer"}, 7.25)
    evening.passes(1)
    assert evening.handled == []
    last = evening.boards[-1][1]["last"]
    assert (last["who"], last["what"], last["refused"]) == ("page for singer", "hush", TOO_LATE)
    assert len(evening.warned) == 1 and "`hush` was asked for 7.2 s ago" in evening.warned[0]


def test_keys_are_asked_for_where_they_are_needed() -> None:
    keys = NightKeys("r", "c")
    opened = [
        Served(host, 1, control).opened("t", keys) for host in ("127.0.0.1", "0.0.0.0") for control in (False, True)
    ]
    assert [(one.read_key, one.control_key) for one in opened] == [(None, None), (None, "c"), ("r", None), ("r", "c")]
    assert Served("::1", 1, control=True).opened("t", keys).read_key is None


def test_addresses_are_printed_with_a_code_where_a_phone_may_come() -> None:
    url = "http://10.0.0.7:8480/"
    far = Open("0.0.0.0", 8480, "t", "night", "r" * 22, "c" * 22)
    bare = addresses(url, far, at_terminal=False)
    assert bare == [f"page: {url}?key={'r' * 22}", f"page with controls: {url}?key={'c' * 22}"]
    coded = addresses(url, far, at_terminal=True)
    assert [line for line in coded if line in bare] == bare and len(coded) > 30
    assert addresses(url, Open("127.0.0.1", 8480, "t"), at_terminal=True) == [f"page: {url}"]


def test_the_page_costs_the_daemon_none_of_its_libraries() -> None:
    run = subprocess.run(
        [sys.executable, "-c", "import sys, stagectl.live.daemon; print(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    assert not {"starlette", "uvicorn", "h11", "anyio", "segno"} & set(run.stdout.split())


def test_no_board_is_made_on_the_way_of_a_press(evening: Evening) -> None:
    evening.clients(1)
    evening.boards.clear()
    evening.does(Wanted(action=Next(), who="singer", listener=0))
    assert evening.boards == []


def test_a_clock_that_is_set_is_drawn_where_nothing_else_happens(
    evening: Evening, monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead_ms = 0

    def moment() -> Moment:
        now = evening.loop.monotonic_ns
        return Moment(now, 1_795_636_800_000 + now // 1_000_000 + ahead_ms)

    def drawn(set_ms: int) -> int:
        """How many boards are made in a while, where the clock on the wall was set so far ahead of where it began."""
        nonlocal ahead_ms
        ahead_ms = set_ms

        async def watch() -> None:
            looking = asyncio.create_task(evening.page._watch_lamps())
            await asyncio.sleep(3 * IDLE_S)
            looking.cancel()

        evening.boards.clear()
        evening.loop.run_until_complete(watch())
        return len(evening.boards)

    monkeypatch.setattr("stagectl.live.page._moment", moment)
    evening.clients(1)
    assert [drawn(ms) for ms in (0, 3_600_000, 3_600_000, -5_000, -5_100)] == [0, 1, 0, 1, 0]
