"""The process of an output, heard by another client of JACK. JACK loses a message where it is late, so what is heard is
compared with what must have been sent as a part of it, in its order."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from fractions import Fraction
from functools import wraps
from typing import Any, ParamSpec

import pytest
from jack import jack_server as jack_server
from jackd import jackd
from lines import LIMIT_S, Program, running
from needs import needs
from pulse_receiver import CodeReceiver, message_of

from stagectl.core.tempo import BarChange, by_bars

pytestmark = [pytest.mark.ports, pytest.mark.slow]
TRIES = 3
P = ParamSpec("P")


def on_jack(test: Callable[P, None]) -> Callable[P, None]:
    """A test on JACK. On a busy machine and without real-time priority, JACK may come to leave out a new client, which
    then hears or says nothing: so a test in which a message never came is begun anew, with new clients."""

    @pytest.mark.usefixtures("jack_server")
    @wraps(test)
    def tried(*args: P.args, **kwargs: P.kwargs) -> None:
        for _ in range(TRIES - 1):
            with suppress(TimeoutError):
                return test(*args, **kwargs)
        return test(*args, **kwargs)

    return tried


AT_300 = by_bars([BarChange(1, Fraction(300))])
"""120 clocks a second."""

CONTINUES = (bytes((0xF2, 200 & 0x7F, 200 >> 7)), b"\xfb")
"""What begins it 10 s into the song: there are 20 sixteenths a second."""

ENOUGH = 0.8
"""The share of messages that reaches even a busy machine's JACK."""

PROCESS = "from stagectl.tracks.pulse import lookout, process; lookout.LOOK_S = 0.1; process.main()"
"""The process of an output, with less time between two looks."""


LOOKS = """
import sys
from stagectl.tracks.pulse.lookout import Lookout

def found(port): print(f"found: {port is not None}")

looks = Lookout("mortal-ear", "jack", found, print)
for line in sys.stdin:
    looks.look()
    print("looked", flush=True)
"""
"""A process that looks when it is told to."""


class Ear:
    """A port of another client of JACK, which prints what it hears: `   0: f2 10 00`."""

    def __init__(self, program: Program) -> None:
        self._program = program

    def until(self, count: int, *messages: bytes) -> list[bytes]:
        """What is heard until one of the messages has come so often."""
        out: list[bytes] = []
        while sum(map(out.count, messages)) < count:
            out.append(bytes.fromhex(self._program.line().partition(":")[2]))
        return out


@contextmanager
def ear(name: str) -> Iterator[Ear]:
    needs("jack_midi_dump", "stdbuf")
    program = Program(["stdbuf", "-oL", "jack_midi_dump", name])
    try:
        yield Ear(program)
    finally:
        # Then it takes its leave of JACK, which needs seconds to get over a client that is gone without a word.
        program.close(signal.SIGINT)


@contextmanager
def output(port: str, time_code: str | None = None) -> Iterator[Program]:
    with running(sys.executable, "-c", PROCESS) as program:
        order(program, {"port": port, "api": "jack", "clock": True, "time_code": time_code})
        yield program
        assert program.process.stdin is not None
        program.process.stdin.close()
        program.process.wait(LIMIT_S)


def order(program: Program, what: dict[str, Any]) -> None:
    program.say(json.dumps(what))


def run(program: Program, position: int = 0, after: int = 100_000_000) -> None:
    zero = time.monotonic_ns() + after - position
    order(program, {"run": {"tempo": AT_300.plain(), "zero": zero, "position": position}})


def said(program: Program, key: str) -> Any:
    """The next line that says it."""
    return json.loads(program.until(lambda line: key in json.loads(line)))[key]


@on_jack
def test_a_song_from_start_to_the_end_of_its_input() -> None:
    """What is no order costs nothing, and Ctrl-C on the terminal that it shares with others is not meant for it."""
    with ear("pulse-ear") as hears, output("PULSE-EAR") as program:
        assert said(program, "here") is True
        for line in (
            "",
            "nonsense",
            "[1]",
            "{}",
            '{"run": 5}',
            '{"run": {"tempo": {}}}',
            '{"moved": "x"}',
            "ÿ" * 9_999,
        ):
            program.say(line)
        program.process.send_signal(signal.SIGINT)
        run(program)
        hears.until(60, b"\xf8")
        order(program, {"halt": True})
        # A start and sixty clocks, perhaps the stop; more clocks only where JACK lost as many, or was late.
        assert 61 <= said(program, "sent") <= 62 / ENOUGH + 10
        order(program, {"run": {"tempo": None, "zero": time.monotonic_ns(), "position": 0}})
        run(program, 10_000_000_000)
        # Of what begins it, JACK may lose one.
        heard = hears.until(1, b"\xfc", *CONTINUES) + hears.until(1, *CONTINUES) + hears.until(20, b"\xf8")
        assert {packet for packet in heard if packet != b"\xf8"} <= {b"\xfc", *CONTINUES}
        assert program.process.stdin is not None
        program.process.stdin.close()
        assert program.process.wait(LIMIT_S) == 0
        assert program.rest()[-1].startswith('{"sent"')
        hears.until(1, b"\xfc")


