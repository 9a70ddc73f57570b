"""A live night on real ports, for as long as you like: does anything grow? `python tests/soak_night.py --minutes 30`.

A pedal over MIDI (JACK with no sound card) and one over OSC are pressed at rates from one in two seconds to twenty a
second; a desk over OSC answers and reports; five people are at the page, leave and come back; songs change; a hand
moves a fader at the desk; and now and then the pedal or the desk's cable is pulled out and plugged in again. A press is
timed from the foot to the first byte of its own answer on the wire to the desk; while a cable is out nothing is timed.

At the end of each stretch (a minute, or less where the whole is short), with everything plugged in and everybody at the
page, it notes what the program and its page hold: memory (/proc/PID/smaps_rollup), open files, threads. The first fifth
(at most five minutes) is warm-up. It ends with 1 where memory grows by 1 MB or more after that (straight line by least
squares over all samples), files or threads are not constant, presses of the second half take longer than 1.25 times
those of the first, a press over OSC is lost, the program's end is not clean, or its journal is not whole: `PRAGMA
integrity_check` of SQLite, and all presses that were answered are in it. JACK itself loses MIDI where it is late; what
was lost there is counted, and judged by nobody.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

# A server of its own, whatever else runs; set before anything speaks to one.
os.environ["JACK_DEFAULT_SERVER"] = f"soak-{os.getpid()}"

from bench_parts.evening import Evening
from bench_parts.figures import median, p99
from bench_parts.machine import machine
from bench_parts.proc import Held, held, with_page
from bench_parts.verdict import KB, Sample, Verdict, judged

from stagectl.errors import DeviceError

FRAMES: Final = 256
"""A period of JACK."""

RATES: Final = (0.5, 2.0, 5.0, 20.0)
"""Presses a second."""

RATE_S: Final = (5.0, 15.0)
PULL_S: Final = (8.0, 20.0)
SONG_S: Final = (5.0, 15.0)
HAND_S: Final = (6.0, 12.0)
CROWD_S: Final = (15.0, 30.0)
"""How long until the next one of each, s."""

STRETCH_S: Final = 60.0
STRETCHES: Final = 20
"""At least so many stretches."""

WARM_MINUTES: Final = 5.0
CROWD: Final = "look 5"

SETTLES_S: Final = 5.0
"""How long what is closing may still hold a file, s."""


class Night:
    """Drives an evening, and takes its samples."""

    def __init__(self, evening: Evening, seed: int) -> None:
        self._evening = evening
        self._dice = random.Random(seed)
        self._pages = with_page(evening.program.pid)
        self._first: dict[str, Held] = {}
        self._due = dict.fromkeys(("rate", "pull", "song", "hand", "crowd"), 0.0)
        self._rate = 1.0
        self._pulls = 0
        self.answered = 0

    def stretch(self, seconds: float) -> dict[str, list[int]]:
        """So long: what presses took, ns, by way."""
        taken: dict[str, list[int]] = {way: [] for way in self._evening.presser}
        ends = time.monotonic() + seconds
        while (now := time.monotonic()) < ends:
            self._now_and_then(now)
            for way, presser in self._evening.presser.items():
                one = presser.press()
                if one is not None:
                    taken[way].append(one)
                    self.answered += 1
                time.sleep(self._dice.uniform(0.5, 1.5) / self._rate)
        return taken

    def _now_and_then(self, now: float) -> None:
        if self._comes("rate", RATE_S, now):
            self._rate = self._dice.choice(RATES)
        if self._comes("song", SONG_S, now):
            self._evening.next()
        if self._comes("hand", HAND_S, now):
            self._evening.hand(-self._dice.randint(10, 30))
        if self._comes("crowd", CROWD_S, now):
            self._evening.crowd("leave")
            self._evening.crowd(CROWD)
        if self._comes("pull", PULL_S, now):
            self._pulls += 1
            (self._evening.pedal_out_and_in if self._pulls % 3 else self._evening.desk_out_and_in)()

    def _comes(self, what: str, within: tuple[float, float], now: float) -> bool:
        """Whether it is time for it. The first times are spread out, too."""
        due = self._due[what]
        if due == 0.0 or now >= due:
            self._due[what] = now + self._dice.uniform(*within)
        return 0.0 < due <= now

    def holds(self) -> dict[str, Held]:
        """What the processes hold; what is still closing is waited for."""
        ends = time.monotonic() + SETTLES_S
        while True:
            now = {"program": held(self._evening.program.pid), "page": held(self._pages)}
            first = self._first or now
            same = all((one.files, one.threads) == (first[of].files, first[of].threads) for of, one in now.items())
            if same or time.monotonic() > ends:
                return now
            time.sleep(0.05)

    def warm(self) -> None:
        """From now on files and threads are to stay as they are."""
        self._first = self.holds()

    @property
    def page(self) -> int:
        """The number of its process."""
        return with_page(self._evening.program.pid)


def played(night: Night, minutes: float) -> Iterator[Sample]:
    """The whole night, stretch by stretch, each told when it is over."""
    length = min(STRETCH_S, minutes * 60 / STRETCHES)
    began = time.monotonic()
    print(f"{'':8}{'over MIDI, µs':^24}  {'over OSC, µs':^24}  {'program':^27}  {'page':^27}")
    press, holds = f"{'n':>6}{'median':>9}{'p99':>9}", f"{'MB':>8}{'by part':>8}{'files':>6}{'thr.':>5}"
    print(f"{'minute':>6}  {press}  {press}  {holds}  {holds}")
    while time.monotonic() < began + minutes * 60:
        taken = night.stretch(length)
        holds_now = night.holds()
        at = (time.monotonic() - began) / 60
        cells = [*map(_took, taken.values()), *map(_holds, holds_now.values())]
        print(f"{at:6.1f}  " + "  ".join(cells), flush=True)
        yield Sample(at, holds_now, {way: median(of) for way, of in taken.items() if of})


def _took(times: Sequence[int]) -> str:
    if not times:
        return f"{0:6}{'':18}"
    return f"{len(times):6}{median(times) / 1e3:9.0f}{p99(times) / 1e3:9.0f}"


def _holds(of: Held) -> str:
    return f"{of.rss * KB / 1e6:8.2f}{of.pss * KB / 1e6:8.2f}{of.files:6}{of.threads:5}"


def journal_is_whole(path: Path, answered: int) -> Verdict:
    """By SQLite's own check, and by counting."""
    with closing(sqlite3.connect(path)) as journal:
        [[whole]] = journal.execute("PRAGMA integrity_check").fetchall()
        [[presses]] = journal.execute("SELECT count(*) FROM story WHERE kind = 'press' AND what = 'nudge'").fetchall()
    says = f"journal: integrity {whole}, {presses:,} nudges in it, {answered:,} were answered"
    return Verdict(says, whole == "ok" and presses >= answered)


