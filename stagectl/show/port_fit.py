"""Pedals that look for their MIDI port, or their keyboard, by the same name: each gets one of its own, but which is
whose follows from the order in which the system lists them, and that may be another one after they were plugged in
anew."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from stagectl.errors import Advice

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


DO: Final = {
    "port": "say more of each name",
    "keyboard": "say more of each name, or, where the names are the same, try both before the show",
}
"""What pedals look for, and what to do where two look for the same."""


def port_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """Each pedal that looks for what one before it looks for."""
    first: dict[tuple[str, str], str] = {}
    for at, pedal in enumerate(show.rig.pedals):
        for what, name in (("port", pedal.port), ("keyboard", pedal.keyboard)):
            other = pedal.name if name is None else first.setdefault((what, name.lower()), pedal.name)
            if other != pedal.name:
                says = f"`{pedal.name}` looks for a {what} with `{name}` in its name, as `{other}` does"
                more = f"which of two such {what}s is whose is up to the system, so {DO[what]}"
                yield show.sources["rig"].advice(f"{says}: {more}", "pedals", at, what)
