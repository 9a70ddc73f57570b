"""A desk that answers, over real UDP: `stagectl run` and `stagectl desk`, with hands, an outage and a bad wire."""

from __future__ import annotations

import json
import selectors
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from forked import stagectl
from free_ports import free_port
from lines import Program
from nights import STAGECTL, playing, quick_copy, told

from stagectl.wire.osc import build

pytestmark = pytest.mark.ports

THIS_HOST = "127.0.0.1"


class Desk:
    """`stagectl desk`, and what it says."""

    def __init__(self, port: int, *more: str) -> None:
        where = f"{THIS_HOST}:{port}"
        command = (*STAGECTL, "desk", "osc-decibels", "--inputs", "5", "--mixes", "3", "--osc", where, "--json", *more)
        self.program = Program(command)
        self.program.line()

    def say(self, line: str) -> None:
        self.program.say(line)

    def levels(self) -> dict[tuple[int, int | None], float | str]:
        """Every level now, by mix and input."""
        self.say("levels")
        line = self.program.until(lambda line: '"levels"' in line)
        return {(one["mix"], one["input"]): one["level_db"] for one in json.loads(line)["levels"]}

    def close(self) -> None:
        self.program.close()


@contextmanager
def night(folder: Path, *faults: str, fade: str = "0.2", more: str = "") -> Iterator[tuple[Program, Desk, Foot, Path]]:
    """The three songs, played: the daemon, its desk, the foot, the journal. `more`: lines of the rig."""
    desk_port, foot_port = free_port(), free_port()
    show = quick_copy("three-songs", folder, **{"9000": str(desk_port), "9010": str(foot_port)})
    setlist = show / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("fade: 0.2", f"fade: {fade}"))
    rig = show / "rig.yaml"
    rig.write_text(rig.read_text() + more)
    desk = Desk(desk_port, *faults)
    journal = folder / "two-way.night"
    try:
        with playing(show, journal) as daemon, Foot(foot_port) as foot:
            daemon.until(lambda line: line.startswith("ready"))
            yield daemon, desk, foot, journal
    finally:
        desk.close()


