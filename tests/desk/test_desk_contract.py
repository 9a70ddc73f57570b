"""The contract of every shipped profile on real ports: a rig that speaks and hears over UDP and over JACK MIDI, and the
virtual desk as a process at the other end.

What is told arrives, what is asked is answered, what a hand does is reported, a stored scene is recalled, and nothing
is misunderstood on either side. Bytes over OSC are judged by liblo (`oscsend`, `oscdump`) besides.
"""

from __future__ import annotations

import json
import queue
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

import pytest
from jack import jack_server as jack_server
from lines import Program, running
from needs import needs
from shipped import INVENTED, SHIPPED, path_of, profile_of

from stagectl.core.levels import Level, as_db
from stagectl.desk.meaning import FINE_ALONE, NO_PARAMETER
from stagectl.desk.speak import Speaker
from stagectl.desk.talk import DeskTalk, Said
from stagectl.ports.midi import MidiSystem, find_all
from stagectl.wire.osc import parse

STAGECTL = (sys.executable, "-m", "stagectl", "desk")
INPUTS, MIXES = 5, 2
RIG = ("--inputs", str(INPUTS), "--mixes", str(MIXES), "--json")
NAME = "invented desk"

ANSWER_S, TRIES = 0.5, 20
"""How long an answer is waited for, s, and how often something is said again: JACK loses MIDI on a busy machine."""

OVER_OSC = [name for name in [*SHIPPED, "osc-arguments", "osc-text"] if profile_of(name).over == "osc"]
OVER_MIDI = [name for name in SHIPPED if profile_of(name).over == "midi"]


class Rig:
    """One end of a wire with a desk at the other: what is sent, and what is heard."""

    def __init__(self, name: str, program: Program, send: Callable[[bytes], None], heard: Callable[[], bytes]) -> None:
        profile = profile_of(name)
        self.talk = DeskTalk(profile, range(1, INPUTS + 1), range(1, MIXES + 1))
        self.speaker = Speaker(profile, range(1, INPUTS + 1), range(1, MIXES + 1))
        self.profile, self.program, self._send, self._heard = profile, program, send, heard

    def line(self, **wanted: Any) -> dict[str, Any]:
        """The next line of the desk with these fields."""
        found: dict[str, Any] = json.loads(self.program.until(lambda line: json.loads(line).items() >= wanted.items()))
        return found

    def say(self, packets: Sequence[bytes], done: Callable[[], bool]) -> None:
        """Packets, again and again until they have done what they should."""
        for _ in range(TRIES):
            for packet in packets:
                self._send(packet)
            if done():
                return
        raise TimeoutError(f"{packets!r} did nothing")

    def hears(self, said: Said) -> bool:
        """Whether the desk says that. What comes before it is passed over."""
        with suppress(queue.Empty, TimeoutError):
            while said not in self.talk.hear(self._heard()):
                pass
            return True
        return False

    def stands(self, send: int, level: Level) -> bool:
        """Whether the desk's process says that it was told a level."""
        listener, column = divmod(send, INPUTS + 1)
        wanted = {
            "mix": listener + 1,
            "input": column + 1 if column < INPUTS else None,
            "level_db": as_db(level),
        }
        with suppress(TimeoutError):
            while not json.loads(self.program.line(ANSWER_S)).items() >= wanted.items():
                pass
            return True
        return False


@contextmanager
def _over_udp(name: str) -> Iterator[Rig]:
    with (
        running(*STAGECTL, path_of(name), *RIG, "--osc", "127.0.0.1:0") as program,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out,
    ):
        out.settimeout(ANSWER_S)
        out.connect(("127.0.0.1", int(program.line().rpartition(":")[2])))
        yield Rig(name, program, lambda packet: _sent(out, packet), lambda: out.recv(4_096))


def _sent(out: socket.socket, packet: bytes) -> None:
    out.send(packet)


