"""How long the song changes of the demo night take on the wire, against what `check` says. Run by hand:
`python tests/bench_wire.py`.

`stagectl run` plays the nine songs on a desk behind `link: din`, and every message is stamped by JACK's own clock, in
the period in which it arrives (RtMidi takes `jack_get_time` in JACK's thread). A count of periods would not do: periods
that JACK leaves out on a busy machine are missing in it. JACK itself is far quicker than a MIDI cable: what is measured
is the paced stream that the program puts out. What is compared:

- a cut: from its first message to its last one, and what that last level takes on the wire itself (a stamp says when a
  message begins), with the time on the wire that `check` prints;
- a fade: from its first message to the first one of its last frame, and that frame, with the fade that `check` prints.
  Only on a desk of fine steps (14 bits): on coarse ones a level is there before its fade is over.

A stamp is as fine as JACK's period (1.3 ms) and the loop's timer (1 ms), and on a busy machine a loop that wakes late
sends at once what has come due meanwhile. So each night is played several times and the median counts; a change of a
few milliseconds still cannot be told to 2 % by itself, but the sum can. It prints figures and judges nothing.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, Queue
from typing import Any, Final, NamedTuple

from lines import Program

from stagectl.core.actions import Next
from stagectl.core.events import DeskCame, Wanted
from stagectl.core.fade import frames_of
from stagectl.core.plan import Plan
from stagectl.rehearse.room import Room
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.show.summary import Change, Changes
from stagectl.story.rows import stop_names
from stagectl.story.wire import Sent
from stagectl.story.words import place
from stagectl.where import shipped
from stagectl.wire.midi import BYTE_NS

FRAMES: Final = 64
"""One period of JACK."""

JUDGE, FOOT = "bench-wire-desk", "bench-wire-foot"

FOOT_MAPPING = "name: one switch\ncontrols:\n  on: {sends: {control change: 80}, bounce: 0 ms, press: next}\n"


def write_show(folder: Path, profile: str, cuts: bool) -> Show:
    """The nine songs on this kind of desk, with a foot of our own; `cuts`: with no fades."""
    for path in (shipped("setlists") / "nine-songs").glob("*.yaml"):
        text = path.read_text("utf-8").replace("profile: control-change", f"profile: {profile}")
        text = text.replace("port: desk", f"port: {JUDGE}").replace("mapping: two-switch", "mapping: one-switch")
        text = text.replace("port: drum pedal", f"port: {FOOT}")
        if path.name == "rig.yaml":
            text += "limits: {settle time: 0}\n"
        if path.name != "presses.yaml":
            (folder / path.name).write_text(re.sub(r"fade: [\d.]+", "fade: 0", text) if cuts else text, "utf-8")
    (folder / "one-switch.yaml").write_text(FOOT_MAPPING)
    return load_show(folder)


def rehearsed(show: Show, plan: Plan) -> Iterator[list[Sent]]:
    """What the desk gets by each press, under the virtual clock."""
    room = Room(show, compile_show(show))
    room.do(DeskCame(), 0)
    for stop in range(1, len(plan.stops)):
        moments = room.do(Wanted(action=Next(), who="the bench", listener=1), stop * 100 * 10**9) + room.wait()
        yield [one for one in moments if isinstance(one, Sent) and one.to == "desk"]


class Stamped(NamedTuple):
    """Messages as JACK heard them, and from the first to the last, ns."""

    packets: tuple[bytes, ...]
    span_ns: int

    @property
    def told(self) -> int:
        """How many."""
        return len(self.packets)

    @property
    def took_ns(self) -> int:
        """To the end of the last one on the wire: a stamp says when a message begins."""
        return self.span_ns + BYTE_NS * len(self.packets[-1])

    @property
    def limit_ns(self) -> int:
        """What these bytes take on a DIN wire at the least."""
        return BYTE_NS * sum(map(len, self.packets))


class Judge:
    """The desk's port. Counts the time by what JACK's clock says between two messages."""

    def __init__(self) -> None:
        import rtmidi

        self.port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=JUDGE)
        self.clock_ns = 0
        self.stamps: Queue[tuple[int, bytes]] = Queue()
        self.port.set_callback(self._hear)
        self.port.open_virtual_port("in")

    def _hear(self, event: tuple[list[int], float], _: object) -> None:
        self.clock_ns += round(event[1] * 1e9)
        self.stamps.put((self.clock_ns, bytes(event[0])))

    def heard(self, count: int) -> Stamped:
        """The messages of one change; fewer than there should be where JACK lost some, or a late loop left some out."""
        stamps: list[tuple[int, bytes]] = []
        with suppress(Empty):
            while len(stamps) < count:
                stamps.append(self.stamps.get(timeout=1.5 if stamps else 6))
        packets = tuple(packet for _, packet in stamps)
        return Stamped(packets, stamps[-1][0] - stamps[0][0] if stamps else 0)

    def close(self) -> None:
        """Let go of the port."""
        self.port.close_port()
        self.port.delete()


@contextmanager
def program(*command: str, end: signal.Signals) -> Iterator[Program]:
    """A program, ended by that signal."""
    started = Program(command)
    try:
        yield started
    finally:
        started.close(end)


def played(folder: Path, expected: list[int], judge: Judge, foot: Any) -> list[Stamped]:
    """The night, press by press."""
    command = [sys.executable, "-m", "stagectl", "run", str(folder), "--midi-api", "jack"]
    journal = str(folder / f"{time.monotonic_ns()}.night")
    with program(*command, "--journal", journal, end=signal.SIGTERM) as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        out = []
        for count in expected:
            foot.send_message([0xB0, 80, 127])
            foot.send_message([0xB0, 80, 0])
            out.append(judge.heard(count))
        return out


def whole_scene(judge: Judge, foot: Any, nights: int) -> Iterator[Stamped]:
    """The first press of the nine songs tells the desk everything. A night that lost messages is passed over; where all
    did, SystemExit."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        show = write_show(folder, "control-change", True)
        expected = len(next(rehearsed(show, compile_show(show).plan)))
        whole = 0
        for _ in range(nights):
            [one] = played(folder, [expected], judge, foot)
            if one.told == expected:
                whole += 1
                yield one
    if not whole:
        raise SystemExit(f"in none of {nights} nights did all {expected} messages arrive: JACK lost some of them")


