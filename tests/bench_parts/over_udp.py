"""A night over OSC on this machine, with or without its page, and a bare way beside it."""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from free_ports import free_port
from page_night import MAPPING, PROFILE, RIG, SETLIST

from bench_parts.press import Nudges, Numbers, UdpWire, osc_level
from bench_parts.program import end, started, wait_for

HEAD: Final = b"/mix/1/from/1\0\0\0,f\0\0"
"""What the desk is told of the send that is nudged begins so."""

QUIET_S: Final = 0.3
"""A desk that is told nothing for so long has been told everything, s."""

BARE: Final = """
import socket, sys
foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
foot.bind(("127.0.0.1", 0))
out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
desk, head = ("127.0.0.1", int(sys.argv[1])), bytes.fromhex(sys.argv[2])
print(foot.getsockname()[1], flush=True)
while True:
    said = foot.recv(4096)[-4:]
    if said != b"\\0\\0\\0\\0":
        out.sendto(head + said, desk)
"""
"""Passes a press on, as many bytes as the program tells a desk, and no release."""


def button(address: bytes, value: int) -> bytes:
    """An OSC message with one integer (OSC 1.0). `address`: up to three bytes, with its zeros."""
    return address + b",i\0\0" + struct.pack(">i", value)


def nudging() -> Nudges:
    """The foot of the night, and what its desk is told."""
    keys = tuple((button(one, 1), button(one, 0)) for one in (b"/dn\0", b"/up\0"))
    return Nudges((keys[0], keys[1]), osc_level(HEAD))


def numbers() -> Numbers:
    """The bare way's presses."""
    return Numbers(
        lambda at: button(b"/up\0", at + 1), lambda at: HEAD + struct.pack(">i", at + 1), button(b"/up\0", 0), 1 << 20
    )


def write_show(folder: Path, desk_port: int, foot_port: int) -> None:
    """A show of one send and two buttons."""
    folder.mkdir(exist_ok=True)
    (folder / "rig.yaml").write_text(RIG % (desk_port, foot_port))
    (folder / "deaf-decibels.yaml").write_text(PROFILE)
    (folder / "buttons.yaml").write_text(MAPPING)
    (folder / "setlist.yaml").write_text(SETLIST)


@contextmanager
def osc_night(folder: Path, *, page: bool = False) -> Iterator[tuple[UdpWire, int]]:
    """The program in the first song, its foot and desk, and the number of its process."""
    wire = UdpWire()
    wire.to = free_port()
    write_show(folder, wire.desk_port, wire.to)
    program = started(folder, *(("--page", "127.0.0.1:0") if page else ()))
    try:
        wait_for(program, "ready", *(("page:",) if page else ()))
        for value in (1, 0):
            wire.send(button(b"/go\0", value))
        while wire.hear(QUIET_S) is not None:
            pass
        yield wire, program.pid
    finally:
        end(program)
        wire.close()


@contextmanager
def bare_way() -> Iterator[UdpWire]:
    """A bare socket that passes presses on."""
    wire = UdpWire()
    command = (sys.executable, "-c", BARE, str(wire.desk_port), HEAD.hex())
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bare:
        try:
            assert bare.stdout is not None
            wire.to = int(bare.stdout.readline())
            yield wire
        finally:
            bare.terminate()
            wire.close()