@contextmanager
def _over_jack(system: MidiSystem, name: str) -> Iterator[Rig]:
    heard: queue.Queue[bytes] = queue.Queue()
    with running(*STAGECTL, path_of(name), *RIG, "--midi", NAME, "--midi-api", "jack") as program:
        program.line()
        out = system.open_out(find_all(NAME, system.outputs())[0])
        back = None
        if profile_of(name).answers is not None:
            back = system.open_in(find_all(NAME, system.inputs())[0], lambda packet, _: heard.put(packet))
        try:
            yield Rig(name, program, out.send, lambda: heard.get(timeout=ANSWER_S))
        finally:
            out.close()
            if back is not None:
                back.close()


def _contract(rig: Rig) -> None:
    talk, speaker = rig.talk, rig.speaker
    sends = [0, INPUTS - 1, INPUTS + 1] + ([2 * INPUTS + 1] if rig.profile.whole_mix is not None else [])
    levels = {}
    for at, send in enumerate(sends):
        part = rig.profile.send if send % (INPUTS + 1) < INPUTS else rig.profile.whole_mix
        assert part is not None
        steps = part.law().grid.steps
        levels[send] = steps[(at + 1) * len(steps) // 6]
    if talk.subscribe():
        # Whether it was heard is seen by the first report.
        rig.say(talk.subscribe(), lambda: True)
    for send, level in levels.items():
        rig.say(speaker.say(send, level), partial(rig.stands, send, level))
        if talk.echoes:
            rig.say(speaker.say(send, level), partial(rig.hears, Said(send, level)))
        if talk.ask(send):
            rig.say(talk.ask(send), partial(rig.hears, Said(send, level)))
    if talk.ask_all():
        rig.say(talk.ask_all(), lambda: rig.hears(Said(*list(levels.items())[-1])))
    if talk.reports:
        _hand(rig, levels)
    if rig.profile.stored_scene is not None:
        _scene(rig, levels)
    rig.program.process.send_signal(signal.SIGTERM)
    (last,) = [json.loads(line) for line in rig.program.rest()][-1:]
    # Over JACK half a parameter may be lost on a busy machine; nothing else is ever misunderstood.
    lost = {NO_PARAMETER, FINE_ALONE} if rig.profile.over == "midi" else set()
    assert set(last["not_understood"]) <= lost
    assert set(talk.counted) <= lost


def _hand(rig: Rig, levels: dict[int, int]) -> None:
    """A hand moves a level: it is reported, and adopted by nobody but the desk."""
    law = rig.profile.send.law()
    level = law.grid.nearest(-600, law.grid.highest)

    def moved() -> bool:
        rig.program.say(f"move 1 1 {as_db(level)}")
        return rig.hears(Said(0, level))

    rig.say(rig.talk.subscribe(), moved)
    levels[0] = level if isinstance(level, int) else 0


def _scene(rig: Rig, levels: dict[int, int]) -> None:
    """A stored scene brings back what was there, and reports it where the desk reports."""
    rig.program.say("store 3")
    rig.line(scene=3)
    before = levels[0]
    steps = rig.profile.send.law().grid.steps
    rig.say(rig.speaker.say(0, steps[1]), lambda: rig.stands(0, steps[1]))
    done = rig.hears if rig.talk.reports else None
    rig.say(rig.speaker.stored(3), lambda: rig.stands(0, before))
    if done is not None:
        rig.say(rig.speaker.say(0, steps[1]), lambda: rig.stands(0, steps[1]))
        rig.say(rig.speaker.stored(3), lambda: rig.hears(Said(0, before)))


@pytest.mark.parametrize("name", OVER_OSC)
def test_over_udp(name: str) -> None:
    with _over_udp(name) as rig:
        _contract(rig)


@pytest.mark.ports
@pytest.mark.parametrize("name", OVER_MIDI)
def test_over_jack(jack_server: MidiSystem, name: str) -> None:
    with _over_jack(jack_server, name) as rig:
        _contract(rig)


@pytest.mark.ports
@pytest.mark.parametrize("name", ["osc-decibels", "osc-arguments", "osc-text"])
def test_liblo_judges_what_is_said(name: str) -> None:
    """What liblo sends is what we say, and what we say liblo reads."""
    needs("oscsend", "oscdump")
    profile = profile_of(name)
    law = profile.send.law()
    level = law.grid.nearest(-1_250, law.grid.highest)
    (packet,) = profile.send.say.packets(3, 2, law.code(level))
    (message,) = parse(packet)
    types, words = _liblo(message.arguments)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.bind(("127.0.0.1", 0))
        here.settimeout(10)
        port = str(here.getsockname()[1])
        subprocess.run(("oscsend", "127.0.0.1", port, message.address, types, *words), check=True, timeout=10)
        assert here.recv(4_096) == packet
    free = _free_port()
    with running("oscdump", "-L", str(free)) as dump, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        said = _until_dumped(dump, out, free, packet)
        assert said.split()[1:3] == [message.address, types]


def _liblo(arguments: Sequence[Any]) -> tuple[str, list[str]]:
    """The type tags of a message, and the words by which oscsend is given its arguments."""
    types, words = "", []
    for one in arguments:
        if isinstance(one, bool):
            types += "T" if one else "F"
        else:
            types += "i" if isinstance(one, int) else "f" if isinstance(one, float) else "s"
            words.append(str(one))
    return types, words


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


def _until_dumped(dump: Program, out: socket.socket, port: int, packet: bytes) -> str:
    """The packet, again and again until oscdump listens and has printed it."""
    for _ in range(50):
        with suppress(OSError):
            out.sendto(packet, ("127.0.0.1", port))
        with suppress(TimeoutError):
            return dump.line(0.2)
    raise TimeoutError("oscdump printed nothing")


def test_the_process_moves_recalls_and_loses_its_power() -> None:
    with _over_udp("osc-decibels") as rig:
        rig.program.say("move 2 whole -6 dB")
        assert rig.line(by="hand") == {"mix": 2, "input": None, "level_db": -6.0, "by": "hand"}
        rig.program.say("power off")
        rig.line(power="off")
        rig.program.say("move 1 1 0")
        assert "off" in rig.line()["note"]
        rig.program.say("power on")
        rig.line(power="on")
        for wrong in (
            "move 9 1 0",
            "move 1 1 loud",
            "move 1",
            "move one 1 0",
            "recall 1 2",
            "power maybe",
            "levels all",
        ):
            rig.program.say(wrong)
            assert rig.line().keys() == {"note"}
        rig.program.say("levels")
        assert {"mix": 2, "input": None, "level_db": 0.0} in rig.line()["levels"]


def test_the_process_has_faults_by_seed() -> None:
    """Everything is lost, and the desk says nothing."""
    arguments = ("osc-decibels", *RIG, "--osc", "127.0.0.1:0", "--faults", "loss 100%, delay 5 ms", "--seed", "3")
    with running(*STAGECTL, *arguments) as program, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.connect(("127.0.0.1", int(program.line().rpartition(":")[2])))
        talk = DeskTalk(profile_of("osc-decibels"), [1], [1])
        for _ in range(20):
            out.send(talk.ask(0)[0])
        program.say("levels")
        assert set(json.loads(program.line())) == {"levels", "not_understood"}
        out.setblocking(False)
        with pytest.raises(BlockingIOError):
            out.recv(100)


def test_faults_that_are_none_are_wrong_usage() -> None:
    done = subprocess.run(
        (*STAGECTL, "osc-decibels", *RIG, "--osc", "127.0.0.1:0", "--faults", "lost 1%"),
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 2
    assert "did you mean `loss`" in done.stderr


def test_every_profile_is_tried_somewhere() -> None:
    assert set(OVER_OSC) | set(OVER_MIDI) >= set(SHIPPED)
    assert set(INVENTED)
