"""Nights of the whole stage under a seed. `python -m tests.world --seed N --nights K`; it ends with 1 where a rule was
broken, and says how to play that night again."""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from pathlib import Path


def main(argv: Sequence[str] | None = None) -> int:
    """Play the nights. Returns 0 where every rule held, 1 where one was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.world", description=__doc__)
    parser.add_argument("--seed", type=int, default=None, help="whole number; a new one each time where left out")
    parser.add_argument("--nights", type=int, default=None, help="how many nights, of about an hour each")
    parser.add_argument("--hours", type=float, default=None, help="about so many hours, instead of --nights")
    parser.add_argument("--night", type=int, default=None, help="this night alone")
    parser.add_argument("--only", default=None, help="with --night: only these of its inputs, as `0-4,9`")
    parser.add_argument("--trace", type=Path, default=None, help="write every event, its effects and bytes to a file")
    parser.add_argument("--no-shrink", action="store_true", help="do not look for a shorter history")
    parser.add_argument("--cores", type=int, default=None, help="how many nights at a time; as many as there are cores")
    parser.add_argument("--planted", default=None, metavar="NAME", help="with this bug in the program")
    given = parser.parse_args(argv)
    seed = given.seed if given.seed is not None else time.time_ns() % 1_000_000
    if given.planted is not None:
        from .planted import plant

        plant(given.planted)

    # The program is loaded from here on, with its bug, if it has to have one.
    from .play import play_all

    nights = given.nights if given.nights is not None else max(1, math.ceil(given.hours or 20))
    return play_all(
        seed,
        range(nights) if given.night is None else range(given.night, given.night + 1),
        only=given.only,
        trace=given.trace,
        shrinks=not given.no_shrink,
        cores=given.cores,
    )


if __name__ == "__main__":
    sys.exit(main())
