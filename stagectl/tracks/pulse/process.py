"""The process of one output of the pulse: nothing else keeps it from sending in time.

It is told what to do by lines of JSON on standard input, and says what happened by such lines on standard output:

    in    {"port": "lights", "api": "jack", "clock": true, "time_code": "25"}      the first line
          {"run": {"tempo": {…} or null, "zero": ns, "position": ns, "code_at": ns}}
          {"moved": ns}
          {"halt": true}
    out   {"here": true}, {"here": false}
          {"trouble": "a sentence"}
          {"sent": 5760, "late": 2, "worst": ns}     since the last such line: at each halt, and once a minute

The main thread sends, and only that: it sleeps until shortly before a message is due, where orders can wake it, and
then until it is due. Standard input, standard output and the ports have a thread each. It ends with standard input, and
stops the receiver before it does. A driver that hangs keeps all of Python from running (JACK, when its server dies at
the wrong moment), and so a watch that needs no Python ends the process: whoever started it starts another one.
"""

from __future__ import annotations

import faulthandler
import gc
import json
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from queue import Full, Queue
from typing import Any, Final, NamedTuple

from stagectl.apart.pipes import NONSENSE, parsed
from stagectl.core.tempo import TempoMap, from_plain
from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiOut, MidiSystem
from stagectl.tracks.pulse.lookout import Lookout
from stagectl.tracks.pulse.score import Score, Wants
from stagectl.wire.time_code import RATES

NEAR_NS: Final = 20_000_000 if sys.platform == "win32" else 2_000_000
"""Orders are heard up to so long before a message is due. Waiting for them is as fine as the system's timers."""

LATE_NS: Final = 1_500_000
"""What leaves later counts as late."""

BEAT_NS: Final = 1_000_000_000
"""The main thread comes by at least as often."""

SPARE_NS: Final = 6_000_000
"""To come by takes 0.2 ms, and a few on a busy machine: there is time for it so long before a message is due."""

SWITCH_S: Final = 0.000_5
"""How long the other threads may keep the main thread waiting: to read a long tempo map takes them tenths of a
second."""

HANGS_S: Final = 5.0
"""Where it has not come by for so long, the process is ended."""

REPORT_NS: Final = 60_000_000_000

ORDERS_MAX: Final = 10_000
LINES_MAX: Final = 1_000
"""Orders that wait for the main thread: beyond that the oldest are lost; and lines that wait to be read: beyond that
the newest are lost."""

LEAVES_S: Final = 0.05
"""What the last message has to leave this machine, s: a few periods of a sound card."""

ENDS_S: Final = 2.0
"""What closing the ports may take, s."""


class Track(NamedTuple):
    """What runs: see `Score.run`."""

    tempo: TempoMap | None
    zero: int
    position: int
    code_at: int = 0


class Sender:
    """Sends what the score says, to the port that is there. All but `put` belongs to the main thread."""

    def __init__(
        self, wants: Wants, say: Callable[[dict[str, Any]], None], give_back: Callable[[MidiOut], None]
    ) -> None:
        self._wants = wants
        self._say = say
        self._give_back = give_back
        self._orders: deque[Callable[[], None]] = deque(maxlen=ORDERS_MAX)
        self._woken = threading.Event()
        self._track: Track | None = None
        self._port: MidiOut | None = None
        self._score = Score(wants)
        self._sent = self._late = self._worst = 0
        self._report_at = time.monotonic_ns() + REPORT_NS
        self._beat_at = 0
        self._ended = False

    def put(self, order: Callable[[], None]) -> None:
        """An order, to be done by the main thread. From any thread."""
        self._orders.append(order)
        self._woken.set()

    # -- orders -------------------------------------------------------------------------------------------

    def run(self, track: Track) -> None:
        """The track runs."""
        self._track = track
        if self._port is not None:
            self._begin(track)
        gc.freeze()

    def _begin(self, track: Track) -> None:
        self._score.run(track.tempo, track.zero, track.position, time.monotonic_ns(), track.code_at)

    def moved(self, zero: int) -> None:
        """The track's zero is elsewhere than was thought."""
        if self._track is not None:
            self._track = self._track._replace(zero=zero)
            self._score.moved(zero, time.monotonic_ns())

    def halt(self) -> None:
        """The track stands still."""
        self._track = None
        self._score.halt(time.monotonic_ns())
        self._report()

    def found(self, port: MidiOut | None) -> None:
        """The port came, or has gone. Nobody knows what a receiver that comes was told before."""
        if self._port is None and port is None:
            return
        if self._port is not None:
            self._give_back(self._port)
        self._port = port
        self._score = Score(self._wants)
        if port is not None and self._track is not None:
            self._begin(self._track)
        self._say({"here": port is not None})

    def end(self) -> None:
        """Nothing more is wanted."""
        self.halt()
        self._ended = True

    # -- sending ------------------------------------------------------------------------------------------

    def forever(self) -> None:
        """Until the end is asked for."""
        while not self._ended:
            self._come_by(time.monotonic_ns())
            while self._orders:
                self._orders.popleft()()
            self._next()
        while self._score.due is not None:
            self._send()

    def _next(self) -> None:
        """Wait for what is due next, and send it; or until something else is to be done."""
        due = self._score.due
        left = BEAT_NS if due is None else due - NEAR_NS - time.monotonic_ns()
        if left > 0:
            if self._woken.wait(min(left, BEAT_NS) / 1e9):
                self._woken.clear()
            return
        assert due is not None
        left = due - time.monotonic_ns()
        if left > 0:
            time.sleep(left / 1e9)
        self._send()

    def _send(self) -> None:
        due, now = self._score.due, time.monotonic_ns()
        assert due is not None
        message = self._score.take(now)
        if message is None or self._port is None:
            return
        late = now - due
        self._sent += 1
        self._late += late > LATE_NS
        self._worst = max(self._worst, late)
        try:
            self._port.send(message)
        except DeviceError as error:
            self._say({"trouble": str(error)})
            self.found(None)

    def _come_by(self, now: int) -> None:
        """What is to be done now and then: not shortly before a message is due, unless there is never any time."""
        due = self._score.due
        busy = due is not None and due - now < SPARE_NS
        if now >= self._beat_at + (BEAT_NS if busy else 0):
            self._beat_at = now + BEAT_NS
            watch()
        if now >= self._report_at:
            self._report()

    def _report(self) -> None:
        if self._sent:
            self._say({"sent": self._sent, "late": self._late, "worst": self._worst})
        self._sent = self._late = self._worst = 0
        self._report_at = time.monotonic_ns() + REPORT_NS


