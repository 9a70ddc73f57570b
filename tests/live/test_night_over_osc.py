"""A night over OSC with liblo at both ends: `oscsend` presses the buttons, `oscdump` is the desk's judge."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
from pathlib import Path

import pytest
import yaml
from forked import stagectl
from free_ports import free_port
from lines import Program, running
from needs import needs
from nights import by_press, deaf, playing, quick_copy, told

from stagectl.wire.osc import build

pytestmark = pytest.mark.ports

PRESSES = ("on", "more", "more", "on", "less", "back", "on", "on", "on", "on")
"""The last one is one too many."""


def said(line: str) -> str:
    """What `oscdump` heard, in our words: the address, and its number as short as it goes."""
    address, number = re.fullmatch(r"\S+ (\S+) f (\S+)", line).groups()  # type: ignore[union-attr]
    return f"{address} {float(number):.6g}"


def test_rehearsal_journal_and_desk_tell_the_same_story(tmp_path: Path) -> None:
    needs("oscsend", "oscdump", "stdbuf")
    desk, foot = free_port(), free_port()
    show = deaf(quick_copy("three-songs", tmp_path, **{"9000": str(desk), "9010": str(foot)}))
    script = show / "night.yaml"
    board = {"pedal": "floor board", "happens": "press"}
    presses = [{"at": 10 * at, "control": name, **board} for at, name in enumerate(PRESSES, 1)]
    script.write_text(yaml.safe_dump({"presses": presses}))
    rehearsed = told("rehearse", str(show), "--presses", str(script))
    messages = by_press(rehearsed, "message")
    journal = tmp_path / "osc.night"
    with running("stdbuf", "-oL", "oscdump", str(desk)) as judge, playing(show, journal) as daemon:
        assert "everything is here" in daemon.until(lambda line: line.startswith("ready"))
        for press, name in enumerate(PRESSES, 1):
            for value in ("1", "0"):
                subprocess.run(["oscsend", "127.0.0.1", str(foot), f"/foot/{name}", "i", value], check=True)
            assert ("refused" in daemon.until(lambda line: "fiddler:" in line)) is False
            expected = [one["osc"] for one in messages.get(press, [])]
            assert [said(judge.line()) for _ in expected] == expected, (press, name)
        assert "the set has no further stop" in daemon.until(lambda line: "refused" in line)
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
    lived = told("log", "--journal", str(journal))
    assert lived[-1]["kind"] == "end"
    for kind in ("press", "change", "refusal", "arrival"):
        assert by_press(lived, kind) == by_press(rehearsed, kind), kind


def test_a_port_that_another_program_has_is_waited_for(tmp_path: Path) -> None:
    """The rest is served meanwhile."""
    port = free_port()
    show = deaf(quick_copy("three-songs", tmp_path, **{"9000": str(free_port()), "9010": str(port)}))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("0.0.0.0", port))
        with playing(show, tmp_path / "tonight.night") as daemon:
            ready = daemon.until(lambda line: line.startswith("ready"))
            assert f"waiting for floor board (UDP port {port})" in ready
            taken.close()
            daemon.until(lambda line: line.endswith("floor board is here"))
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as foot:
                foot.sendto(build("/foot/on", (1,)), ("127.0.0.1", port))
            daemon.until(lambda line: "fiddler: next" in line)


def test_an_edit_with_a_fault_keeps_no_night_from_going_on(tmp_path: Path) -> None:
    foot = free_port()
    show = deaf(quick_copy("three-songs", tmp_path, **{"9000": str(free_port()), "9010": str(foot)}))
    journal, setlist = tmp_path / "edited.night", show / "setlist.yaml"

    def press(daemon: Program) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for value in (1, 0):
                sender.sendto(build("/foot/on", (value,)), ("127.0.0.1", foot))
        daemon.until(lambda line: "fiddler: next" in line)

    sound = setlist.read_text()
    with playing(show, journal) as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        press(daemon)
        setlist.write_text(sound.replace("fiddler:", "fidler:", 1))
        assert "goes on by what it held" in daemon.until(lambda line: line.startswith("setlist.yaml was edited"))
    with playing(show, journal) as daemon:
        assert "taken up again" in daemon.until(lambda line: line.startswith("ready"))
        press(daemon)
        daemon.process.kill()
        daemon.process.wait(10)
        assert daemon.process.stderr is not None
        fault, says, *_ = daemon.process.stderr.read().splitlines()
    assert "`fidler` is not a listener of this rig" in fault
    assert re.fullmatch(r"stagectl: mend this; until then the night of \d\d:\d\d goes on by the files .*", says)
    # Where nothing was broken off, or a new night is asked for, there is nothing to go on by.
    for more in (("--fresh",), ("--journal", str(tmp_path / "another.night"))):
        done = stagectl("run", str(show), *(() if "--journal" in more else ("--journal", str(journal))), *more)
        assert (done.returncode, done.stdout) == (1, "") and "mend this" not in done.stderr
    setlist.unlink()
    with playing(show, journal) as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        press(daemon)
    setlist.write_text(sound)
    with playing(show, journal) as daemon:
        assert "taken up again" in daemon.until(lambda line: line.startswith("ready"))
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
    arrived = [one["song"] for one in told("log", "--journal", str(journal)) if one["kind"] == "arrival"]
    assert arrived == ["The Ferry Waltz", "Seven Gates", "Morning, Mrs Finch"]


def test_garbage_at_the_pedals_port_changes_nothing_and_is_recorded(tmp_path: Path) -> None:
    desk, foot = free_port(), free_port()
    show = quick_copy("three-songs", tmp_path, **{"9000": str(desk), "9010": str(foot)})
    journal = tmp_path / "garbage.night"
    button = b"/foot/on\0\0\0\0"
    garbage = (b"\0", button[:8], button + b",Z\0\0", b"#bundle\0", button + b",f\0\0\x7f\xc0\0\0", b"\xff" * 99)
    with playing(show, journal) as daemon, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        daemon.until(lambda line: line.startswith("ready"))
        for packet in garbage:
            sender.sendto(packet, ("127.0.0.1", foot))
        sender.sendto(button + b",i\0\0\0\0\0\1", ("127.0.0.1", foot))
        daemon.until(lambda line: "fiddler: next" in line)
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
    lived = told("log", "--journal", str(journal))
    refused = [one for one in lived if one["kind"] == "refusal"]
    pressed = [one for one in lived if one["kind"] == "press"]
    assert len(refused) == len(garbage)
    assert len(pressed) == 1