@on_jack
def test_time_code_beside_a_clock() -> None:
    receiver = CodeReceiver()
    with ear("pulse-ear") as hears, output("pulse-ear", time_code="30 drop") as program:
        said(program, "here")
        run(program, 59_500_000_000)
        heard = hears.until(120, b"\xf8")
    for at, packet in enumerate(heard):
        if message_of(packet).type in ("sysex", "quarter_frame"):
            receiver.hear(at, packet)
    named = [name for _, name in receiver.names]
    assert named == sorted(named)
    # Some 1 s from there on: 14 names, if JACK lost nothing; each needs eight messages.
    assert len(named) > 4
    assert all(name.startswith(("30 drop: 00:00:5", "30 drop: 00:01:00")) for name in named)


@on_jack
def test_a_port_that_goes_and_comes_back_is_told_where_the_song_is() -> None:
    """It comes back as two; which of them JACK has first is its own affair."""
    with output("pulse-ear") as program:
        with ear("pulse-ear") as hears:
            assert said(program, "here") is True
            run(program)
            hears.until(10, b"\xf8")
        assert said(program, "here") is False
        with ear("pulse-ear-1") as one, ear("pulse-ear-2") as other:
            # Both are told, in any order.
            came: dict[str, Any] = {}
            while came.get("here") is not True or "trouble" not in came:
                came |= json.loads(program.line())
            *fits, taken = re.findall(r"`pulse-ear-(\d):input`", came["trouble"])
            assert sorted(fits) == ["1", "2"]
            heard = {"1": one, "2": other}[taken].until(10, b"\xf8")
    assert {b"\xfc", b"\xfb"} & set(heard)
    assert b"\xfa" not in heard


@on_jack
def test_it_ends_with_its_parent() -> None:
    """Also where that is killed, and can tell nobody. Its standard output, which only it holds, is closed then."""
    code = (
        "import subprocess, sys; "
        "child = subprocess.Popen([sys.executable, '-c', sys.argv[2]], stdin=subprocess.PIPE); "
        "child.stdin.write(sys.argv[1].encode() + b'\\n'); child.stdin.flush(); child.wait()"
    )
    first = json.dumps({"port": "pulse-ear", "api": "jack", "clock": True, "time_code": None})
    with ear("pulse-ear"), running(sys.executable, "-c", code, first, PROCESS) as parent:
        assert said(parent, "here") is True
        parent.process.kill()
        assert parent.rest() == []


@pytest.mark.parametrize("hangs", ["while True: pass", "import ctypes; ctypes.PyDLL(None).sleep(60)"])
def test_a_process_that_hangs_is_ended(hangs: str) -> None:
    """Also where what hangs keeps all of Python from running, as a driver may."""
    code = f"from stagectl.tracks.pulse import process; process.HANGS_S = 0.2; process.watch(); {hangs}"
    run = subprocess.run([sys.executable, "-c", code.replace("; while", "\nwhile")], check=False, timeout=LIMIT_S)
    assert run.returncode == 1


def seen(looks: Program) -> list[str]:
    """What one look brings."""
    looks.say("look")
    return list(iter(looks.line, "looked"))


def test_a_server_that_dies_and_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    needs("jackd", "jack_wait")
    # Always the same name: a killed server leaves its place in the registry taken, until one of that name comes.
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "mortal-pulse")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with output("mortal-ear") as program, running(sys.executable, "-c", LOOKS) as looks:
        said(program, "trouble")
        with server() as jackd, ear("mortal-ear"):
            assert said(program, "here") is True
            assert seen(looks) == ["found: True"]
            assert seen(looks) == []
            run(program)
            jackd.kill()
            jackd.wait(10)
            assert said(program, "here") is False
        with server(), ear("mortal-ear") as hears:
            assert said(program, "here") is True
            # For whoever did not look in between, it is another server all the same.
            assert seen(looks) == ["found: False", "the JACK server is gone; it is waited for"]
            assert seen(looks) == ["found: True"]
            # The track still runs.
            hears.until(1, b"\xf8")
            assert program.process.stdin is not None
            program.process.stdin.close()
            assert program.process.wait(LIMIT_S) == 0


def server() -> AbstractContextManager[subprocess.Popen[bytes]]:
    """A JACK server of our own; the test kills it."""
    return jackd(os.environ["JACK_DEFAULT_SERVER"], frames=512)
