"""A JACK server with no sound card, and the hand that frees it when it waits for itself.

JACK2's thread for requests learns from its thread for the sound by a socket of its own. Where a client dies while
another comes, it may read from that socket before anything was written (seen with 1.9.22: a read that waits, and the
other end in the same process); every client waits with it, until there is something to say. On a busy machine that is
soon a period that came late; on a quiet one it is never. So a server that has waited like this is held up for long
enough to be late.

It waits in each period until all clients have had their turn (`--sync`). A server that does not, as is its default,
takes what a client that is late has got ready while that goes on writing it: messages are lost, or come twice (seen
with 1.9.21 on a busy machine: 1 in 100, and none where it waits), and RtMidi ends the process that hears them,
since it goes by what `jack_midi_event_get` has not filled in. The price: where a client is killed, or
goes at an unlucky moment, it waits for that one for five seconds, and all others with it (measured: what was sent
meanwhile came when they were over, or never). A night on stage has a server that does not wait, with real-time
priority; tests have no priority, and what they end comes last.

The hand is a process of its own (`python jackd.py PID`): a client in this one may wait for the server and keep all of
Python from running meanwhile.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

STARTS_S: Final = 10
LOOK_S: Final = 0.5
HELD_UP_S: Final = 0.05
WAITS: Final = "unix_stream_read_generic"
"""Where Linux says that a thread waits which reads from such a socket."""


@contextmanager
def jackd(
    name: str,
    *,
    frames: int,
    rate: int = 48_000,
    realtime: bool = False,
    waits: bool = True,
    more: Sequence[str] = (),
) -> Iterator[subprocess.Popen[bytes]]:
    """The server, until it is told to end or was killed. `name`: as in `JACK_DEFAULT_SERVER`; `frames`: of a period;
    `waits`: in each for all clients."""
    real = "--realtime" if realtime else "--no-realtime"
    command = (
        "jackd",
        real,
        *(("--sync",) if waits else ()),
        "-n",
        name,
        "-d",
        "dummy",
        "-r",
        str(rate),
        "-p",
        str(frames),
        *more,
    )
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    hand = subprocess.Popen((sys.executable, "-S", __file__, str(process.pid)), stdin=subprocess.DEVNULL)
    try:
        environment = os.environ | {"JACK_DEFAULT_SERVER": name}
        subprocess.run(("jack_wait", "-w", "-t", str(STARTS_S)), capture_output=True, check=False, env=environment)
        yield process
    finally:
        hand.kill()
        hand.wait(STARTS_S)
        # The hand may have held it just now.
        process.send_signal(signal.SIGCONT)
        # Where it still lives, it tidies up behind itself: only eight servers fit in JACK's registry.
        process.terminate()
        process.wait(STARTS_S)


def _free(pid: int) -> None:
    """Be the hand, for as long as the server is there, and whoever has started it."""
    waited, parent = False, os.getppid()
    while _lives(pid) and os.getppid() == parent:
        time.sleep(LOOK_S)
        waits = _waits(pid)
        if waits and waited:
            os.kill(pid, signal.SIGSTOP)
            time.sleep(HELD_UP_S)
            os.kill(pid, signal.SIGCONT)
        waited = waits


def _lives(pid: int) -> bool:
    """Whether a process is there, and has not ended."""
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def _waits(pid: int) -> bool:
    """Whether a thread of the process waits for what a socket says."""
    with suppress(OSError):
        return any(path.read_text() == WAITS for path in Path(f"/proc/{pid}/task").glob("*/wchan"))
    return False


if __name__ == "__main__":
    with suppress(ProcessLookupError):
        _free(int(sys.argv[1]))
