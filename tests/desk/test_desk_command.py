"""`stagectl desk` as a process: over UDP, over a JACK virtual port, and how it ends."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from forked import stagectl
from jack import jack_server as jack_server
from lines import Program, running
from needs import needs, patience
from shipped import profile_of

from stagectl.desk.speak import Speaker
from stagectl.ports.midi import MidiOut, MidiSystem, find_all
from stagectl.wire.osc import build, parse

STAGECTL = (sys.executable, "-m", "stagectl", "desk")
ENDS_S = 1.0
"""A desk that is told to end has ended by then, s."""

NAME = "invented desk"

ANSWERS_S, TRIES = 2.0, 5
"""How long a desk's answer is waited for, s, and how often it is told again."""


@contextmanager
def _desk(*arguments: str) -> Iterator[tuple[Program, str]]:
    """A desk that is ready, and its first line."""
    with running(*STAGECTL, *arguments) as program:
        first = program.line()
        assert first.startswith("ready")
        yield program, first


@contextmanager
def _over_udp(*arguments: str) -> Iterator[tuple[Program, socket.socket]]:
    """A desk that is told decibels, and a socket that speaks to it."""
    rig = ("osc-decibels", "--inputs", "5", "--mixes", "2", "--osc", "127.0.0.1:0")
    with _desk(*rig, *arguments) as (program, first), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.settimeout(10)
        out.connect(("127.0.0.1", int(first.rpartition(":")[2])))
        yield program, out


def _ended(program: Program, number: signal.Signals) -> list[str]:
    """The lines after a signal; it ends in time, with exit code 0 and nothing on stderr."""
    begun = time.monotonic()
    program.process.send_signal(number)
    assert program.process.wait(10) == 0
    assert time.monotonic() - begun < patience(ENDS_S)
    assert program.process.stderr is not None
    assert program.process.stderr.read() == ""
    return program.rest()


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return stagectl("desk", *arguments)


def test_it_says_each_level() -> None:
    with _over_udp() as (program, out):
        out.send(build("/mix/2/from/5", (-12.5,)))
        assert program.line() == "mix 2, input 5: -12.5 dB"
        out.send(b"garbage!")
        out.send(build("/mix/1/whole", (-100.0,)))
        assert program.line() == "mix 1, whole mix: off"
        assert _ended(program, signal.SIGTERM) == [
            "           mix 1     mix 2",
            "input 1      off       off",
            "input 2      off       off",
            "input 3      off       off",
            "input 4      off       off",
            "input 5      off  -12.5 dB",
            "whole mix    off      0 dB",
            "not understood: 1 × not an OSC packet",
        ]


def test_json_has_one_object_a_line() -> None:
    with running(*STAGECTL, "osc-decibels", "--inputs", "2", "--mixes", "1", "--osc", "127.0.0.1:0", "--json") as desk:
        ready = desk.line()
        assert ready.startswith("ready")
        packet = build("/mix/1/from/2", (-12.5,))
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.sendto(packet, ("127.0.0.1", int(ready.rpartition(":")[2])))
        told = {"mix": 1, "input": 2, "level_db": -12.5, "bytes": packet.hex(" ").upper()}
        assert json.loads(desk.line()) == told
        (last,) = _ended(desk, signal.SIGINT)
        assert json.loads(last) == {
            "levels": [
                {"mix": 1, "input": 1, "level_db": "off"},
                {"mix": 1, "input": 2, "level_db": -12.5},
                {"mix": 1, "input": None, "level_db": 0.0},
            ],
            "not_understood": {},
        }


def test_a_question_is_answered_to_whoever_asks() -> None:
    with _over_udp() as (program, out), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.settimeout(10)
        other.connect(out.getpeername())
        out.send(build("/mix/2/from/5", (-12.5,)))
        program.line()
        other.send(build("/ask/mix/2/from/5"))
        assert parse(other.recv(1_000)) == [("/mix/2/from/5", (-12.5,))]
        out.send(build("/ask/mix/2/from/4"))
        assert parse(out.recv(1_000)) == [("/mix/2/from/4", (-100.0,))]


def test_levels_when_they_are_asked_for() -> None:
    with _over_udp("--json") as (program, out):
        out.send(build("/mix/2/from/5", (-3.0,)))
        program.line()
        program.say("levels")
        assert {"mix": 2, "input": 5, "level_db": -3.0} in json.loads(program.line())["levels"]
        program.say("louder")
        assert "levels" in json.loads(program.line())["note"]
        program.say("store 1")
        assert "no stored scenes" in json.loads(program.line())["note"]


