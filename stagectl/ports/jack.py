"""Whether a JACK server on Linux lives, found out without the JACK library: where the server hangs, so does whoever
calls the library, with all of Python's threads."""

from __future__ import annotations

import os
import socket
import struct
from pathlib import Path
from typing import Final

_STOPPED: Final = "tT"
"""States of a process that has been stopped, by a signal or a debugger (proc(5))."""


def server_socket() -> str | None:
    """The socket at which a JACK 2 server on Linux takes requests (from its source, not from a standard)."""
    if not hasattr(socket, "AF_UNIX") or not hasattr(os, "getuid"):
        return None
    return f"/dev/shm/jack_{os.environ.get('JACK_DEFAULT_SERVER', 'default')}_{os.getuid()}_0"


def which_server(server: str | None) -> tuple[int, int] | None:
    """Which server it is that has made this socket, so that one that dies and comes back between two looks is another
    one: each makes its socket anew. None where there is none."""
    try:
        found = None if server is None else os.stat(server)
    except OSError:
        return None
    return None if found is None else (found.st_ino, found.st_ctime_ns)


def is_there(server: str) -> bool:
    """Whether there is a server at this socket. One that died leaves its ports listed."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trial:
        return _connects(trial, server) is not False


def why_silent(server: str) -> str | None:
    """Why no client would get an answer from the server at this socket; None where one may. The system goes on taking
    connections for a process that was stopped, until so many wait that the next one would wait, too."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trial:
        connects = _connects(trial, server)
        if connects is None:
            return "its server takes nothing any more"
        if not connects:
            return "its server is not there"
        who = _who(trial)
    return f"its server, process {who}, was stopped" if who is not None and _is_stopped(who) else None


def _connects(trial: socket.socket, server: str) -> bool | None:
    """Whether a socket is connected to the server at once; None where it would have to wait (unix(7), EAGAIN)."""
    trial.setblocking(False)
    try:
        trial.connect(server)
    except BlockingIOError:
        return None
    except OSError:
        return False
    return True


def _who(trial: socket.socket) -> int | None:
    """The process that listens at the other end (unix(7), SO_PEERCRED)."""
    if not hasattr(socket, "SO_PEERCRED"):
        return None
    packed = struct.Struct("3i")
    return int(packed.unpack(trial.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, packed.size))[0])


def _is_stopped(process: int) -> bool:
    try:
        # The name in brackets may hold anything, brackets too.
        state = Path(f"/proc/{process}/stat").read_text("utf-8", "replace").rpartition(")")[2].split()[0]
    except (OSError, IndexError):
        return False
    return state in _STOPPED