class Foot:
    """Presses buttons over OSC."""

    def __init__(self, port: int) -> None:
        self._to = (THIS_HOST, port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def __enter__(self) -> Foot:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def press(self, name: str) -> None:
        for value in (1, 0):
            self._socket.sendto(build(f"/foot/{name}", (value,)), self._to)


def end(daemon: Program, journal: Path) -> list[dict[str, Any]]:
    """The journal of the night, ended."""
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(10) == 0
    return told("log", "--journal", str(journal))


def has(words: str) -> Callable[[str], bool]:
    """Whether a line has these words."""
    return lambda line: words in line


def hands(story: list[dict[str, Any]]) -> list[tuple[str, str, Any, Any]]:
    return [
        (one["listener"], one["input"], one["from_db"], one["to_db"])
        for one in story
        if one["kind"] == "change" and one.get("cause") == "hand"
    ]


def reaches(desk: Desk, wanted: dict[tuple[int, int | None], float | str]) -> None:
    """The desk comes to these levels: those that it has, and then each that it says it was told."""
    levels = desk.levels()
    with suppress(TimeoutError):
        while any(levels[spot] != level for spot, level in wanted.items()):
            said = json.loads(desk.program.line())
            if "level_db" in said:
                levels[said["mix"], said["input"]] = said["level_db"]
    # What it said up to here is over for whoever waits for a line of it.
    levels = desk.levels()
    assert {spot: levels[spot] for spot in wanted} == wanted


def test_the_desk_is_read_first_and_a_hand_is_kept_by_the_next_song(tmp_path: Path) -> None:
    """The rig: the fiddle is input 2; the singer has mix 1. The Ferry Waltz shifts the base's -12 dB up by 2."""
    with night(tmp_path) as (daemon, desk, foot, journal):
        foot.press("on")
        daemon.until(lambda line: "The Ferry Waltz" in line)
        reaches(desk, {(1, 2): -10.0})
        desk.say("move 1 2 -7")
        assert "a hand at the desk: singer: fiddle -10 dB → -7 dB" in daemon.until(lambda line: "a hand" in line)
        foot.press("on")
        daemon.until(lambda line: "Seven Gates" in line)
        # The base has -12 dB in this song, and the hand was 3 dB up.
        reaches(desk, {(1, 2): -9.0})
        story = end(daemon, journal)
    assert hands(story) == [("singer", "fiddle", -10.0, -7.0)]
    first = next(one for one in story if one["kind"] == "change")
    assert (first["who"], first["cause"], first.get("from_db")) == ("desk", "read", None)


def test_a_desk_that_is_switched_off_is_gone_and_told_everything_when_it_is_back(tmp_path: Path) -> None:
    with night(tmp_path) as (daemon, desk, foot, journal):
        foot.press("on")
        daemon.until(lambda line: "The Ferry Waltz" in line)
        reaches(desk, {(1, 2): -10.0, (3, 1): -10.0, (3, 2): -14.0, (3, 3): -5.0})
        before = desk.levels()
        desk.say("power off")
        daemon.until(lambda line: line.endswith("desk is gone"))
        foot.press("more")
        daemon.until(lambda line: "fiddler: nudge" in line)
        desk.say("power on")
        daemon.until(lambda line: line.endswith("desk is here"))
        # The fiddler's own input, 2 in mix 2, is one up.
        own = before[2, 2]
        assert isinstance(own, float)
        reaches(desk, before | {(2, 2): own + 1})
        story = end(daemon, journal)
    assert hands(story) == []


def test_a_desk_is_looked_after_while_a_sound_device_is_waited_for(tmp_path: Path) -> None:
    with night(tmp_path, more="players: [{name: box, sound: {device: a device that nobody has}}]\n") as one:
        daemon, desk, foot, journal = one
        foot.press("on")
        daemon.until(lambda line: "The Ferry Waltz" in line)
        reaches(desk, {(1, 2): -10.0})
        story = end(daemon, journal)
    assert [one["what"] for one in story if one["kind"] == "link" and one["who"] == "desk"] == ["here"]


def test_a_bad_wire_brings_every_level_there(tmp_path: Path) -> None:
    """A fifth lost, up to 50 ms late, some out of order and twice, both ways."""
    faults = ("--faults", "loss 20%, delay 50 ms, reorder 10%, twice 5%", "--seed", "7")
    with night(tmp_path, *faults) as (daemon, desk, foot, journal):
        daemon.until(lambda line: "the desk has" in line)
        for at, song in enumerate(("The Ferry Waltz", "Seven Gates", "Morning, Mrs Finch")):
            foot.press("on")
            daemon.until(has(song))
            reaches(desk, {(1, 2): (-10.0, -12.0, -12.0)[at], (2, 2): (-4.0, -2.0, -4.0)[at]})
        story = end(daemon, journal)
    assert hands(story) == []


def test_what_strangers_say_changes_nothing_and_is_counted(tmp_path: Path) -> None:
    """Nonsense from the desk's own address, and levels from another."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as desk:
        desk.bind((THIS_HOST, 0))
        desk.settimeout(10)
        foot_port = free_port()
        show = quick_copy("three-songs", tmp_path, **{"9000": str(desk.getsockname()[1]), "9010": str(foot_port)})
        journal = tmp_path / "strangers.night"
        nan, huge = (build("/mix/1/from/2", (value,), "f") for value in (float("nan"), 1e30))
        with playing(show, journal) as daemon, Foot(foot_port):
            _, asker = desk.recvfrom(4_096)
            for packet in (
                b"\0",
                nan,
                huge,
                b"/mix/1/from/2\0\0\0,s\0\0no\0\0",
                b"\xff" * 99,
                build("/mix/1/from/99", (1.0,)),
            ):
                desk.sendto(packet, asker)
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
                # All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3).
                stranger.bind(("127.0.0.2", 0))
                stranger.sendto(build("/mix/1/from/2", (-1.0,)), asker)
            daemon.until(lambda line: line.startswith("ready"))
            story = end(daemon, journal)
    assert not [one for one in story if one["kind"] == "change"]
    counted = {one["what"]: one["number"] for one in story if one["kind"] == "count" and one["who"] == "desk"}
    assert sum(counted.values()) == 7
    assert counted["packets that are not from the desk"] == 1


def test_a_dry_run_says_what_the_first_recall_would_change_and_changes_nothing(tmp_path: Path) -> None:
    port = free_port()
    show = quick_copy("three-songs", tmp_path, **{"9000": str(port)})
    desk = Desk(port)
    try:
        desk.say("move 1 2 -10")
        before = desk.levels()
        run = stagectl("run", str(show), "--dry")
        assert run.returncode == 0, run.stderr
        first, *lines = run.stdout.splitlines()
        assert first == "The first `next` goes to The Ferry Waltz and changes 10 of 12 levels:"
        assert "  own" not in run.stdout
        assert any("fiddle in the mix of fiddler: off → -4 dB" in line for line in lines)
        assert not any("fiddle in the mix of singer" in line for line in lines)
        assert desk.levels() == before
    finally:
        desk.close()


def test_a_dry_run_of_a_desk_that_does_not_answer_says_so(tmp_path: Path) -> None:
    show = quick_copy("three-songs", tmp_path, **{"9000": str(free_port())})
    run = stagectl("run", str(show), "--dry")
    assert run.returncode == 3
    assert "does not answer" in run.stdout


def test_a_dry_run_says_where_the_port_of_a_desk_is_not_that_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    show = quick_copy("nine-songs", tmp_path, **{"port: desk": "port: no such desk"})
    run = stagectl("run", str(show), "--dry")
    assert run.returncode == 3
    assert run.stdout.splitlines()[-2:] == [
        "The desk's port `no such desk` is not here.",
        "This desk cannot be read by its profile: the first `next` asserts all 80 levels.",
    ]


def test_a_hand_in_mid_fade_is_let_be(tmp_path: Path) -> None:
    """The singer's own voice fades to -3 dB; somebody pulls it to -1 dB on the way."""
    with night(tmp_path, fade="2") as (daemon, desk, foot, journal):
        foot.press("on")
        daemon.until(lambda line: "The Ferry Waltz" in line)
        desk.program.until(lambda line: '"mix": 1, "input": 1' in line)
        desk.say("move 1 1 -2")
        daemon.until(has("a hand at the desk: singer: voice"))
        # A message of the fade may have crossed with the hand, and moved the fader under it. None is under way now.
        desk.say("move 1 1 -1")
        daemon.until(has("→ -1 dB"))
        reaches(desk, {(1, 1): -1.0, (1, 2): -10.0, (3, 3): -5.0})
        story = end(daemon, journal)
    moved = [(who, what, to) for who, what, _, to in hands(story)]
    assert {(who, what) for who, what, _ in moved} == {("singer", "voice")} and moved[-1][2] == -1.0


FIDDLE = build("/ask/mix/1/from/2", ())
"""The question for the singer's fiddle."""


QUIET_S = 1.2
"""Nothing is asked any more when nothing was asked for so long: twice what the last question waits for."""


class Relay:
    """A wire between the daemon and the desk that can be cut. `questions`: one for each `FIDDLE` that went by."""

    def __init__(self, desk_port: int) -> None:
        self.cut = False
        self.questions = threading.Semaphore(0)
        self._near = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._near.bind((THIS_HOST, 0))
        self._far = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._far.connect((THIS_HOST, desk_port))
        self._daemon: Any = None
        self.port = int(self._near.getsockname()[1])
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        with selectors.DefaultSelector() as both:
            for one in (self._near, self._far):
                both.register(one, selectors.EVENT_READ)
            while self._near.fileno() >= 0:
                for key, _ in both.select(0.1):
                    self._one(key.fileobj is self._near)

    def _one(self, from_daemon: bool) -> None:
        try:
            packet, sender = (self._near if from_daemon else self._far).recvfrom(4_096)
            if from_daemon:
                self._daemon = sender
            if not self.cut:
                if from_daemon:
                    self._far.send(packet)
                    if packet == FIDDLE:
                        self.questions.release()
                else:
                    self._near.sendto(packet, self._daemon)
        except OSError:
            # One end is closed: the night is over.
            return

    def close(self) -> None:
        self._near.close()
        self._thread.join(10)
        self._far.close()


def test_a_hand_during_an_outage_is_found_when_the_wire_is_whole_again(tmp_path: Path) -> None:
    """While the wire is cut the song changes, and somebody lowers the singer's fiddle by 3 dB."""
    desk_port, foot_port = free_port(), free_port()
    desk = Desk(desk_port)
    relay = Relay(desk_port)
    show = quick_copy("three-songs", tmp_path, **{"9000": str(relay.port), "9010": str(foot_port)})
    journal = tmp_path / "outage.night"
    settled: dict[tuple[int, int | None], float | str] = {
        (1, 2): -10.0,
        (2, 2): -4.0,
        (3, 1): -10.0,
        (3, 2): -14.0,
        (3, 3): -5.0,
    }
    try:
        with playing(show, journal) as daemon, Foot(foot_port) as foot:
            daemon.until(lambda line: line.startswith("ready"))
            foot.press("on")
            daemon.until(lambda line: "The Ferry Waltz" in line)
            reaches(desk, settled)
            # Read, asked whether it arrived, and asked for the last time; on a busy machine once more.
            for _ in range(3):
                assert relay.questions.acquire(timeout=10)
            while relay.questions.acquire(timeout=QUIET_S):
                pass
            relay.cut = True
            daemon.until(lambda line: line.endswith("desk is gone"))
            foot.press("on")
            daemon.until(lambda line: "Seven Gates" in line)
            desk.say("move 1 2 -13")
            desk.program.until(lambda line: '"mix": 1, "input": 2' in line)
            relay.cut = False
            assert "a hand at the desk: singer: fiddle -10 dB → -13 dB" in daemon.until(lambda line: "a hand" in line)
            # Seven Gates has the fiddle at -12 dB for the singer, and the fiddler's own 2 dB up.
            reaches(desk, {(1, 2): -15.0, (2, 2): -2.0})
            story = end(daemon, journal)
    finally:
        relay.close()
        desk.close()
    assert hands(story) == [("singer", "fiddle", -10.0, -13.0)]
