"""What a night opens to others: no socket beyond those that the rig and `--page` name, and no file for other users.

Outside judge: the kernel's own tables, `/proc/net` and `/proc/PID/fd` (proc(5)), and the modes of the files (stat(2)).
"""

from __future__ import annotations

import os
import re
import signal
import socket
import stat
import sys
from collections.abc import Iterator
from contextlib import suppress
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path

import pytest
from free_ports import free_port
from lines import Program
from nights import STAGECTL, deaf, playing, quick_copy

from stagectl.journal.claim import RUNNING, running
from stagectl.journal.paths import folders, nights, spare_nights
from stagectl.journal.spool import spool_path
from stagectl.live.page_keys import KeptKeys

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the tables are those of Linux"),
]

LISTENS = {"tcp": "0A", "udp": "07"}
"""The state of a TCP socket that listens, and of a UDP socket that belongs to nobody at its other end
(include/net/tcp_states.h: TCP_LISTEN, TCP_CLOSE)."""

Door = tuple[str, str, int]
"""`tcp` or `udp`, the address and the port."""


def family(pid: int) -> Iterator[int]:
    """A process, and all that it has started."""
    yield pid
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            yield from family(int(child))


def files(pid: int) -> Iterator[Path]:
    """Every file that a process has open, and all that it has started; a socket as the kernel writes it."""
    for one in family(pid):
        for file in Path(f"/proc/{one}/fd").iterdir():
            with suppress(FileNotFoundError):
                yield file.readlink()


def doors(pid: int) -> set[Door]:
    """What others can reach of a process and all that it has started."""
    found = (re.fullmatch(r"socket:\[([0-9]+)\]", str(file)) for file in files(pid))
    inodes = {match[1] for match in found if match}
    return {
        (kind, str(address), port)
        for kind, state in LISTENS.items()
        for table in (kind, f"{kind}6")
        for fields in map(str.split, Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:])
        if fields[9] in inodes and fields[3] == state
        for address, port in [place(fields[1])]
    }


def place(text: str) -> tuple[IPv4Address | IPv6Address, int]:
    """An address of the tables, whose 32-bit words are in this machine's own order."""
    host, _, port = text.partition(":")
    words = [bytes.fromhex(host[at : at + 8]) for at in range(0, len(host), 8)]
    return ip_address(b"".join(word[::-1] if sys.byteorder == "little" else word for word in words)), int(port, 16)


@pytest.fixture(autouse=True)
def no_jack(monkeypatch: pytest.MonkeyPatch) -> None:
    """A MIDI server that is none: doors are what this is about."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "closed doors")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")


def ready(daemon: Program) -> None:
    daemon.until(lambda line: line.startswith("ready"))


def test_the_tables_are_read_rightly() -> None:
    with socket.create_server(("127.0.0.1", 0)) as tcp, socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as udp:
        udp.bind(("::1", 0))
        at = {("tcp", "127.0.0.1", tcp.getsockname()[1]), ("udp", "::1", udp.getsockname()[1])}
        assert at <= doors(os.getpid())
    assert not at & doors(os.getpid())


def test_a_night_over_midi_opens_nothing(tmp_path: Path) -> None:
    show = quick_copy("nine-songs", tmp_path)
    with playing(show, tmp_path / "midi.night") as daemon:
        ready(daemon)
        assert doors(daemon.process.pid) == set()


def test_a_night_over_osc_opens_what_its_rig_names(tmp_path: Path) -> None:
    """The pedal's port; and for what the desk answers to, a port that only the desk is heard at."""
    foot = free_port()
    show = deaf(quick_copy("three-songs", tmp_path, **{"9010": str(foot)}))
    with playing(show, tmp_path / "osc.night") as daemon:
        ready(daemon)
        assert {door for door in doors(daemon.process.pid) if door[2] == foot} == {("udp", "0.0.0.0", foot)}
        assert {door for door in doors(daemon.process.pid) if door[2] != foot} == set()


