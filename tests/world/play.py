"""Playing many nights, and telling what broke."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from multiprocessing.util import Finalize
from pathlib import Path
from typing import Final, NamedTuple

from .inputs import Input
from .promises import RULES
from .runner import Failure, Nights
from .shrink import shrunken

LAST: Final = 12
"""Lines of a history's end that are printed."""

AT_ONCE: Final = 8
"""Nights that a process plays before it is asked whether one broke elsewhere."""


class Done(NamedTuple):
    """What came of some nights: how many were played, the first of them that broke, what was seen, and s of CPU."""

    nights: int
    failure: Failure | None
    seen: Counter[str]
    cpu_s: float


def play_all(
    seed: int, which: Sequence[int], *, only: str | None, trace: Path | None, shrinks: bool, cores: int | None = None
) -> int:
    """Play nights until one breaks. `cores`: how many at a time; as many as there are, where it is left out. Returns 0
    or 1."""
    cores = 1 if only is not None or trace is not None or len(which) < 2 else cores or os.cpu_count() or 1
    nights = Nights(seed)
    try:
        done = _here(nights, which, only, trace) if cores == 1 else _shared_out(seed, which, cores)
        return _told(nights, done, shrinks=shrinks)
    finally:
        nights.close()


def _told(nights: Nights, done: Done, *, shrinks: bool) -> int:
    """Print what came of it. Returns 0 or 1."""
    seed, seen, failure = nights.seed, done.seen, done.failure
    told = ", ".join(f"{seen[what]:,} {what}" for what in ("steps", "presses", "faults", "messages", "rests"))
    print(f"seed {seed}: {done.nights} nights of {seen['seconds'] / 3600:.0f} hours, {done.cpu_s:.1f} s of CPU: {told}")
    if failure is None:
        print(f"seed {seed}: {done.nights} nights, every rule held")
        return 0
    tell(nights, failure, shrinks=shrinks)
    print(f"seed {seed}: rule {failure.rule} was broken in night {failure.night}")
    return 1


def _here(nights: Nights, which: Sequence[int], only: str | None, trace: Path | None) -> Done:
    """Nights in this process, one after the other."""
    begun, played, failure = time.process_time(), 0, None
    nights.seen.clear()
    file = None if trace is None else trace.open("w", encoding="utf-8")
    try:
        for night in which:
            inputs = nights.inputs_of(night)
            if only is not None:
                inputs = [inputs[at] for at in numbers(only, len(inputs))]
            failure, done = nights.play(night, inputs, file)
            done.end()
            played += 1
            if failure is not None:
                break
        return Done(played, failure, Counter(nights.seen), time.process_time() - begun)
    finally:
        if file is not None:
            file.close()


_OURS: Final[dict[int, Nights]] = {}
"""In a process that plays a part: the nights of its seed, with the shows that were read."""


def _part(seed: int, which: Sequence[int]) -> Done:
    nights = _OURS.get(seed)
    if nights is None:
        nights = _OURS[seed] = Nights(seed)
        Finalize(None, nights.close, exitpriority=1)
    return _here(nights, which, None, None)


def _shared_out(seed: int, which: Sequence[int], cores: int) -> Done:
    """Nights on several cores. Of those that break, the one with the lowest number is told, whoever was quicker."""
    parts: Iterator[Sequence[int]] = iter([which[at : at + AT_ONCE] for at in range(0, len(which), AT_ONCE)])
    whole = Done(0, None, Counter(), 0.0)
    with ProcessPoolExecutor(cores, mp_context=multiprocessing.get_context("fork")) as pool:
        running: set[Future[Done]] = set()
        while True:
            while whole.failure is None and len(running) < cores and (part := next(parts, None)) is not None:
                running.add(pool.submit(_part, seed, part))
            if not running:
                return whole
            over, running = wait(running, return_when=FIRST_COMPLETED)
            for one in over:
                whole = _both(whole, one.result())


def _both(one: Done, other: Done) -> Done:
    failures = [done.failure for done in (one, other) if done.failure is not None]
    first = min(failures, key=lambda failure: failure.night, default=None)
    return Done(one.nights + other.nights, first, one.seen + other.seen, one.cpu_s + other.cpu_s)


def numbers(text: str, most: int) -> list[int]:
    """`0-4,9` as numbers below `most`. Raises ValueError."""
    out: list[int] = []
    for part in filter(None, text.split(",")):
        first, _, last = part.partition("-")
        out += range(int(first), int(last or first) + 1)
    return [at for at in out if at < most]


def as_text(found: Sequence[int]) -> str:
    """The other way round."""
    out: list[list[int]] = []
    for at in found:
        if out and out[-1][1] == at - 1:
            out[-1][1] = at
        else:
            out.append([at, at])
    return ",".join(f"{first}" if first == last else f"{first}-{last}" for first, last in out)


def tell(nights: Nights, failure: Failure, *, shrinks: bool) -> None:
    """Print what broke, where, and how to have it again."""
    where = f"seed {nights.seed}, night {failure.night}, {failure.at / 1e9:.6f} s"
    print(f"BROKEN rule={failure.rule} seed={nights.seed} night={failure.night} event={failure.event}: {failure.says}")
    print(f"{where}: rule {failure.rule}")
    print(f"  {RULES[failure.rule]}")
    inputs: list[Input] = failure.inputs
    told = failure
    if shrinks:
        told = shrunken(nights, failure)
        print(f"{len(told.inputs)} of {len(inputs)} inputs are enough: rule {told.rule}: {told.says}")
    every = nights.inputs_of(failure.night)
    places = [at for at, one in enumerate(every) if one in told.inputs] if shrinks else list(range(len(every)))
    for one in told.inputs if shrinks else told.inputs[-LAST:]:
        if one.at <= told.at:
            print(one)
    print("how it came to it:")
    for line in told.last[-LAST:]:
        print(f"  {line[:600]}")
    more = f" --only {as_text(places)}" if shrinks else ""
    print(f"again: python -m tests.world --seed {nights.seed} --night {failure.night}{more}")
