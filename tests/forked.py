"""`stagectl` to its end, in a process of its own that need not load its libraries first: a process that has loaded them
forks for each command. What it prints, its exit code, its environment and its folder are those of the command alone.

For tests of what a command says; how it starts and what it loads is for those that start it from nothing. Where the
system cannot fork, it is started from nothing each time.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[1]

LIMIT_S: Final = 120.0
"""How long a command may take, s."""

LOADED: Final = (
    "stagectl.cli.main",
    *(f"stagectl.cli.{name}" for name in ("check", "rehearse", "explain", "log", "report", "keep", "replay", "nights")),
    "stagectl.show.compile",
    "stagectl.show.load",
    "stagectl.show.proof",
    "stagectl.rehearse.room",
    "stagectl.rehearse.script",
    "stagectl.rehearse.tell",
    "stagectl.journal.read",
    "stagectl.journal.query",
    "stagectl.tracks.sound.look",
)


def stagectl(*arguments: str, cwd: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command with nothing at its standard input, and what came of it. `environment`: on top of this one."""
    env = {**os.environ, **environment}
    if not hasattr(os, "fork"):
        command = [sys.executable, "-m", "stagectl", *arguments]
        return subprocess.run(
            command, capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=cwd, env=env, check=False
        )
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        code = _parent().run({"arguments": arguments, "cwd": str(cwd), "env": env}, out.fileno(), err.fileno())
        texts = [_text(file) for file in (out, err)]
    return subprocess.CompletedProcess(arguments, code, *texts)


def _text(file: Any) -> str:
    file.seek(0)
    return str(file.read().decode("utf-8")).replace("\r\n", "\n")


@cache
def _parent() -> _Parent:
    return _Parent()


class _Parent:
    """The process that forks, by the socket that it has one end of; it ends with us."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair()
        self._socket.settimeout(LIMIT_S)
        self._process = subprocess.Popen(
            [sys.executable, __file__, str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            cwd=ROOT,
        )
        theirs.close()

    def run(self, order: Mapping[str, Any], out: int, err: int) -> int:
        """Have a command run. Returns its exit code; -N where signal N has ended it."""
        socket.send_fds(self._socket, [json.dumps(order).encode()], [out, err])
        answer = self._socket.recv(64)
        if not answer:
            raise EOFError("the process that forks has ended")
        return os.waitstatus_to_exitcode(int(answer))


def _serve(orders: socket.socket) -> None:
    from importlib import import_module

    for name in LOADED:
        import_module(name)
    while True:
        data, fds, _, _ = socket.recv_fds(orders, 2**20, 2)
        if not data:
            return
        child = os.fork()
        if not child:
            orders.close()
            _run(json.loads(data), *fds)
        for fd in fds:
            os.close(fd)
        orders.send(str(os.waitpid(child, 0)[1]).encode())


def _run(order: dict[str, Any], out: int, err: int) -> None:
    """Be the command, to its end."""
    import atexit
    import threading
    import traceback

    from stagectl.cli.main import main

    os.dup2(out, 1)
    os.dup2(err, 2)
    os.environ.clear()
    os.environ.update(order["env"])
    os.chdir(order["cwd"])
    tempfile.tempdir = None
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["stagectl", *order["arguments"]]
    encoding = order["env"].get("PYTHONIOENCODING", "utf-8").partition(":")[0]
    sys.stdout, sys.stderr = (open(fd, "w", encoding=encoding, closefd=False) for fd in (1, 2))  # noqa: SIM115
    code: object = 0
    try:
        main(prog_name="python -m stagectl")
    except SystemExit as end:
        code = end.code
    except BaseException:  # noqa: BLE001 - as the interpreter does it
        traceback.print_exc()
        code = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