@pytest.mark.parametrize("host", ["", "0.0.0.0:"])
def test_the_page_is_open_where_it_was_asked_for(host: str, tmp_path: Path) -> None:
    port = free_port()
    show = quick_copy("nine-songs", tmp_path)
    with playing(show, tmp_path / "page.night", "--page", f"{host or '127.0.0.1:'}{port}") as daemon:
        daemon.until(lambda line: f":{port}" in line)
        assert doors(daemon.process.pid) == {("tcp", host.rstrip(":") or "127.0.0.1", port)}


def test_no_other_user_can_read_the_keys_or_write_anything(tmp_path: Path) -> None:
    """A journal may be read by whom the user's own mask lets; so it never has a key in it."""
    port, folder = free_port(), tmp_path / "state" / "nights"
    show, here = quick_copy("nine-songs", tmp_path), running()
    rig = show / "rig.yaml"
    # No other test drives this one's desk.
    rig.write_text(rig.read_text("utf-8").replace("port: desk\n", "port: a desk behind closed doors\n"), "utf-8")
    mask = os.umask(0o022)
    try:
        command = [*STAGECTL, "run", str(show), "--page", f"0.0.0.0:{port}", "--control"]
        daemon = Program(command, STATE_DIRECTORY=str(tmp_path / "state"))
    finally:
        os.umask(mask)
    try:
        daemon.until(lambda line: f":{port}" in line)
        kept = list(folder.iterdir())
        (night,) = (path for path in kept if path.suffix == ".night")
        secret, spool = KeptKeys(night).path, spool_path(night)
        assert secret is not None
        # Other nights of this user have theirs in the same folder.
        new = {file for file in files(daemon.process.pid) if here in file.parents} | {secret}
        assert {path.suffix for path in new} >= {".keys", ".spool", ".desk"}
        assert {path.name for path in (secret, spool) if not path.is_file()} == set()
        assert {path.name: oct(mode(path)) for path in (here, *new) if mode(path) & 0o077} == {}
        assert {path.name: oct(mode(path)) for path in (folder, *kept) if mode(path) & 0o022} == {}
        keys = re.findall(r'": "([\w-]{22})"', secret.read_text())
        assert len(keys) == 2
        told = [path.read_bytes() for path in (*kept, *new) if path != secret]
        # What anybody may ask of a process (proc(5): `cmdline` is for all to read).
        told += [Path(f"/proc/{pid}/cmdline").read_bytes() for pid in family(daemon.process.pid)]
        assert [key for key in keys if key.encode() in b"".join(told)] == []
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
        assert {path for path in (secret, spool) if path.exists()} == set()
    finally:
        daemon.close()


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0, reason="only root makes folders for others")
def test_a_spare_folder_of_somebody_else_has_no_nights_of_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It lies where every user may make something: whoever is first could plant a night to be taken up."""
    # Named as for a user, and not as the tests' own folder is.
    monkeypatch.delenv(RUNNING)
    monkeypatch.setattr("stagectl.journal.paths.tempfile.tempdir", str(tmp_path))
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    spare = spare_nights()
    assert (spare.parent, str(os.getuid()) in spare.name) == (tmp_path, True)
    monkeypatch.setattr("stagectl.journal.paths.running", lambda: tmp_path / "memory")
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: spare)
    memory = tmp_path / "memory" / "nights"
    assert folders() == [nights(), spare, memory]
    memory.mkdir(parents=True)
    for folder in (spare, memory, memory.parent):
        others = [one for one in (spare, memory) if folder not in (one, one.parent)]
        folder.mkdir(mode=0o700, exist_ok=True)
        folder.chmod(0o700)
        assert folders() == [nights(), spare, memory]
        folder.chmod(0o777)
        assert folders() == [nights(), *others]
        folder.chmod(0o700)
        os.chown(folder, 65534, 65534)
        assert folders() == [nights(), *others]
        os.chown(folder, os.getuid(), os.getgid())
    spare.rmdir()
    spare.symlink_to(tmp_path)
    assert folders() == [nights(), memory]
