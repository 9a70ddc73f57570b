"""A night from end to end with nothing of ours in the middle: a virtual JACK port plays the pedals, `stagectl run` is a
process of its own, and `jack_midi_dump` judges what the desk hears. The rehearsal of the same presses, the journal and
the desk's bytes have to tell the same story, press by press.

JACK loses a MIDI message now and then when the machine is late (it counts an xrun). A press that was lost is sent
again, as a foot would; of the desk's bytes a few may be missing. The levels of each send have to come in their order,
and to end where the rehearsal does. Those of several sends are in its order only where the daemon was never late: of
what has come due at once only the last level of each is told, and what falls first.
"""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml
from free_ports import free_port
from jack import jack_server as jack_server
from lines import Program
from needs import needs, patience
from nights import by_press, playing, quick_copy, told

from stagectl.ports.midi import MidiSystem

pytestmark = [pytest.mark.ports, pytest.mark.slow]

LOST_MAX = 5
"""Sends that do not end where they should, of some thousand messages; JACK's own losses, not ours."""

NIGHTS_MAX = 3
"""On a machine that is busy with other things, a night with more losses is played again."""

CONTROLS = {"left": 80, "right": 81, "switch": 82, "treadle": 11}


class Foot(NamedTuple):
    """One thing that a foot does."""

    pedal: str
    control: str
    happens: str


NIGHT = [
    *(Foot("drum pedal", "left", "press") for _ in range(3)),
    Foot("vocal pedal", "switch", "press"),
    Foot("vocal pedal", "switch", "double press"),
    Foot("drum pedal", "right", "press"),
    Foot("drum pedal", "left", "press"),
    Foot("vocal pedal", "treadle", "turn to 127"),
    Foot("vocal pedal", "treadle", "turn to 84"),
    Foot("vocal pedal", "treadle", "turn to 60"),
    Foot("drum pedal", "left", "hold"),
    Foot("vocal pedal", "switch", "hold"),
    *(Foot("drum pedal", "left", "press") for _ in range(8)),
    *(Foot("vocal pedal", "switch", "press") for _ in range(4)),
    *(Foot("drum pedal", "left", "press") for _ in range(8)),
]


def script(show: Path) -> Path:
    """The night as a press script, each thing long after the one before is over."""
    presses = [{"at": 10 * at, **foot._asdict()} for at, foot in enumerate(NIGHT, 1)]
    path = show / "night.yaml"
    path.write_text(yaml.safe_dump({"presses": presses}))
    return path


class Feet:
    """The pedals, on bare virtual ports; and one for the track player, which only has to be there."""

    def __init__(self) -> None:
        import rtmidi

        self.tracks = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="boxes")
        self.tracks.open_virtual_port("tracks")
        self.ports = {}
        for name in ("drum pedal", "vocal pedal"):
            self.ports[name] = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"feet {name}")
            self.ports[name].open_virtual_port("out")
        self._open = [self.tracks, *self.ports.values()]

    def down(self, foot: Foot) -> None:
        self._say(foot, 127)

    def up(self, foot: Foot) -> None:
        self._say(foot, 0)

    def turn(self, foot: Foot) -> None:
        self._say(foot, int(foot.happens.rpartition(" ")[2]))

    def _say(self, foot: Foot, value: int) -> None:
        self.ports[foot.pedal].send_message([0xB0, CONTROLS[foot.control], value])

    def close(self) -> None:
        """Take them away; once they are, nothing."""
        for port in self._open:
            port.close_port()
            port.delete()
        self._open = []


@contextmanager
def judge(name: str) -> Iterator[Program]:
    """`jack_midi_dump`, whose port the daemon takes for the desk."""
    program = Program(["stdbuf", "-oL", "jack_midi_dump", name])
    try:
        yield program
    finally:
        program.close(signal.SIGINT)


def heard(judge: Program, count: int) -> list[str]:
    """Up to so many messages, as the judge prints them; fewer if JACK lost some."""
    found: list[str] = []
    while len(found) < count:
        try:
            line = judge.line(1.5)
        except TimeoutError:
            break
        found.append(" ".join(part for part in line.split(":", 1)[1].split("control")[0].upper().split()))
    return found


def gesture_of(line: str) -> str | None:
    """The gesture that a line of the daemon tells, if it tells one."""
    return line.rsplit(", ", 1)[1].rstrip(")") if line.endswith(("press)", "hold)", "turn)")) else None


def do(foot: Foot, feet: Feet, daemon: Program) -> None:
    """Do it, and again what JACK lost, until the daemon tells that it understood."""
    for _ in range(5):
        if foot.happens.startswith("turn"):
            feet.turn(foot)
        else:
            feet.down(foot)
            if foot.happens != "hold":
                feet.up(foot)
            if foot.happens == "double press":
                feet.down(foot)
                feet.up(foot)
        try:
            while True:
                if gesture_of(daemon.line(1.5)) is not None:
                    feet.up(foot) if foot.happens == "hold" else None
                    return
        except TimeoutError:
            feet.up(foot)
    raise AssertionError(f"{foot} was never understood")


def wait_for_port(system: MidiSystem, name: str) -> str:
    """The judge's port, when it is there."""
    limit = time.monotonic() + 10
    while time.monotonic() < limit:
        found = [port for port in system.outputs() if name in port]
        if found:
            return found[0]
    raise AssertionError(f"no port {name}")


def is_here(name: str) -> Callable[[str], bool]:
    """Whether a line says that a port has been found."""
    return lambda line: f"{name} is here" in line