_DEVNULL: Final = os.open(os.devnull, os.O_WRONLY)


def watch() -> None:
    """The process is ended where this is not called again in time."""
    faulthandler.dump_traceback_later(HANGS_S, exit=True, file=_DEVNULL)


def urgent() -> None:
    """This thread, and those that it begins, run as soon as there is something for them to do, where the system lets
    them: on Linux where the user may ask for real-time priority, as users of JACK may."""
    with suppress(OSError, AttributeError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(os.sched_get_priority_min(os.SCHED_FIFO)))


class Writer:
    """Writes lines to standard output from a thread of its own. What the drivers' C libraries write there goes
    nowhere."""

    def __init__(self) -> None:
        self._lines: Queue[str] = Queue(LINES_MAX)
        self._out = os.dup(1)
        os.dup2(_DEVNULL, 1)
        threading.Thread(target=self._forever, daemon=True).start()

    def say(self, what: dict[str, Any]) -> None:
        """A line, soon."""
        with suppress(Full):
            self._lines.put_nowait(json.dumps(what))

    def _forever(self) -> None:
        while True:
            # Where nobody reads any more, standard input ends as well.
            with suppress(OSError):
                os.write(self._out, self._lines.get().encode() + b"\n")


def read(sender: Sender) -> None:
    """Orders from standard input, until it ends. A line that is none costs that line."""
    with suppress(OSError):
        for line in sys.stdin.buffer:
            if (order := order_of(sender, line)) is not None:
                sender.put(order)
    sender.put(sender.end)


def order_of(sender: Sender, line: bytes) -> Callable[[], None] | None:
    """The order of a line; None where it is none."""
    if (said := parsed(line)) is not None:
        with suppress(*NONSENSE):
            return _order(sender, said)
    return None


def _order(sender: Sender, said: dict[str, Any]) -> Callable[[], None]:
    if (run := said.get("run")) is not None:
        tempo = None if run["tempo"] is None else from_plain(run["tempo"])
        return partial(sender.run, Track(tempo, int(run["zero"]), int(run["position"]), int(run.get("code_at", 0))))
    return sender.halt if said.get("halt") else partial(sender.moved, int(said["moved"]))


def main() -> None:
    """The process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Clients of a JACK server that died share the semaphores of their name with new ones of that name, of any process:
    # so ours are counted from a number that is this process's alone.
    MidiSystem._reached = os.getpid()
    writer = Writer()
    first = json.loads(sys.stdin.buffer.readline())
    wants = Wants(first["clock"], None if first["time_code"] is None else RATES[first["time_code"]])

    def trouble(sentence: str) -> None:
        writer.say({"trouble": sentence})

    lookout = Lookout(first["port"], first["api"], lambda port: sender.put(partial(sender.found, port)), trouble)
    sender = Sender(wants, writer.say, lookout.give_back)
    # A handler interrupts the main thread anywhere, also where it holds what `put` waits for.
    signal.signal(signal.SIGTERM, lambda *_: threading.Thread(target=sender.put, args=(sender.end,)).start())
    watch()
    sys.setswitchinterval(SWITCH_S)
    threading.Thread(target=read, args=(sender,), daemon=True).start()
    # The thread that looks is as urgent as the one that sends, since it keeps Python's lock while a driver lists ports.
    # The one that reads is not: a long tempo map is work.
    urgent()
    looks = threading.Thread(target=lookout.forever, daemon=True)
    looks.start()
    gc.collect()
    gc.freeze()
    code = 0
    try:
        sender.forever()
    except Exception as error:  # noqa: BLE001 - it is told, and whoever started this process starts another one
        trouble(f"{type(error).__name__}: {error}")
        code = 1
    time.sleep(LEAVES_S)
    # A JACK server takes seconds to get over a client that is gone without a word. Where closing hangs, so be it.
    lookout.end()
    looks.join(ENDS_S)
    os._exit(code)


if __name__ == "__main__":
    main()