def main() -> None:
    """Print the samples and the verdicts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--seed", type=int, default=1, help="of all that comes by chance")
    given = parser.parse_args()
    from jack import running_jack

    print("\n".join(machine()))
    with tempfile.TemporaryDirectory() as folder, running_jack(FRAMES, realtime=False):
        evening = Evening(Path(folder))
        try:
            evening.crowd(CROWD)
            night = Night(evening, given.seed)
            page = night.page
            warm_up = min(WARM_MINUTES, given.minutes / 5)
            samples = []
            for sample in played(night, given.minutes):
                if sample.at < warm_up:
                    night.warm()
                    continue
                samples.append(sample)
            verdicts = judged(samples)
            verdicts.append(
                Verdict(f"page: {'the same process' if night.page == page else 'ANOTHER process'}", night.page == page)
            )
            for way, presser in evening.presser.items():
                says = f"press over {way}: {presser.note()}"
                verdicts.append(Verdict(says, not presser.lost or way == "MIDI"))
        finally:
            code = evening.close()
        verdicts.append(Verdict(f"program: exit code {code}", code == 0))
        verdicts.append(journal_is_whole(evening.journal, night.answered))
        warned = evening.warnings.read_text().splitlines()
        print(f"\n{len(warned)} lines on standard error" + "".join(f"\n  {line}" for line in warned[-5:]))
    for one in verdicts:
        print(f"{'ok ' if one.well else 'BAD'} {one.says}")
    raise SystemExit(0 if all(one.well for one in verdicts) else 1)


if __name__ == "__main__":
    try:
        main()
    except DeviceError as error:
        raise SystemExit(f"no JACK: {error}") from None