def play_once(show: Path, journal: Path, rehearsed: list[dict[str, Any]], system: MidiSystem) -> int:
    """Play the night live, and give of how many sends JACK lost the last level after a press."""
    messages = by_press([one for one in rehearsed if one.get("to") == "desk"], "message")
    presses = sorted({one["press"] for one in rehearsed if one["kind"] in ("press", "refusal")})
    assert len(presses) == len(NIGHT)
    lost = 0
    with closing(Feet()) as feet, judge("judged-desk") as desk:
        wait_for_port(system, "judged-desk")
        with playing(show, journal, "--midi-api", "jack") as daemon:
            ready = daemon.until(lambda line: line.startswith("ready"))
            assert "desk" not in ready, ready
            for name in (name for name in feet.ports if name in ready):
                # JACK was late; it is looked again.
                daemon.until(is_here(name))
            for foot, press in zip(NIGHT, presses, strict=True):
                do(foot, feet, daemon)
                expected = [one["bytes"] for one in messages.get(press, [])]
                came = heard(desk, len(expected))
                lost += sum(last != lasts(came).get(send) for send, last in lasts(expected).items())
                assert missing_only(came, expected), (press, foot)
            daemon.process.send_signal(signal.SIGTERM)
            assert daemon.process.wait(10) == 0
    return lost


def test_rehearsal_journal_and_desk_tell_the_same_story(tmp_path: Path, jack_server: MidiSystem) -> None:
    needs("jack_midi_dump", "stdbuf")
    show = quick_copy("nine-songs", tmp_path, **{"port: desk": "port: judged-desk"})
    rehearsed = told("rehearse", str(show), "--presses", str(script(show)))
    lost = []
    for night in range(NIGHTS_MAX):
        journal = tmp_path / f"live {night}.night"
        lost.append(play_once(show, journal, rehearsed, jack_server))
        assert not Path(f"{journal}-wal").exists()
        lived = told("log", "--journal", str(journal))
        for kind in ("press", "change", "refusal", "arrival", "cue", "told"):
            live, dry = by_press(lived, kind), by_press(rehearsed, kind)
            assert renumbered(live, lived) == renumbered(dry, rehearsed), kind
        if lost[-1] <= LOST_MAX:
            return
    raise AssertionError(f"of the last levels of sends, {lost} were lost in {NIGHTS_MAX} nights")


def renumbered(found: dict[int, list[dict[str, Any]]], story: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """The objects press by press, without the presses' numbers, and without what a lost message left behind."""
    noise = {one["press"] for one in story if one.get("reason", "").startswith("it was")}
    return [
        [{key: value for key, value in one.items() if key != "press"} for one in some]
        for press, some in sorted(found.items())
        if press not in noise
    ]


def missing_only(came: list[str], expected: list[str]) -> bool:
    """Whether what came is what was expected, that of each send in its order, with at most some of it missing."""
    by_send = {send: [*ones] for send, ones in groupby(sorted(expected, key=send_of), send_of)}
    rest = {send: iter(ones) for send, ones in by_send.items()}
    return all(one in rest.get(send_of(one), ()) for one in came)


def lasts(messages: list[str]) -> dict[str, str]:
    """The last message for each send."""
    return {send_of(one): one for one in messages}


def send_of(message: str) -> str:
    """What a control change is for: its channel and controller, as the judge prints them."""
    return message.rpartition(" ")[0]


def test_a_pedal_and_a_desk_that_come_late_are_served(tmp_path: Path, jack_server: MidiSystem) -> None:
    needs("jack_midi_dump", "stdbuf")
    show = quick_copy("nine-songs", tmp_path, **{"port: desk": "port: late-desk"})
    with playing(show, tmp_path / "late.night", "--midi-api", "jack") as daemon:
        assert "waiting for" in daemon.until(lambda line: line.startswith("ready"))
        with closing(Feet()) as feet:
            daemon.until(lambda line: "drum pedal is here" in line)
            daemon.until(lambda line: "vocal pedal is here" in line)
            do(NIGHT[0], feet, daemon)
            daemon.until(lambda line: "80 levels of 5 listeners" in line)
            with judge("late-desk") as desk:
                daemon.until(lambda line: "desk is here" in line)
                # What was asked for while the desk was away is asked for now, whole.
                came = heard(desk, 80)
                assert len(came) >= 80 - LOST_MAX
                # The sockets' controllers of the rig's sixteen inputs, on the channels of its five mixes.
                assert {one.split()[0] for one in came} == {"B0", "B1", "B2", "B3", "B4"}
            daemon.until(lambda line: "desk is gone" in line)
            do(Foot("vocal pedal", "switch", "press"), feet, daemon)
            feet.close()
            daemon.until(lambda line: "drum pedal is gone" in line)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_night_within_a_second(tmp_path: Path, number: signal.Signals) -> None:
    show = quick_copy("three-songs", tmp_path, **{"9000": str(free_port()), "9010": str(free_port())})
    journal = tmp_path / "short.night"
    with playing(show, journal) as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        began = time.monotonic()
        daemon.process.send_signal(number)
        assert daemon.process.wait(10) == 0
        assert time.monotonic() - began < patience(1)
    assert journal.exists()
    assert not Path(f"{journal}-wal").exists()


def test_without_any_midi_it_says_so_and_waits(tmp_path: Path) -> None:
    show = quick_copy("nine-songs", tmp_path)
    if shutil.which("jackd") is None and not Path("/dev/snd/seq").exists():
        pytest.skip("this machine has no MIDI system that could be missing")
    with playing(show, tmp_path / "none.night", "--midi-api", "windows") as daemon:
        assert "waiting for" in daemon.until(lambda line: line.startswith("ready"))
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
        assert daemon.process.stderr is not None
        assert "no MIDI system `windows`" in daemon.process.stderr.read()