def lasts(plan: Plan, change: Change, stamped: Stamped) -> tuple[int, int]:
    """How long a change took, and how long `check` says that it takes, ns."""
    last_ns = max(plan.link.message_ns, plan.link.takes(whole=True))
    if not change.fade_ns:
        return stamped.span_ns + last_ns, change.wire_ns
    frame_ns = frames_of(change.fade_ns, change.wire_ns).frame_ns
    return stamped.span_ns - (change.wire_ns - last_ns) + frame_ns, change.fade_ns


def night(judge: Judge, foot: Any, profile: str, cuts: bool, nights: int) -> None:
    """Play it, and print the table of the medians."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        show = write_show(folder, profile, cuts)
        plan = compile_show(show).plan
        found = Changes(show, plan)
        changes = [found.everything(), *list(found)[1:]]
        expected = [len(sent) for sent in rehearsed(show, plan)]
        came = [played(folder, expected, judge, foot) for _ in range(nights)]
    print(f"{profile}, {'cuts' if cuts else 'with the fades of the set'}, {nights} nights, ms")
    print(f"  {'':44}{'check':>10}{'measured':>10}{'off by':>9}  from … to")
    sums = [0.0, 0.0]
    for at, (change, count) in enumerate(zip(changes, expected, strict=True)):
        label = place(*stop_names(plan, change.stop)) if at else "everything, at the first press"
        both = [lasts(plan, change, one[at]) for one in came if one[at].told == count]
        if not both:
            print(f"  {label:44}{'messages were lost or overtaken':>40}")
            continue
        measured, says = statistics.median(took for took, _ in both), both[0][1]
        sums = [sums[0] + measured, sums[1] + says]
        print(row(label, says, measured) + f"  {min(both)[0] / 1e6:.2f} … {max(both)[0] / 1e6:.2f}")
    print(row("sum", sums[1], sums[0]) + "\n", flush=True)


def row(label: str, says: float, measured: float) -> str:
    """Times in ms, and the difference in percent."""
    off = f"{100 * (measured - says) / says:+8.2f}%" if says else f"{'':9}"
    return f"  {label:44}{says / 1e6:10.2f}{measured / 1e6:10.2f}{off}"


def main() -> None:
    """Print the tables."""
    import rtmidi

    # A server of its own, whatever else runs.
    os.environ["JACK_DEFAULT_SERVER"] = f"bench-wire-{os.getpid()}"
    from jack import running_jack

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--nights", type=int, default=9, help="how often each night of cuts is played")
    nights = parser.parse_args().nights
    with running_jack(frames=FRAMES, realtime=False, waits=False):
        judge = Judge()
        foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=FOOT)
        foot.open_virtual_port("out")
        for profile in ("control-change", "nrpn"):
            night(judge, foot, profile, True, nights)
        night(judge, foot, "nrpn", False, max(1, nights // 3))
        judge.close()
        foot.close_port()
        foot.delete()


if __name__ == "__main__":
    main()
