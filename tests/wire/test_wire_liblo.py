"""OSC judged by liblo over loopback UDP: its `oscdump` reads what we build, its `oscsend` builds what we read."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator

import pytest
from free_ports import free_port
from lines import Program, running
from needs import needs

from stagectl.show.load import load_profile
from stagectl.wire.osc import Argument, OscMessage, build, parse

pytestmark = pytest.mark.ports

AWAKE_S = 0.05
"""How long to wait for a dump that does not listen yet before it is called again, s."""


@pytest.fixture
def port() -> int:
    """A UDP port that is free just now."""
    return free_port()


@pytest.fixture
def dump(port: int) -> Iterator[Program]:
    """`oscdump` on the port, called until it answers."""
    needs("oscdump")
    with running("oscdump", "-L", str(port)) as program:
        for _ in range(200):
            _send(build("/awake"), port)
            try:
                program.line(AWAKE_S)
                break
            except TimeoutError:
                continue
        yield program


def _send(packet: bytes, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.sendto(packet, ("127.0.0.1", port))


def _dumped(program: Program) -> list[str]:
    """The next message that was dumped, without its time and the calls."""
    return program.until(lambda line: "/awake" not in line).split()[1:]


def test_liblo_reads_what_is_built(dump: Program, port: int) -> None:
    _send(build("/foo", (1000, -1, "hello", 1.234, 5.678)), port)
    assert _dumped(dump) == ["/foo", "iisff", "1000", "-1", '"hello"', "1.234000", "5.678000"]
    _send(build("/flags", (True, False)), port)
    assert _dumped(dump)[:2] == ["/flags", "TF"]
    _send(build("/empty"), port)
    assert _dumped(dump) == ["/empty"]


@pytest.mark.parametrize(("name", "address"), [("osc-decibels", "/mix/2/from/5"), ("osc-travel", "/mix/2/travel/5")])
def test_liblo_reads_the_levels_of_a_desk(dump: Program, port: int, name: str, address: str) -> None:
    send = load_profile(name).send
    law = send.law()
    for level in (law.grid.steps[0], -1_230, 0, law.grid.steps[-1]):
        for packet in send.say.packets(5, 2, law.code(level)):
            _send(packet, port)
        said, tags, value = _dumped(dump)
        assert (said, tags) == (address, "f")
        # The dump prints six digits behind the point.
        assert law.level(float(value)) == level


SENT: list[tuple[str, tuple[str, ...], tuple[Argument, ...]]] = [
    ("", (), ()),
    ("i", ("-7",), (-7,)),
    ("f", ("-12.5",), (-12.5,)),
    ("s", ("hello",), ("hello",)),
    ("S", ("symbol",), ("symbol",)),
    ("h", ("-9000000000",), (-9_000_000_000,)),
    ("d", ("0.1",), (0.1,)),
    ("c", ("A",), (0x41,)),
    ("m", ("00B00764",), (b"\x00\xb0\x07\x64",)),
    ("TFNI", (), (True, False, None, True)),
    ("iTfs", ("1", "0.5", "x"), (1, True, 0.5, "x")),
]


@pytest.mark.parametrize(("tags", "values", "arguments"), SENT)
def test_what_liblo_builds_is_read(tags: str, values: tuple[str, ...], arguments: tuple[Argument, ...]) -> None:
    needs("oscsend")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(10)
        number = str(ear.getsockname()[1])
        subprocess.run(("oscsend", "127.0.0.1", number, "/mix/2/from/5", tags, *values), check=True, timeout=10)
        packet = ear.recv(65_536)
    assert parse(packet) == [OscMessage("/mix/2/from/5", arguments)]


@pytest.mark.skipif(sys.platform == "win32", reason="liblo's programs are not made for Windows")
def test_the_same_bytes_both_ways() -> None:
    needs("oscsend")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(10)
        number = str(ear.getsockname()[1])
        values = ("1000", "-1", "hello", "1.234", "5.678")
        subprocess.run(("oscsend", "127.0.0.1", number, "/foo", "iisff", *values), check=True, timeout=10)
        packet = ear.recv(65_536)
    assert packet == build("/foo", (1000, -1, "hello", 1.234, 5.678))
