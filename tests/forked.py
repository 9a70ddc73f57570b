"""`stagectl`, and the processes that it has, without loading their libraries first: a process that has loaded them
forks for each. What one prints, its exit code, its environment and its folder are its own alone.

For tests of what a program says and does; how it starts and what it loads is for those that start it from nothing.
Where the system cannot fork, each is started from nothing.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import IO, Any, Final, NoReturn

ROOT: Final = Path(__file__).resolve().parents[1]

LIMIT_S: Final = 120.0
"""How long a command may take, s."""

BEGUN_S: Final = 120.0
"""How long the process that forks may take to do so, with its libraries to load at first, s."""

COMMANDS: Final = (
    "check",
    "desk",
    "explain",
    "keep",
    "learn",
    "learn_desk",
    "log",
    "nights",
    "rehearse",
    "replay",
    "report",
    "run",
)

LOADED: Final = (
    "stagectl.cli.main",
    *(f"stagectl.cli.{name}" for name in COMMANDS),
    "stagectl.desk.process",
    "stagectl.journal.query",
    "stagectl.journal.read",
    "stagectl.learn.desk_live",
    "stagectl.learn.desk_write",
    "stagectl.learn.listen",
    "stagectl.live.daemon",
    "stagectl.live.dry",
    "stagectl.live.loop",
    "stagectl.live.page",
    "stagectl.rehearse.room",
    "stagectl.rehearse.script",
    "stagectl.rehearse.served",
    "stagectl.rehearse.tell",
    "stagectl.show.compile",
    "stagectl.show.load",
    "stagectl.show.proof",
    "stagectl.tracks.sound.look",
    "stagectl.view.process",
)


def stagectl(*arguments: str, cwd: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command with nothing at its standard input, and what came of it. `environment`: on top of this one."""
    env = {**os.environ, **environment}
    if not hasattr(os, "fork"):
        command = [sys.executable, "-m", "stagectl", *arguments]
        return subprocess.run(
            command, capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=cwd, env=env, check=False
        )
    with open(os.devnull) as nothing, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        fds = [file.fileno() for file in (nothing, out, err)]
        code = Forked(["stagectl", *arguments], fds, cwd, env).wait(LIMIT_S)
        texts = [_text(file) for file in (out, err)]
    return subprocess.CompletedProcess(arguments, code, *texts)


def _text(file: Any) -> str:
    file.seek(0)
    return str(file.read().decode("utf-8")).replace("\r\n", "\n")


class Forked:
    """A process that was forked, as `subprocess.Popen` has one. `module`: its name, and its arguments. Its pipes carry
    text where the one who asked for it made some."""

    stdin: IO[str] | None = None
    stdout: IO[str] | None = None
    stderr: IO[str] | None = None

    def __init__(self, module: Sequence[str], fds: Sequence[int], cwd: Path, env: dict[str, str]) -> None:
        self.args = module
        self.returncode: int | None = None
        self._ended, theirs = os.pipe()
        try:
            self.pid = _parent().fork({"module": module, "cwd": str(cwd), "env": env}, [*fds, theirs])
        finally:
            os.close(theirs)

    def poll(self) -> int | None:
        """Its exit code, -N where signal N has ended it; None while it runs."""
        with suppress(subprocess.TimeoutExpired):
            return self.wait(0)
        return None

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code, when it has ended. Raises subprocess.TimeoutExpired where that takes more than `timeout` s."""
        if self.returncode is None:
            if not select.select([self._ended], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
            told = os.read(self._ended, 64)
            os.close(self._ended)
            self.returncode = os.waitstatus_to_exitcode(int(told or signal.SIGKILL))
        return self.returncode

    def communicate(self, said: str = "", timeout: float | None = None) -> tuple[str, str]:
        """Give it the last line that it gets, and wait for its end: the rest of its standard output and error."""
        assert self.stdin is not None
        assert self.stdout is not None
        assert self.stderr is not None
        with suppress(BrokenPipeError), self.stdin:
            self.stdin.write(said)
        with ThreadPoolExecutor(1) as beside:
            errors = beside.submit(self.stderr.read)
            output = self.stdout.read()
        self.wait(timeout)
        self.let_go()
        return output, errors.result()

    def let_go(self) -> None:
        """Close its pipes."""
        for pipe in (self.stdin, self.stdout, self.stderr):
            if pipe is not None:
                with suppress(BrokenPipeError):
                    pipe.close()

    def send_signal(self, number: int) -> None:
        """A signal, where it still runs."""
        # It may end, and be buried by its parent, before its end is told here.
        if self.poll() is None:
            with suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        """SIGTERM."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """SIGKILL."""
        self.send_signal(signal.SIGKILL)


def begun(
    command: Sequence[str], environment: Mapping[str, str] | None = None, *, as_one: bool = False
) -> subprocess.Popen[str] | Forked:
    """A program with pipes of text at its three ends: forked where it is `python -m` something of this program.
    `environment`: on top of this one; `as_one`: its errors go where its output goes."""
    python, *module = command
    env = {**os.environ, **(environment or {})}
    if not hasattr(os, "fork") or python != sys.executable or module[:1] != ["-m"]:
        pipe = subprocess.PIPE
        errors = subprocess.STDOUT if as_one else pipe
        return subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=errors, text=True, env=env)
    (in_, ours), *outs = [os.pipe() for _ in range(2 if as_one else 3)]
    ends = [in_, *(theirs for _, theirs in outs)]
    try:
        process = Forked(module[1:], [*ends[:2], ends[-1]], Path.cwd(), env)
    finally:
        for fd in ends:
            os.close(fd)
    # Whoever asked for them closes them.
    process.stdin = open(ours, "w", encoding="utf-8")  # noqa: SIM115
    process.stdout, *more = (open(one, encoding="utf-8") for one, _ in outs)  # noqa: SIM115
    process.stderr = more[0] if more else None
    return process


@cache
def _parent() -> _Parent:
    return _Parent()


class _Parent:
    """The process that forks, by the socket that it has one end of; it ends with us."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair()
        self._socket.settimeout(BEGUN_S)
        self._one = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, __file__, str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            cwd=ROOT,
        )
        theirs.close()

    def fork(self, order: dict[str, Any], fds: Sequence[int]) -> int:
        """Have a program run, with standard input, output, error, and where its end is told. Returns its number."""
        with self._one:
            socket.send_fds(self._socket, [json.dumps(order).encode()], fds)
            answer = self._socket.recv(64)
        if not answer:
            raise EOFError("the process that forks has ended")
        return int(answer)


