"""Making a history shorter: delta debugging over its inputs (Zeller, Hildebrandt: "Simplifying and Isolating
Failure-Inducing Input", 2002), as far as a bound allows."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from .page_end import KINDS

if TYPE_CHECKING:
    from .inputs import Input
    from .runner import Failure, Nights

TRIES_MAX: Final = 200
"""Nights that are played to make one history shorter."""

TIME_MAX_S: Final = 60.0
"""How long that may take, s of CPU."""


def shrunken(nights: Nights, failure: Failure) -> Failure:
    """The same failure (by its rule) with as few inputs as were found."""
    best, tries, parts, begun = _cut(failure), 0, 2, time.process_time()
    while len(best.inputs) > 1 and tries < TRIES_MAX:
        size = max(1, -(-len(best.inputs) // parts))
        for begin in range(0, len(best.inputs), size):
            tries += 1
            inputs: list[Input] = best.inputs[:begin] + best.inputs[begin + size :]
            found, _ = nights.play(failure.night, inputs)
            if found is not None and found.rule == failure.rule:
                best, parts = _cut(found), max(2, parts - 1)
                break
            if tries >= TRIES_MAX or time.process_time() - begun > TIME_MAX_S:
                return best
        else:
            if size == 1:
                break
            parts = min(len(best.inputs), 2 * parts)
    return best


def _cut(failure: Failure) -> Failure:
    """What comes after it broke plays no part, but that a night has a page where anything in it needs one."""
    some = [one for one in failure.inputs if one.at <= failure.at or one.kind == "end" or one.kind in KINDS]
    return failure._replace(inputs=some)
