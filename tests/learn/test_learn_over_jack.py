"""Learning live: virtual pedals on JACK ports, and `stagectl learn` as a process of its own, at a terminal and without.

JACK loses a message now and then on a busy machine: what was not heard is sent again.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from jack import jack_server as jack_server
from lines import LIMIT_S

from stagectl.learn.take import pedals_of
from stagectl.show.mapping import MappingModel
from stagectl.show.yamltext import read_text

pytestmark = [pytest.mark.ports, pytest.mark.slow, pytest.mark.usefixtures("jack_server")]

TRIES = 3

COMMAND = (sys.executable, "-m", "stagectl", "learn", "--midi-api", "jack", "--port", "learnt pedal")


@contextmanager
def pedal() -> Iterator[Any]:
    """A bare virtual port."""
    import rtmidi

    port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="learnt pedal")
    port.open_virtual_port("out")
    try:
        yield port
    finally:
        port.close_port()
        port.delete()


class Said:
    """What a program says on a handle, without the control sequences of a terminal."""

    def __init__(self, handle: int) -> None:
        self.handle, self.text = handle, ""

    def until(self, wanted: str, limit_s: float = LIMIT_S) -> None:
        """Read until it stands there; it is then passed over. Raises TimeoutError, or EOFError where the program has
        ended."""
        import select

        end = time.monotonic() + limit_s
        while wanted not in self.text:
            if not select.select([self.handle], [], [], max(0.0, end - time.monotonic()))[0]:
                raise TimeoutError(f"{wanted!r} is not in {self.text!r}")
            said = os.read(self.handle, 65_536)
            if not said:
                raise EOFError(f"{wanted!r} is not in {self.text!r}")
            self.text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.text + said.decode(errors="replace"))
        self.text = self.text.partition(wanted)[2]

    def after(self, port: Any, message: list[int], wanted: str) -> None:
        """Send a message, again if it got lost, until it has been heard."""
        for _ in range(TRIES):
            port.send_message(message)
            try:
                return self.until(wanted, LIMIT_S / TRIES)
            except TimeoutError:
                continue
        raise TimeoutError(f"{message} was not heard; {self.text!r}")


@contextmanager
def learning(*more: str) -> Iterator[tuple[subprocess.Popen[bytes], Said]]:
    """The command, and its standard error, on which its lines for people are."""
    pipe = subprocess.PIPE
    with subprocess.Popen([*COMMAND, *more], stdin=pipe, stdout=pipe, stderr=pipe) as process:
        assert process.stderr is not None
        try:
            yield process, Said(process.stderr.fileno())
        finally:
            process.kill()


def ended(process: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Press Enter: the exit code, and what stands on standard output."""
    said, _ = process.communicate(b"\n", timeout=LIMIT_S)
    return process.returncode, said.decode()


def loaded(text: str) -> MappingModel:
    return MappingModel.model_validate(read_text(text.encode(), "foot.yaml").data)


def test_a_pedal_is_heard_and_its_mapping_written(tmp_path: Path) -> None:
    path = tmp_path / "foot.yaml"
    kept = tmp_path / "heard.mid"
    with pedal() as port, learning("-o", str(path), "--keep", str(kept)) as (process, said):
        said.until("listening: learnt pedal")
        port.send_message([0xF8])
        said.after(port, [0xC2, 5], "program 5 on channel 3: press only (not sure, 1 press)")
        said.after(port, [0xB0, 80, 127], "controller 80 on channel 1 = 127: cannot tell yet")
        said.after(port, [0xB0, 80, 0], "controller 80 on channel 1 = 0: ")
        assert ended(process) == (0, "")
    mapping = loaded(path.read_text())
    assert (mapping.name, list(mapping.controls)) == ("learnt pedal", ["switch 1", "switch 2"])
    [(name, packets)] = pedals_of(kept)
    assert name == "learnt pedal:out"
    assert {packet for _, packet in packets} == {b"\xc2\x05", b"\xb0\x50\x7f", b"\xb0\x50\x00"}


def test_a_pedal_that_comes_later_is_heard_and_one_that_goes_is_told() -> None:
    with learning() as (process, said):
        said.until("Enter ends it")
        with pedal() as port:
            said.until("listening: learnt pedal")
            said.after(port, [0xC2, 5], "program 5")
        said.until("gone: learnt pedal")
        code, text = ended(process)
    assert code == 0
    assert "sends: {program: 5, channel: 3}" in text


def test_ctrl_c_writes_nothing(tmp_path: Path) -> None:
    with pedal() as port, learning("-o", str(tmp_path / "foot.yaml")) as (process, said):
        said.until("listening: learnt pedal")
        said.after(port, [0xC2, 5], "program 5")
        process.send_signal(signal.SIGINT)
        said.until("Nothing was written.")
        assert process.wait(LIMIT_S) == 1
    assert list(tmp_path.iterdir()) == []


def test_nothing_heard_is_exit_code_3() -> None:
    run = subprocess.run(COMMAND, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout) == (3, "")
    assert "no MIDI port" in run.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_at_a_terminal_it_asks(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "200"}
    path = tmp_path / "foot.yaml"
    with pedal() as port:
        process = subprocess.Popen(
            [*COMMAND, "-o", str(path)], stdin=theirs, stdout=theirs, stderr=theirs, env=environment
        )
        os.close(theirs)
        terminal = Said(ours)
        try:
            terminal.until("listening: ")
            terminal.after(port, [0xC2, 5], "program 5 on channel 3")
            for question, answer in (
                (None, ""),
                ("Name of the pedal", "left foot"),
                ("Name", "next"),
                ("File", ""),
            ):
                if question is not None:
                    terminal.until(question)
                os.write(ours, f"{answer}\n".encode())
            terminal.until("Written: ")
            assert process.wait(LIMIT_S) == 0
        finally:
            process.kill()
            process.wait(LIMIT_S)
            os.close(ours)
    mapping = loaded(path.read_text())
    assert (mapping.name, list(mapping.controls)) == ("left foot", ["next"])
