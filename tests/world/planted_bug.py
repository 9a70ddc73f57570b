"""What a planted bug is."""

from __future__ import annotations

from typing import NamedTuple


class Bug(NamedTuple):
    """A bug. `breaks`: what of "What always holds" it breaks, by its number in the design, or a heading of the design;
    `file`: where, from the program's folder; `old`: a text that stands there once, `new`: what stands there then;
    `needs`: what a night has to have for it, by `has` of `planted_tries.py`: others are not tried."""

    name: str
    breaks: int | str
    file: str
    old: str
    new: str
    needs: tuple[str, ...] = ()