def test_the_end_of_its_input_is_not_its_end() -> None:
    with _over_udp() as (program, out):
        assert program.process.stdin is not None
        program.process.stdin.close()
        out.send(build("/mix/2/from/5", (-3.0,)))
        assert program.line() == "mix 2, input 5: -3 dB"
        _ended(program, signal.SIGTERM)


@pytest.mark.ports
def test_liblo_speaks_to_it() -> None:
    needs("oscsend")
    with _over_udp() as (program, out):
        for level, said in (("-12.5", "-12.5 dB"), ("0", "0 dB"), ("-100", "off"), ("7.35", "+7.35 dB")):
            number = str(out.getpeername()[1])
            subprocess.run(("oscsend", "127.0.0.1", number, "/mix/1/from/3", "f", level), check=True, timeout=10)
            assert program.line() == f"mix 1, input 3: {said}"


def test_a_burst_arrives_in_its_order() -> None:
    with _over_udp() as (program, out):
        levels = [step / 10 for step in range(-900, 100, 10)]
        for level in levels:
            out.send(build("/mix/1/from/3", (level,)))
        assert [float(program.line().split()[-2]) for _ in levels] == pytest.approx(levels)


def test_nobody_reads_any_more() -> None:
    """A closed pipe is the end, without a traceback."""
    with _over_udp() as (program, out):
        assert program.process.stdout is not None
        with socket.socket(fileno=out.detach()) as again:
            command = subprocess.Popen(
                (*STAGECTL, "osc-decibels", "--inputs", "1", "--mixes", "1", "--osc", "127.0.0.1:0"),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            )
            assert command.stdout is not None
            assert command.stderr is not None
            with command.stdout, command.stderr:
                port = int(command.stdout.readline().decode().rpartition(":")[2])
                command.stdout.close()
                again.connect(("127.0.0.1", port))
                again.send(build("/mix/1/from/1", (0.0,)))
                assert command.wait(10) == 0
                assert command.stderr.read() == b""


