"""Links and the watch that looks for them, with ports that come and go in every order."""

from __future__ import annotations

import asyncio
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import DeviceError
from stagectl.live import links
from stagectl.live.links import Gone, LampLink, Link, OutLink, PedalLink, Port
from stagectl.live.watch import REFUSED_S, Watch
from stagectl.ports.midi import find_all
from stagectl.ports.udp import UdpOut
from stagectl.show.rig import LinkedModel


class FakePort:
    """A port that knows whether it was closed."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.open = True

    def send(self, packet: bytes) -> None:
        assert self.open

    def close(self) -> None:
        assert self.open
        self.open = False

    def relax(self) -> None:
        """Nothing waits here."""


class FakeSystem:
    """A MIDI system with whatever ports the test puts there."""

    answers = True

    def __init__(self) -> None:
        self.names: list[str] = []
        self.opened: list[FakePort] = []

    def inputs(self) -> list[str]:
        return list(self.names)

    def outputs(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing to let go of."""


class FakePedal:
    """A pedal's link, as the real one but for the driver."""

    hears = True
    is_midi = True

    def __init__(self, name: str, wants: str, system: FakeSystem) -> None:
        self.name, self.wants, self.system = name, wants, system
        self.port: FakePort | None = None

    @property
    def port_name(self) -> str | None:
        return None if self.port is None else self.port.name

    def seek(self, system: object, names: list[str]) -> FakePort | Gone | None:
        if self.port is not None:
            return None if self.port.name in names else Gone()
        found = find_all(self.wants, names)
        if not found:
            return None
        self.system.opened.append(FakePort(found[0]))
        return self.system.opened[-1]

    def take(self, port: Port) -> None:
        assert isinstance(port, FakePort)
        self.port = port

    def drop(self) -> FakePort | None:
        port, self.port = self.port, None
        return port


def test_the_very_name_goes_before_a_part_of_one() -> None:
    names = ["Pedal board:Port 1 20:0", "pedal", "other:pads2", "pads:in", "pads 2:in 24:0"]
    assert find_all("pedal", names) == ["pedal"]
    assert find_all("PEDAL b", names) == ["Pedal board:Port 1 20:0"]
    assert find_all("port 1", names) == ["Pedal board:Port 1 20:0"]
    # JACK names a port `client:port`, ALSA puts its numbers behind.
    assert find_all("pads", names) == ["pads:in"]
    assert find_all("Pads 2", names) == ["pads 2:in 24:0"]
    assert find_all("pad", names) == ["other:pads2", "pads:in", "pads 2:in 24:0"]
    assert find_all("none", names) == []


@given(st.lists(st.sets(st.sampled_from(["foot 20:0", "foot 24:0", "foot 28:0", "noise 1:0"])), max_size=12))
def test_ports_that_come_and_go(looks: list[set[str]]) -> None:
    """Two pedals of one name: each has at most one port, never the same; a pedal is here exactly while a port of its
    name is free for it; every port that was opened is closed once, at the latest in the end."""

    async def live() -> None:
        system = FakeSystem()
        pedals = [FakePedal(name, "foot", system) for name in ("left", "right")]
        here: dict[str, bool] = {"left": False, "right": False}
        said: list[str] = []

        def changed(link: Link, now: bool) -> None:
            assert here[link.name] is not now
            here[link.name] = now

        watch = Watch(pedals, "auto", changed, said.append)  # type: ignore[arg-type]
        watch._system = system  # type: ignore[assignment]
        for names in looks:
            system.names = sorted(names)
            # A port that went is let go of in one look, and another may be found in the next.
            for _ in range(2):
                await watch.look()
            feet = [name for name in sorted(names) if "foot" in name]
            held = [pedal.port_name for pedal in pedals if pedal.port_name is not None]
            assert len(set(held)) == len(held) == min(2, len(feet))
            assert set(held) <= set(feet)
            assert [here[pedal.name] for pedal in pedals] == [pedal.port is not None for pedal in pedals]
            assert any("fits 2 ports" in line or "fits 3 ports" in line for line in said) or len(feet) < 2
        watch.close()
        assert [port for port in system.opened if port.open] == []

    asyncio.run(live())


