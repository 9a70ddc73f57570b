"""How much is measured."""

from __future__ import annotations

from typing import Final, NamedTuple


class Size(NamedTuple):
    """`blocks` of so many `presses` of each way; `runs` of each process; `nights` on the wire; `warm`: presses before
    memory is looked at; `times`: how often a demo night is played into a journal."""

    blocks: int
    presses: int
    runs: int
    nights: int
    warm: int
    times: int


FULL: Final = Size(blocks=20, presses=150, runs=15, nights=15, warm=2_000, times=20)
QUICK: Final = Size(blocks=6, presses=40, runs=2, nights=2, warm=200, times=3)
