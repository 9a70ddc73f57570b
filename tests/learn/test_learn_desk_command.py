"""`stagectl learn-desk` as its user meets it: from recordings, live over UDP and over JACK, and what it refuses.

JACK and UDP lose a message now and then on a busy machine: such a move is asked for again.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from forked import Forked, begun, stagectl
from hands import Hand, same_law, save
from jack import jack_server as jack_server
from lines import LIMIT_S
from needs import needs_module

from stagectl.cli.main import main
from stagectl.learn.desk_moves import Part
from stagectl.learn.desk_take import links_of, take_text
from stagectl.learn.desk_write import read_profile
from stagectl.show.load import load_profile
from stagectl.show.profile import ProfileModel
from stagectl.where import shipped

TRIES = 5

COMMAND = (sys.executable, "-m", "stagectl", "learn-desk")

Process = subprocess.Popen[str] | Forked


def learn(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["learn-desk", *map(str, arguments)])


def kept(path: Path, name: str = "control-change", seed: int = 3) -> Path:
    path.write_text("\n".join(take_text(Hand(load_profile(name), seed).everything())))
    return path


# -- from a recording -------------------------------------------------------------------------------------


def test_a_recording_becomes_a_profile(tmp_path: Path) -> None:
    take = kept(tmp_path / "heard.txt")
    run = learn("--take", take, "-o", tmp_path / "desk.yaml", "--name", "our desk")
    assert (run.exit_code, run.stdout) == (0, ""), run.output
    profile = load_profile(str(tmp_path / "desk.yaml"))
    assert profile.name == "our desk"
    assert profile.send == load_profile("control-change").send
    assert "heard: send: law gm2 (sure; the volume law of General MIDI 2" in run.stderr
    assert "In the rig: `profile: desk`." in run.stderr
    text = (tmp_path / "desk.yaml").read_text()
    assert re.search(r"^# Learned from `heard`: [\d,]+ messages in \d+ s, 20 moves\.$", text, re.MULTILINE)
    assert re.search(r"^# With this profile [\d,]+ values are heard during the moves of their own level", text, re.M)
    assert learn("--take", take).stdout.replace("learned desk", "our desk") == text


@pytest.mark.parametrize(("show", "profile"), [("nine-songs", "control-change"), ("three-songs", "osc-decibels")])
def test_a_show_is_sound_with_the_profile_that_was_learned(show: str, profile: str, tmp_path: Path) -> None:
    folder = tmp_path / show
    shutil.copytree(shipped("setlists") / show, folder)
    run = learn("--take", kept(tmp_path / "heard.txt", profile), "-o", folder / "our-desk.yaml")
    assert run.exit_code == 0, run.output
    rig = folder / "rig.yaml"
    rig.write_text(rig.read_text().replace(f"profile: {profile}", "profile: our-desk"))
    checked = CliRunner().invoke(main, ["check", str(folder)])
    assert checked.exit_code == 0, checked.output
    assert "learned desk" in checked.output


def test_what_is_refused(tmp_path: Path) -> None:
    take = kept(tmp_path / "heard.txt")
    (tmp_path / "desk.yaml").write_text("mine")
    (tmp_path / "quiet.txt").write_text("# move: input 1 mix 1\n")
    (tmp_path / "notes.txt").write_text("# move: input 1 mix 1\n1 90 40 40\n# move: input 2 mix 1\n2 90 41 40\n")
    for arguments, code, says in (
        (("--take", take, "-o", tmp_path / "desk.yaml"), 2, "is not overwritten unasked"),
        (("--take", take, "-o", tmp_path / "desk.txt"), 2, "ends with `.yaml`"),
        (("--take", take, "-o", tmp_path / "none" / "desk.yaml"), 2, "there is no folder"),
        (("--take", take, "--name", " "), 2, "stands where a name is needed"),
        (("--take", take, "--keep", tmp_path / "again.txt"), 2, "there is a recording already"),
        (("--osc", 0, "--keep", take), 2, "is not overwritten unasked"),
        (("--osc", 0, "--keep", tmp_path / "desk.mid"), 2, "`.mid` is the end of a MIDI file's name; take `desk.txt`"),
        (("--take", take, "--port", "elsewhere"), 1, "nothing was said"),
        (("--take", tmp_path / "none.txt"), 1, "there is no such file"),
        (("--take", tmp_path / "quiet.txt"), 1, "nothing was said"),
        (("--take", tmp_path / "notes.txt"), 1, "notes: no profile can be written: no message followed the hand"),
    ):
        run = learn(*arguments)
        assert (run.exit_code, run.stdout) == (code, ""), (arguments, run.output)
        assert says in run.stderr, (arguments, run.stderr)
    assert (tmp_path / "desk.yaml").read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == {"heard.txt", "desk.yaml", "quiet.txt", "notes.txt"}


def test_a_midi_system_that_is_not_here() -> None:
    needs_module("rtmidi")
    run = learn("--midi-api", "windows" if sys.platform != "win32" else "alsa")
    assert (run.exit_code, run.stdout) == (3, "")
    assert "no MIDI system" in run.stderr


def test_two_links_that_say_the_same_are_told_apart_by_port(tmp_path: Path) -> None:
    parts = Hand(load_profile("control-change"), 3, meters=0).everything()
    save(tmp_path / "two.mid", parts, "left", "right")
    both = learn("--take", tmp_path / "two.mid")
    assert both.exit_code == 2
    assert "name one with --port: `left`, `right`" in both.stderr
    one = learn("--take", tmp_path / "two.mid", "--port", "righ")
    assert one.exit_code == 0
    same(read_profile(one.stdout), load_profile("control-change"))


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(("answer", "overwritten"), [("y", True), ("n", False)])
def test_at_a_terminal_it_is_overwritten_only_if_wanted(answer: str, overwritten: bool, tmp_path: Path) -> None:
    take, path = kept(tmp_path / "heard.txt"), tmp_path / "desk.yaml"
    path.write_text("mine")
    ours, theirs = os.openpty()
    command = [*COMMAND[2:], "--take", str(take), "-o", str(path)]
    process = Forked(command, [theirs] * 3, Path.cwd(), dict(os.environ))
    os.close(theirs)
    try:
        Said(ours).until("Overwrite it in the end?")
        os.write(ours, f"{answer}\n".encode())
        assert process.wait(LIMIT_S) == (0 if overwritten else 1)
    finally:
        process.kill()
        process.wait(LIMIT_S)
        os.close(ours)
    assert (path.read_text() != "mine") is overwritten


# -- live -------------------------------------------------------------------------------------------------


class Said:
    """What a program says on a handle."""

    def __init__(self, handle: int) -> None:
        self.handle, self.text = handle, ""

    def until(self, pattern: str) -> re.Match[str]:
        """Read until a pattern stands there; what is up to its end is passed over. Raises TimeoutError or EOFError."""
        import select

        while (found := re.search(re.escape(pattern) if "(" not in pattern else pattern, self.text)) is None:
            if not select.select([self.handle], [], [], LIMIT_S)[0]:
                raise TimeoutError(f"{pattern!r} is not in {self.text!r}")
            said = os.read(self.handle, 65_536)
            if not said:
                raise EOFError(f"{pattern!r} is not in {self.text!r}")
            self.text += said.decode(errors="replace")
        self.text = self.text[found.end() :]
        return found


@contextmanager
def learning(*more: object) -> Iterator[tuple[Process, Said]]:
    """The command, and its standard error, on which its lines for people are."""
    process = begun([*COMMAND, *map(str, more)])
    assert process.stderr is not None
    try:
        yield process, Said(process.stderr.fileno())
    finally:
        process.kill()
        process.wait(LIMIT_S)
        for pipe in (process.stdin, process.stdout, process.stderr):
            assert pipe is not None
            with suppress(BrokenPipeError):
                pipe.close()


def type_line(process: Process, line: str) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{line}\n")
    process.stdin.flush()


def move_all(process: Process, said: Said, parts: list[Part], send: Callable[[bytes], None]) -> None:
    """Do every move as it is asked for, and again if a message got lost."""
    said.until("Touch nothing")
    marked = False
    for move, packets in parts:
        if marked and move.level is None:
            type_line(process, "")
            said.until("Move ")
            marked = False
        marked = marked or move.level is not None
        held = 0
        for _ in range(TRIES):
            for _, packet in packets:
                send(packet)
            type_line(process, str(move))
            found = said.until(re.escape(str(move)) + r": ([\d,]+) messages?\n")
            heard = int(found[1].replace(",", ""))
            if heard - held == len(packets):
                break
            # What was heard of a mark counts for the next answer.
            held = heard if move.level is not None else 0
            type_line(process, "again")
            said.until("forgotten.")
        else:
            raise TimeoutError(f"{move} was never heard whole")
    type_line(process, "end")


def ended(process: Process) -> tuple[int, str, str]:
    """The exit code, and what stands on standard output and error."""
    out, err = process.communicate(timeout=LIMIT_S)
    assert process.returncode is not None
    return process.returncode, out, err


def same(ours: ProfileModel, theirs: ProfileModel) -> None:
    assert same_law(ours.send.law(), theirs.send.law()) == []
    assert ours.send.say == theirs.send.say


@pytest.mark.slow
def test_a_desk_is_learned_over_udp(tmp_path: Path) -> None:
    profile = load_profile("osc-travel")
    keep, path = tmp_path / "heard.txt", tmp_path / "desk.yaml"
    with learning("--osc", 0, "--keep", keep, "-o", path) as (process, said):
        port = int(said.until(r"listening: UDP port (\d+)\n")[1])
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as desk:
            parts = Hand(profile, 2, meters=1_000).everything()
            move_all(process, said, parts, lambda packet: void(desk.sendto(packet, ("127.0.0.1", port))))
        code, out, err = ended(process)
    assert (code, out) == (0, ""), err
    assert "127.0.0.1: send: osc: /mix/{mix}/travel/{input}; type: float (sure" in said.text + err
    same(load_profile(str(path)), profile)
    # What was kept says the same again.
    again = learn("--take", keep)
    assert again.exit_code == 0
    same(read_profile(again.stdout), profile)


@pytest.mark.ports
@pytest.mark.slow
@pytest.mark.usefixtures("jack_server")
def test_a_desk_is_learned_over_jack(tmp_path: Path) -> None:
    import rtmidi

    profile = load_profile("control-pair")
    desk = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="moved desk")
    desk.open_virtual_port("out")
    try:
        with learning("--midi-api", "jack", "--port", "moved desk") as (process, said):
            said.until("listening: moved desk")
            move_all(process, said, Hand(profile, 2, meters=0).everything(), desk.send_message)
            code, out, err = ended(process)
    finally:
        desk.close_port()
        desk.delete()
    assert code == 0, err
    assert "# Learned from `moved desk:out`: " in out
    same(read_profile(out), profile)


def void(_: Any) -> None:
    return None


@pytest.mark.slow
def test_nothing_heard_is_exit_code_3_and_ctrl_c_writes_nothing(tmp_path: Path) -> None:
    run = stagectl("learn-desk", "--osc", "0")
    assert (run.returncode, run.stdout) == (3, "")
    assert "the desk said nothing" in run.stderr
    with learning("--osc", 0, "-o", tmp_path / "desk.yaml") as (process, said):
        said.until("Touch nothing")
        process.send_signal(signal.SIGINT)
        said.until("Nothing was written.")
        assert process.wait(LIMIT_S) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_what_was_heard_until_ctrl_c_is_kept(tmp_path: Path) -> None:
    keep = tmp_path / "heard.txt"
    _, (_, packets), *_ = Hand(load_profile("osc-travel"), 2, meters=0).everything()
    with learning("--osc", 0, "--keep", keep, "-o", tmp_path / "desk.yaml") as (process, said):
        port = int(said.until(r"listening: UDP port (\d+)\n")[1])
        said.until("Touch nothing")
        type_line(process, "")
        said.until("Move ")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as desk:
            for _, packet in packets:
                desk.sendto(packet, ("127.0.0.1", port))
        type_line(process, "")
        heard = said.until(r"bottom to top: ([\d,]+) messages\n")
        said.until("Set ")
        process.send_signal(signal.SIGINT)
        said.until(f"Kept: {keep}, what `127.0.0.1` said.")
        said.until("No profile was written.")
        assert process.wait(LIMIT_S) == 1
    assert list(tmp_path.iterdir()) == [keep]
    assert sum(map(len, dict(links_of(keep)[0][1]).values())) == int(heard[1])
