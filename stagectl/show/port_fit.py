"""Pedals that look for their MIDI port by the same name: each gets one of its own, but which is whose follows from the
order in which the system lists them, and that may be another one after they were plugged in anew."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from stagectl.errors import Advice

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


def port_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """Each pedal that looks for what one before it looks for."""
    first: dict[str, str] = {}
    for at, pedal in enumerate(show.rig.pedals):
        if pedal.port is None:
            continue
        other = first.setdefault(pedal.port.lower(), pedal.name)
        if other != pedal.name:
            says = f"`{pedal.name}` looks for a port with `{pedal.port}` in its name, as `{other}` does"
            more = "which of two such ports is whose is up to the system, so say more of each name"
            yield show.sources["rig"].advice(f"{says}: {more}", "pedals", at, "port")