def test_a_reader_that_has_stopped_does_not_keep_it_from_ending() -> None:
    """The pipe is full and nobody takes from it; it ends all the same."""
    command = subprocess.Popen(
        (*STAGECTL, "osc-decibels", "--inputs", "1", "--mixes", "1", "--osc", "127.0.0.1:0", "--json"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert command.stdin is not None
    assert command.stdout is not None
    assert command.stderr is not None
    with command.stdin, command.stdout, command.stderr:
        command.stdout.readline()
        # Each line asks for some 200 bytes; a pipe holds 65,536, and so does the one behind it.
        command.stdin.write(b"levels\n" * 4_000)
        command.stdin.flush()
        begun = time.monotonic()
        command.send_signal(signal.SIGTERM)
        assert command.wait(10) == 0
        assert time.monotonic() - begun < patience(ENDS_S)
        assert command.stderr.read() == b""


@contextmanager
def _over_jack(jack_server: MidiSystem, name: str) -> Iterator[tuple[Program, MidiOut]]:
    """A desk on a virtual port, and a port that speaks to it."""
    rig = (name, "--inputs", "5", "--mixes", "2", "--midi", NAME, "--midi-api", "jack")
    with _desk(*rig, "--json") as (program, _):
        out = jack_server.open_out(find_all(NAME, jack_server.outputs())[0])
        try:
            yield program, out
        finally:
            out.close()


def _arrives(program: Program, out: MidiOut, packets: Sequence[bytes], **wanted: Any) -> None:
    """The desk says a line with these fields. On a busy machine a process misses cycles of JACK, and what came in
    them is lost: the packets are then sent again."""
    for _ in range(TRIES):
        for packet in packets:
            out.send(packet)
        try:
            while not json.loads(program.line(ANSWERS_S)).items() >= wanted.items():
                pass
        except TimeoutError:
            continue
        return
    raise TimeoutError(f"{wanted} was never said")


@pytest.mark.ports
def test_over_a_virtual_midi_port(jack_server: MidiSystem) -> None:
    speaker = Speaker(profile_of("control-change"), range(1, 6), range(1, 3))
    with _over_jack(jack_server, "control-change") as (program, out):
        # Socket 5 of mix 2 is controller 20 on channel 2; GM2's 64 is -11.9 dB.
        _arrives(program, out, [bytes.fromhex("B1 14 40")], mix=2, input=5, level_db=-11.9, bytes="B1 14 40")
        program.say("store 3")
        program.until(lambda line: json.loads(line).get("scene") == 3)
        _arrives(program, out, speaker.say(2 * 6 - 2, 0), mix=2, input=5, level_db=0.0)
        _arrives(program, out, speaker.stored(3), mix=2, input=5, level_db=-11.9, bytes="CF 02")
        last = json.loads(_ended(program, signal.SIGTERM)[-1])
        assert {"mix": 2, "input": 5, "level_db": -11.9} in last["levels"]


@pytest.mark.ports
@pytest.mark.parametrize("name", ["control-pair", "nrpn", "sysex"])
def test_every_kind_of_message_over_a_virtual_midi_port(jack_server: MidiSystem, name: str) -> None:
    profile = profile_of(name)
    speaker = Speaker(profile, range(1, 6), range(1, 3))
    level = profile.send.law().grid.nearest(-1_234, 2_000)
    assert isinstance(level, int)
    with _over_jack(jack_server, name) as (program, out):
        _arrives(program, out, speaker.say(2 * 6 - 2, level), mix=2, input=5, level_db=level / 100)


RIG = ("--inputs", "4", "--mixes", "2")


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("osc-decibels", *RIG, "--midi", "x"), 2, "speaks OSC: give --osc HOST:PORT (and no --midi)"),
        (("control-change", *RIG, "--osc", "127.0.0.1:0"), 2, "speaks MIDI: give --midi NAME (and no --osc)"),
        (("osc-decibels", *RIG), 2, "speaks OSC: give --osc HOST:PORT"),
        (("osc-decibels", *RIG, "--osc", "127.0.0.1:0", "--midi", "x"), 2, "(and no --midi)"),
        (("osc-decibels", *RIG, "--osc", "here"), 2, "`here` is not HOST:PORT"),
        (("osc-decibels", *RIG, "--osc", "127.0.0.1:65536"), 2, "is not HOST:PORT"),
        (("osc-decibels", *RIG, "--osc", "127.0.0.1:-1"), 2, "is not HOST:PORT"),
        (("control-change", *RIG, "--midi", "stagectl desk"), 2, "never found"),
        (("osc-decibels", "--inputs", "0", "--mixes", "1", "--osc", "127.0.0.1:0"), 2, "--inputs"),
        (("control-change", "--inputs", "4", "--mixes", "17", "--midi", "x"), 2, "channel 17"),
        (("osc-decibel", *RIG, "--osc", "127.0.0.1:0"), 1, "did you mean `osc-decibels`?"),
        (("osc-decibels", *RIG, "--osc", "no-such-host.invalid:9000"), 3, "stagectl: "),
        (("control-change", *RIG, "--midi", "x", "--midi-api", "core"), 3, "stagectl: "),
    ],
)
def test_exit_codes(arguments: tuple[str, ...], code: int, says: str) -> None:
    if arguments[-1] == "core" and sys.platform == "darwin":
        arguments = (*arguments[:-1], "alsa")
    done = _run(*arguments)
    assert done.returncode == code, done.stderr
    assert says in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_port_that_is_taken() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        done = _run("osc-decibels", *RIG, "--osc", f"127.0.0.1:{taken.getsockname()[1]}")
    assert (done.returncode, done.stdout) == (3, "")
    assert "cannot be listened at" in done.stderr


def test_every_fault_of_a_profile_is_printed(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("name: mine\nover: osc\nsend:\n  say: {osc: mix}\n  values: {law: loud}\n", encoding="utf-8")
    done = _run(str(path), *RIG, "--osc", "127.0.0.1:0")
    assert (done.returncode, done.stdout) == (1, "")
    places = [line.split(": ")[0] for line in done.stderr.splitlines()]
    assert places == [f"{path}:4", f"{path}:5"]


def test_a_profile_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    law = "{law: db, lowest: -60, highest: 0, off: -70}"
    path.write_text(
        f"name: mine\nover: osc\nsend:\n  say: {{osc: '/to/{{mix}}/{{input}}'}}\n  values: {law}\n", encoding="utf-8"
    )
    with _desk(str(path), *RIG, "--osc", "127.0.0.1:0") as (program, first):
        assert first.startswith("ready: mine, 4 inputs, 2 mixes, OSC at 127.0.0.1:")
        assert "whole mix" not in "\n".join(_ended(program, signal.SIGTERM))