def test_what_a_look_opened_that_was_given_up_is_closed_in_the_end() -> None:
    """A night may end while the watching thread is opening a port."""
    begun, goes_on = threading.Event(), threading.Event()

    class Slow(FakePedal):
        def seek(self, system: object, names: list[str]) -> FakePort | Gone | None:
            begun.set()
            assert goes_on.wait(10)
            return super().seek(system, names)

    async def live() -> None:
        system = FakeSystem()
        system.names = ["foot"]
        pedal = Slow("left", "foot", system)
        watch = Watch([pedal], "auto", lambda *_: None, pytest.fail)  # type: ignore[list-item]
        watch._system = system  # type: ignore[assignment]
        looking = asyncio.ensure_future(watch.look())
        await asyncio.to_thread(begun.wait, 10)
        looking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await looking
        goes_on.set()
        watch.close()
        assert pedal.port is None
        assert [port.open for port in system.opened] == [False]

    asyncio.run(live())


class FakeWires:
    """The part of a MIDI system that links open ports with."""

    def open_in(self, name: str, _heard: object) -> FakePort:
        return FakePort(name)

    def open_out(self, name: str) -> FakePort:
        return FakePort(name)


def looked(link: Link, names: list[str]) -> str | Gone | None:
    """One look, as the watch does it: the port that is held then, or that it has gone, or that nothing is new."""
    port = link.seek(FakeWires(), names)  # type: ignore[arg-type]
    if port is None:
        return None
    if isinstance(port, Gone):
        link.drop()
        return port
    # As the ports of the fake are of no kind, they are held as they are.
    link._port = port  # type: ignore[attr-defined]
    return port.name


def two_boards() -> tuple[list[PedalLink], list[LampLink]]:
    model = LinkedModel.model_construct(port="foot", host=None)
    pedals = [PedalLink(name, "foot", lambda _packet, _at: None) for name in ("left", "right")]
    return pedals, [LampLink(f"lamps of {pedal.name}", model, pedal, which) for which, pedal in enumerate(pedals)]


def test_lamps_are_at_the_very_port_of_their_pedal() -> None:
    """ALSA gives the two directions of a device one name; the second of two alike keeps its own, whatever goes."""
    (left, right), (left_lamps, right_lamps) = two_boards()
    names = ["foot 20:0", "foot 24:0"]
    assert looked(left_lamps, names) is None
    assert looked(left, ["foot 24:0"]) == "foot 24:0"
    assert looked(right, ["foot 20:0"]) == "foot 20:0"
    assert looked(left_lamps, names) == "foot 24:0"
    assert looked(right_lamps, names) == "foot 20:0"
    # The left one is unplugged, and comes back as another port.
    assert isinstance(looked(left, ["foot 20:0"]), Gone)
    assert isinstance(looked(left_lamps, ["foot 20:0"]), Gone)
    assert looked(right, ["foot 20:0"]) is looked(right_lamps, ["foot 20:0"]) is None
    assert looked(left, ["foot 28:0"]) == "foot 28:0"
    assert looked(left_lamps, ["foot 20:0", "foot 28:0"]) == "foot 28:0"


def test_where_the_directions_have_names_of_their_own_the_order_tells() -> None:
    (left, right), (left_lamps, right_lamps) = two_boards()
    assert looked(left, ["foot (capture) 1"]) == "foot (capture) 1"
    assert looked(right, ["foot (capture) 2"]) == "foot (capture) 2"
    outputs = ["foot (playback) 1", "foot (playback) 2"]
    assert looked(right_lamps, outputs[:1]) is None
    assert looked(left_lamps, outputs) == outputs[0]
    assert looked(right_lamps, outputs) == outputs[1]


def test_lamps_go_with_their_pedal() -> None:
    """A pedal whose port went has lamps that nobody knows of, even where its output is still listed."""
    (left, _), (lamps, _) = two_boards()
    assert looked(left, ["foot"]) == "foot"
    assert looked(lamps, ["foot"]) == "foot"
    assert isinstance(looked(left, []), Gone)
    assert isinstance(looked(lamps, ["foot"]), Gone)
    assert looked(lamps, ["foot"]) is None


def test_lamps_at_a_port_or_host_of_their_own_wait_for_no_pedal() -> None:
    own = LampLink("lamps", LinkedModel.model_construct(port="lamps", host=None))
    assert looked(own, ["foot", "lamps"]) == "lamps"
    assert isinstance(looked(own, ["foot"]), Gone)


def test_a_host_that_could_not_be_sent_to_is_left_alone_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    """A packet that no network carries is refused by the system; its address is found all the same, at once."""
    now = [100.0]
    monkeypatch.setattr("stagectl.live.links.time.monotonic", lambda: now[0])
    link = OutLink("desk", LinkedModel.model_validate({"host": "127.0.0.1:9"}))
    for _ in range(2):
        port = link.seek(None, ())
        assert isinstance(port, UdpOut)
        link.take(port)
        assert link.seek(None, ()) is None
        with pytest.raises(DeviceError):
            link.send(b"x" * 70_000)
        dropped = link.drop()
        assert isinstance(dropped, UdpOut)
        dropped.close()
        assert link.seek(None, ()) is None
        now[0] += links.TRY_AGAIN_S


