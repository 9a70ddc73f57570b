"""OSC pedals told apart by the host that a packet comes from.

Outside judge: the kernel, which writes a socket's own address on what it sends (udp(7)); two sockets at two of this
machine's loopback addresses (RFC 5735: all of 127/8) are two hosts.
"""

from __future__ import annotations

import asyncio
import shutil
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from stagectl.core.events import Event, Moved, Unmapped
from stagectl.live.hearing import FLOOD, OSC_MAX, PER_PACKET, STRANGERS, TOO_LONG, Hearing
from stagectl.ports.look_up import Lookup
from stagectl.ports.osc_senders import LOOK_AGAIN_NS, TOLD_MAX, Host, Senders
from stagectl.ports.udp import listen
from stagectl.show.load import load_show
from stagectl.where import shipped
from stagectl.wire.osc import build

SINGER, FIDDLER, OTHER = "127.0.0.2", "127.0.0.3", "127.0.0.4"

TWO = """pedals:
  - {name: floor board, osc port: 9010, from: FIDDLER, mapping: osc-buttons, listener: fiddler}
  - {name: other board, osc port: 9010, from: SINGER, mapping: osc-buttons, listener: singer}
"""

FEW = "name: few\ncontrols:\n  a: {sends: {osc: /few/a}, press: next}\n"


def rig_with(folder: Path, pedals: str) -> Path:
    """The demo trio with other pedals."""
    demo = shipped("setlists") / "three-songs"
    for name in ("setlist.yaml", "rig.yaml"):
        text = (demo / name).read_text("utf-8")
        (folder / name).write_text(text.partition("pedals:\n")[0] + pedals if name == "rig.yaml" else text, "utf-8")
    return folder


def bundle(*messages: bytes) -> bytes:
    return b"#bundle\0" + bytes(8) + b"".join(len(one).to_bytes(4, "big") + one for one in messages)


