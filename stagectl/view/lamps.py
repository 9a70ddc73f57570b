"""The lamps of the stage page: pedals, desk, players, devices, journal, the page itself; in words what is wrong."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeAlias, TypedDict

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.core.state import State

LampState: TypeAlias = Literal["ok", "wait", "wrong"]


class LampEntry(TypedDict):
    """A lamp. `wait`: it has never been here, and is waited for; `wrong`: it was lost, or says what is wrong."""

    what: Literal["pedal", "desk", "player", "device", "journal", "page"]
    name: str
    state: LampState
    says: str


class Known(NamedTuple):
    """What is known of the connections beyond the state. `pedals_here`: by index; `wants`: what is looked for, by
    name (`desk` for the desk); `met`: the names of what has been here before; `journal`, `page`: what is wrong with
    them, None if nothing is; `clients`: how many look at the page; `devices_here`: by name."""

    pedals_here: Collection[int] = ()
    wants: Mapping[str, str] = MappingProxyType({})
    met: Collection[str] = ()
    desk_silent: bool = False
    journal: str | None = None
    page: str | None = None
    clients: int = 0
    devices_here: Collection[str] = ()


def lamps(plan: Plan, state: State, known: Known) -> list[LampEntry]:
    """Every lamp, in the order in which they matter."""
    looking = "open nowhere" if not known.clients else f"open on {known.clients} screen{'s' * (known.clients != 1)}"
    return [
        _link("desk", "desk", state.desk_here, known),
        *(_link("pedal", one.name, at in known.pedals_here, known) for at, one in enumerate(plan.pedals)),
        *(_link("player", one.name, at in state.players_here, known) for at, one in enumerate(plan.players)),
        *(_link("device", name, name in known.devices_here, known) for name in plan.devices),
        _part("journal", known.journal, "written"),
        _part("page", known.page, looking),
    ]


def _link(what: Literal["pedal", "desk", "player", "device"], name: str, here: bool, known: Known) -> LampEntry:
    if here:
        return {"what": what, "name": name, "state": "ok", "says": "here"}
    port = f", waiting for `{known.wants[name]}`" if name in known.wants else ""
    if what == "desk" and known.desk_silent:
        return {"what": what, "name": name, "state": "wrong", "says": f"does not answer{port}"}
    if name in known.met:
        return {"what": what, "name": name, "state": "wrong", "says": f"is gone{port}"}
    return {"what": what, "name": name, "state": "wait", "says": f"is not here yet{port}"}


def _part(what: Literal["journal", "page"], trouble: str | None, well: str) -> LampEntry:
    return {"what": what, "name": what, "state": "wrong" if trouble else "ok", "says": trouble or well}
