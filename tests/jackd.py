"""A JACK server with no sound card, and the hand that frees it when it waits for itself.

JACK2's thread for requests learns from its thread for the sound by a socket of its own. Where a client dies while
another comes, it may read from that socket before anything was written (seen with 1.9.22: a read that waits, and the
other end in the same process); every client waits with it, until there is something to say. On a busy machine that is
soon a period that came late; on a quiet one it is never. So a server that has waited like this is held up for long
enough to be late.
"""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event, Thread
from typing import Final

STARTS_S: Final = 10
LOOK_S: Final = 0.5
HELD_UP_S: Final = 0.05
WAITS: Final = "unix_stream_read_generic"
"""Where Linux says that a thread waits which reads from such a socket."""


@contextmanager
def jackd(
    name: str, *, frames: int, rate: int = 48_000, realtime: bool = False, more: Sequence[str] = ()
) -> Iterator[subprocess.Popen[bytes]]:
    """The server, until it is told to end or was killed. `name`: as in `JACK_DEFAULT_SERVER`; `frames`: of a period."""
    real = "--realtime" if realtime else "--no-realtime"
    command = ("jackd", real, "-n", name, "-d", "dummy", "-r", str(rate), "-p", str(frames), *more)
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    over = Event()
    hand = Thread(target=_free, args=(process, over), daemon=True)
    hand.start()
    try:
        environment = os.environ | {"JACK_DEFAULT_SERVER": name}
        subprocess.run(("jack_wait", "-w", "-t", str(STARTS_S)), capture_output=True, check=False, env=environment)
        yield process
    finally:
        over.set()
        hand.join()
        # Where it still lives, it tidies up behind itself: only eight servers fit in JACK's registry.
        process.terminate()
        process.wait(STARTS_S)


def _free(process: subprocess.Popen[bytes], over: Event) -> None:
    waited = False
    while not over.wait(LOOK_S) and process.poll() is None:
        waits = _waits(process.pid)
        if waits and waited:
            process.send_signal(signal.SIGSTOP)
            over.wait(HELD_UP_S)
            process.send_signal(signal.SIGCONT)
        waited = waits


def _waits(pid: int) -> bool:
    """Whether a thread of the process waits for what a socket says."""
    with suppress(OSError):
        return any(path.read_text() == WAITS for path in Path(f"/proc/{pid}/task").glob("*/wchan"))
    return False