def test_a_host_that_falls_silent_may_have_another_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """Names of hosts move from one address to another (leases end); those for documentation are of RFC 5737."""
    now, known = [100.0], ["192.0.2.1"]

    class Looked:
        def __init__(self, host: str, port: int) -> None:
            assert host == "desk.invalid"
            self.found = (2, (known[0], port)) if known else None

        def result(self, _wait_s: float) -> object:
            if self.found is None:
                raise DeviceError("the OSC host `desk.invalid` is not known")
            return self.found

    monkeypatch.setattr(links, "Lookup", Looked)
    monkeypatch.setattr("stagectl.live.links.time.monotonic", lambda: now[0])
    link = OutLink("desk", LinkedModel.model_validate({"host": "desk.invalid:9"}))
    held = link.seek(None, ())
    assert isinstance(held, UdpOut)
    link.take(held)
    known[0] = "192.0.2.2"
    assert link.seek(None, ()) is None, "one that answers is left alone"
    link.doubted = True
    known.clear()
    assert link.seek(None, ()) is None, "a name server that does not know it any more ends nothing"
    known.append("192.0.2.2")
    assert link.seek(None, ()) is None, "it is not asked all the time"
    now[0] += links.TRY_AGAIN_S
    assert isinstance(link.seek(None, ()), Gone)
    held.close()
    link.drop()
    now[0] += links.TRY_AGAIN_S
    anew = link.seek(None, ())
    assert isinstance(anew, UdpOut) and anew.to == ("192.0.2.2", 9)
    anew.close()


def test_a_port_that_cannot_be_opened_is_left_alone_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each try takes the driver a time in which no press is heard. It is told once, for as long as it lasts."""
    now, tries, busy = [100.0], [0], [True]
    said: list[str] = []

    class Busy(FakePedal):
        def seek(self, system: object, names: list[str]) -> FakePort | Gone | None:
            tries[0] += 1
            if busy[0]:
                raise DeviceError("`foot` is somebody else's")
            return super().seek(system, names)

    monkeypatch.setattr("stagectl.live.watch.time.monotonic", lambda: now[0])

    async def live() -> None:
        system = FakeSystem()
        system.names = ["foot"]
        pedal = Busy("left", "foot", system)
        watch = Watch([pedal], "auto", lambda *_: None, said.append)  # type: ignore[list-item]
        watch._system = system  # type: ignore[assignment]
        for _ in range(30):
            await watch.look()
            now[0] += REFUSED_S / 10
        assert tries[0] == 3
        assert said == ["left: `foot` is somebody else's"]
        busy[0] = False
        now[0] += REFUSED_S
        await watch.look()
        assert pedal.port_name == "foot"
        watch.close()

    asyncio.run(live())


@pytest.mark.parametrize("answers", [True, False])
def test_ports_that_were_opened_early_are_let_go_of_unless_their_system_has_died(answers: bool) -> None:
    """Closing a client of a dead server would hold everything up."""
    closed = []

    class Early(FakeSystem):
        def close_early(self) -> None:
            closed.append(self)

    async def live() -> None:
        system = Early()
        system.answers = answers
        pedal = FakePedal("left", "foot", system)
        watch = Watch([pedal], "none", lambda *_: None, print, system)  # type: ignore[list-item, arg-type]
        await watch.look()
        await watch.look()
        assert closed == ([system] if answers else [])
        watch.close()

    asyncio.run(live())


def test_a_port_that_may_be_meant_is_known_until_the_right_one_comes() -> None:
    async def live() -> None:
        system = FakeSystem()
        pedal, other = FakePedal("left", "Foot Bord", system), FakePedal("right", "wah", system)
        watch = Watch([pedal, other], "auto", lambda *_: None, print)  # type: ignore[list-item]
        watch._system = system  # type: ignore[assignment]
        assert watch.near(pedal) is None  # type: ignore[arg-type]
        system.names = ["Through", "foot board 1"]
        await watch.look()
        assert [watch.near(one) for one in (pedal, other)] == ["foot board 1", None]  # type: ignore[arg-type]
        system.names = ["Foot Bord", "foot board 1"]
        await watch.look()
        assert pedal.port_name == "Foot Bord"
        assert watch.near(pedal) is None  # type: ignore[arg-type]
        watch.close()

    asyncio.run(live())