@contextmanager
def at(host: str) -> Iterator[socket.socket]:
    """A sender with an address of its own."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind((host, 0))
        yield made


def heard(folder: Path, feet: list[tuple[str, bytes]]) -> tuple[list[Event], list[Any], list[str]]:
    """What comes of packets from some hosts, sent one after the other through real sockets: events, what was counted,
    and what is said to be wrong."""
    show = load_show(folder)

    async def night() -> tuple[list[Event], list[Any], list[str]]:
        events: list[Event] = []
        arrived = asyncio.Semaphore(0)
        ear = Hearing(show, lambda event, _at, _said: events.append(event), lambda _: None)
        take = ear.heard_osc(9010)

        def taken(packet: bytes, when: int, sender: Any) -> None:
            take(packet, when, sender)
            arrived.release()

        transport = await listen("0.0.0.0", 0, taken)
        port = transport.get_extra_info("sockname")[1]
        try:
            for host, packet in feet:
                with at(host) as foot:
                    foot.sendto(packet, ("127.0.0.1", port))
                    await asyncio.wait_for(arrived.acquire(), 10)
        finally:
            transport.close()
            ear.close()
        return events, ear.counts(0), ear.troubles(time.monotonic_ns())

    return asyncio.run(night())


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere only one address of 127/8 is there")
def test_two_pedals_with_the_same_messages_are_told_apart_and_nobody_else_is_heard(tmp_path: Path) -> None:
    folder = rig_with(tmp_path, TWO.replace("SINGER", SINGER).replace("FIDDLER", FIDDLER))
    more = build("/foot/more", (1,))
    events, counted, wrong = heard(
        folder, [(SINGER, more), (OTHER, more), (FIDDLER, more), (OTHER, b"#bundle\0garbage"), (SINGER, b"garbage")]
    )
    assert [(type(one), one.pedal) for one in events if isinstance(one, Moved | Unmapped)] == [
        (Moved, 1),
        (Moved, 0),
        (Unmapped, 1),
    ]
    assert [(row.who, row.what, row.number) for row in counted] == [("UDP port 9010", STRANGERS, 2)]
    assert wrong == [
        "127.0.0.4 sends to UDP port 9010, where only 127.0.0.3 or 127.0.0.2 is heard; mend the rig if it is a pedal"
    ]


def test_what_is_longer_than_any_foot_s_is_counted_and_not_read(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(shipped("setlists") / "three-songs", tmp_path / "show"))
    one = build("/foot/more", (1,))
    fits, long = bundle(*[one] * 8), bundle(*[one] * (OSC_MAX // len(one)))
    events, counted, _ = heard(folder, [("127.0.0.1", fits), ("127.0.0.1", long), ("127.0.0.1", one)])
    assert len([event for event in events if isinstance(event, Moved)]) == 9
    assert [(row.who, row.what, row.number) for row in counted] == [("floor board", TOO_LONG, 1)]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere only one address of 127/8 is there")
def test_a_pedal_of_any_host_hears_all_but_those_of_others(tmp_path: Path) -> None:
    (tmp_path / "few.yaml").write_text(FEW, "utf-8")
    rig_with(
        tmp_path,
        f"pedals:\n  - {{name: mine, osc port: 9010, from: {SINGER}, mapping: few}}\n"
        "  - {name: floor board, osc port: 9010, mapping: osc-buttons, listener: fiddler}\n",
    )
    on, few_a = build("/foot/on", (1,)), build("/few/a", (1,))
    events, counted, wrong = heard(tmp_path, [(OTHER, on), (SINGER, on), (OTHER, few_a), (SINGER, few_a)])
    found = [(type(one), one.pedal) for one in events if isinstance(one, Moved | Unmapped)]
    assert found == [(Moved, 1), (Unmapped, 0), (Unmapped, 1), (Moved, 0)]
    assert (counted, wrong) == ([], [])


def test_each_message_of_a_bundle_is_of_the_pedal_that_knows_it_up_to_a_bound(tmp_path: Path) -> None:
    (tmp_path / "few.yaml").write_text(FEW, "utf-8")
    shared = "  - {name: floor board, osc port: 9010, mapping: osc-buttons, listener: fiddler}\n"
    rig_with(tmp_path, "pedals:\n  - {name: mine, osc port: 9010, mapping: few}\n" + shared)
    one, two, stray = build("/few/a", (1,)), build("/foot/more", (1,)), build("/battery", (0.9,))
    many = bundle(two, stray, *[one, two] * (PER_PACKET // 2))
    events, counted, _ = heard(tmp_path, [("127.0.0.1", bundle(two, stray)), ("127.0.0.1", many)])
    found = [(type(event), event.pedal) for event in events if isinstance(event, Moved | Unmapped)]
    assert found[:2] == [(Moved, 1), (Unmapped, 1)]
    # A packet with messages of both may be from either.
    assert found[2:] == [(Moved, 1), (Unmapped, 0), *[(Moved, 0), (Moved, 1)] * (PER_PACKET // 2 - 1)]
    assert [(row.who, row.what, row.number) for row in counted] == [("mine", FLOOD, 1), ("floor board", FLOOD, 1)]


def test_this_machine_by_its_name() -> None:
    host = Host("localhost")
    assert host.addresses == frozenset()
    host.look(0)
    host.wait(10)
    assert "127.0.0.1" in host.addresses


@pytest.mark.parametrize("host", ["foot..local", "füß..local"])
def test_what_can_be_no_name_is_said_to_have_no_address(host: str) -> None:
    lookup = Lookup(host)
    lookup.wait(10)
    assert (lookup.found, bool(lookup.trouble)) == ((), True)


class Names:
    """A name server that answers when it may. `asked`: how often it was."""

    def __init__(self) -> None:
        self.answer: list[str] | OSError = OSError(0, "nobody knows it")
        self.asked = 0
        self.may = threading.Event()
        self.may.set()

    def getaddrinfo(self, name: bytes, *_: object) -> list[Any]:
        """As `socket.getaddrinfo` answers."""
        assert name == b"board.local"
        self.asked += 1
        self.may.wait(10)
        if isinstance(self.answer, OSError):
            raise self.answer
        return [(socket.AF_INET, socket.SOCK_DGRAM, 17, "", (one, 0)) for one in self.answer]


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> Names:
    made = Names()
    monkeypatch.setattr(socket, "getaddrinfo", made.getaddrinfo)
    return made


def settled(senders: Senders, look: Callable[[], object]) -> None:
    """Let a look-up that this begins come to its end."""
    look()
    for host in senders._named.values():
        host.wait(10)


def test_a_name_without_an_address_is_nobody_and_is_looked_up_again(names: Names) -> None:
    senders = Senders(9010, {0: "board.local"})
    settled(senders, lambda: senders.look(0))
    assert senders.of(SINGER, 1) == ()
    assert list(senders.troubles()) == [
        "127.0.0.2 sends to UDP port 9010, where only board.local (no address yet) is heard; mend the rig if it is a "
        "pedal",
        "the host `board.local` has no address (nobody knows it), so no pedal is heard from it",
    ]
    assert (list(senders.troubles()), names.asked) == ([], 1)
    names.answer = [SINGER]
    settled(senders, lambda: senders.look(LOOK_AGAIN_NS, missing=True))
    assert senders.of(SINGER, LOOK_AGAIN_NS) == (0,)
    assert names.asked == 2
    # While it is known, and everything is its own, nobody is asked.
    settled(senders, lambda: senders.look(9 * LOOK_AGAIN_NS, missing=True))
    assert (senders.of(SINGER, 9 * LOOK_AGAIN_NS), names.asked) == ((0,), 2)


def test_a_host_that_was_given_another_address_is_found_by_what_it_sends(names: Names) -> None:
    names.answer = [SINGER]
    senders = Senders(9010, {0: "board.local", 1: FIDDLER})
    settled(senders, lambda: senders.look(0))
    names.answer = [OTHER]
    settled(senders, lambda: senders.of(OTHER, LOOK_AGAIN_NS))
    assert senders.strangers == 1
    assert (senders.of(OTHER, LOOK_AGAIN_NS + 1), senders.of(SINGER, LOOK_AGAIN_NS + 2)) == ((0,), ())
    # A name server that fails takes nothing away.
    names.answer = OSError(0, "it is away")
    settled(senders, lambda: senders.of(SINGER, 9 * LOOK_AGAIN_NS))
    assert senders.of(OTHER, 9 * LOOK_AGAIN_NS) == (0,)
    assert "no address" not in "".join(senders.troubles())


def test_a_name_server_that_hangs_is_asked_once_and_holds_nothing_up(names: Names) -> None:
    names.may.clear()
    senders = Senders(9010, {0: "board.local", 1: FIDDLER})
    for second in range(100):
        assert senders.of(SINGER, second * LOOK_AGAIN_NS) == ()
        assert senders.of(FIDDLER, second * LOOK_AGAIN_NS) == (1,)
    assert (names.asked, senders.strangers) == (1, 100)
    names.may.set()
    settled(senders, lambda: None)


def test_who_else_sends_is_told_of_up_to_a_bound() -> None:
    senders = Senders(9010, {0: SINGER})
    for at_ in range(3 * TOLD_MAX):
        assert senders.of(f"10.0.0.{at_}", at_) == ()
    assert senders.strangers == 3 * TOLD_MAX
    assert len(list(senders.troubles())) == TOLD_MAX
