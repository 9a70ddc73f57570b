"""Playing many nights, and telling what broke."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from .inputs import Input
from .rules import RULES
from .runner import Failure, Nights
from .shrink import shrunken

LAST: Final = 12
"""Lines of a history's end that are printed."""


def play_all(seed: int, which: Sequence[int], *, only: str | None, trace: Path | None, shrinks: bool) -> int:
    """Play nights until one breaks. Returns 0 or 1."""
    nights, begun = Nights(seed), time.process_time()
    file = None if trace is None else trace.open("w", encoding="utf-8")
    try:
        for night in which:
            inputs = nights.inputs_of(night)
            if only is not None:
                inputs = [inputs[at] for at in numbers(only, len(inputs))]
            failure, done = nights.play(night, inputs, file)
            done.end()
            if failure is not None:
                tell(nights, failure, shrinks=shrinks)
                return 1
        print(f"seed {seed}: {len(which)} nights, every rule held ({time.process_time() - begun:.1f} s of CPU)")
        return 0
    finally:
        nights.close()
        if file is not None:
            file.close()


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