# -- in the process that forks ------------------------------------------------------------------------------


def _serve(orders: socket.socket) -> None:
    import gc
    from importlib import import_module

    for name in LOADED:
        import_module(name)
    gc.collect()
    gc.freeze()
    # Whenever one ends, there is a byte to read.
    woken, wakes = socket.socketpair()
    wakes.setblocking(False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(wakes.fileno(), warn_on_full_buffer=False)
    ours = [orders, woken, wakes]
    run: dict[int, int] = {}
    while True:
        ready, _, _ = select.select([orders, woken], [], [])
        if woken in ready:
            woken.recv(4096)
            _tell(run)
        if orders not in ready:
            continue
        data, fds, _, _ = socket.recv_fds(orders, 2**20, 4)
        if not data:
            return
        child = os.fork()
        if not child:
            signal.set_wakeup_fd(-1)
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            for one in ours:
                one.close()
            for fd in (*run.values(), fds[3]):
                os.close(fd)
            _run(json.loads(data), fds[:3])
        for fd in fds[:3]:
            os.close(fd)
        run[child] = fds[3]
        orders.send(str(child).encode())


def _tell(run: dict[int, int]) -> None:
    """Tell of each that has ended how it did. `run`: where, by number."""
    for child, where in list(run.items()):
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            # Nobody may want to know it any more.
            with suppress(BrokenPipeError):
                os.write(where, str(status).encode())
            os.close(where)
            del run[child]


def _run(order: dict[str, Any], fds: Sequence[int]) -> NoReturn:
    """Be the program, to its end."""
    import atexit
    import traceback
    from importlib import import_module

    for number, fd in enumerate(fds):
        os.dup2(fd, number)
        os.close(fd)
    os.environ.clear()
    os.environ.update(order["env"])
    os.chdir(order["cwd"])
    tempfile.tempdir = None
    signal.signal(signal.SIGINT, signal.default_int_handler)
    name, *arguments = order["module"]
    sys.argv = [name, *arguments]
    encoding = order["env"].get("PYTHONIOENCODING", "utf-8").partition(":")[0]
    sys.stdin = open(0, encoding=encoding, closefd=False)  # noqa: SIM115
    sys.stdout = open(1, "w", encoding=encoding, closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", encoding=encoding, errors="backslashreplace", closefd=False)  # noqa: SIM115
    code: object = 0
    try:
        if name == "stagectl":
            import_module("stagectl.cli.main").main(prog_name="python -m stagectl")
        else:
            import_module(name).main()
    except SystemExit as end:
        code = end.code
    except BaseException:  # noqa: BLE001 - as the interpreter does it
        traceback.print_exc()
        code = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with suppress(BrokenPipeError):
            stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
