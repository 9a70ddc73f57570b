"""Names with a meaning of their own, and finding a name's index.

`own`: the listener's own input. `whole mix`: the mix's master. `rest`: in the base, every input that is not named.
`everyone`: in a layer, every listener; what the layer says of one by name goes over it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, TypeVar

from stagectl.show.rig import ListenerModel, RigModel

OWN: Final = "own"
WHOLE: Final = "whole mix"
REST: Final = "rest"
EVERYONE: Final = "everyone"
RESERVED: Final[Mapping[str, tuple[str, ...]]] = {"inputs": (OWN, WHOLE, REST), "listeners": (EVERYONE,)}
"""What no input and no listener can be called."""

INPUTS_NAMED_MAX: Final = 12
"""Inputs of a group that a message names."""

ValueT = TypeVar("ValueT")


def for_levels(rig: RigModel, *more: str) -> list[str]:
    """What may stand where some levels of a mix are named. What there are few of comes first, so that a list which is
    cut off shows it."""
    return [*more, OWN, WHOLE, *rig.groups, *(one.name for one in rig.inputs)]


def inputs_in(rig: RigModel, group: str) -> str:
    """The inputs of a group, in words; of many, the first `INPUTS_NAMED_MAX`."""
    names = rig.groups[group]
    more = f" and {len(names) - INPUTS_NAMED_MAX} more" if len(names) > INPUTS_NAMED_MAX else ""
    return ", ".join(f"`{name}`" for name in names[:INPUTS_NAMED_MAX]) + more


def twice(names: Iterable[ValueT]) -> Iterator[tuple[int, int, ValueT]]:
    """The names that stand again: the place, the first place, the name."""
    first: dict[ValueT, int] = {}
    for at, name in enumerate(names):
        if name in first:
            yield at, first[name], name
        else:
            first[name] = at


def column(rig: RigModel, listener: ListenerModel, name: str) -> int | None:
    """The column that a name means in a listener's mix; None where it means none."""
    if name == WHOLE:
        return len(rig.inputs)
    if name == OWN:
        name = listener.own_input or ""
    return next((at for at, line in enumerate(rig.inputs) if line.name == name), None)


def spread(rig: RigModel, listener: ListenerModel, names: Iterable[str]) -> Iterator[tuple[int, str]]:
    """The columns that some names mean in a listener's mix, each with its name, in the order in which they count. What
    names an input by itself counts, and not its group; names that mean nothing are left out."""
    plain = [(at, name) for name in names if (at := column(rig, listener, name)) is not None]
    named = {at for at, _ in plain}
    for name in (name for name in names if name in rig.groups):
        for input_ in rig.groups[name]:
            at = column(rig, listener, input_)
            if at is not None and at not in named:
                named.add(at)
                yield at, name
    yield from plain


def listeners_of(rig: RigModel, name: str) -> list[int]:
    """The listeners that a name in a layer means."""
    return [at for at, one in enumerate(rig.listeners) if name in (one.name, EVERYONE)]


def lead_of(listener: ListenerModel) -> str | None:
    """The input that a listener leads with: what the rig says, else (and for `own`) their own; None where they
    have neither."""
    return listener.own_input if listener.leads_with in (None, OWN) else listener.leads_with


def ceiling_of(rig: RigModel, listener: ListenerModel, column_name: str) -> int:
    """The ceiling of one send, hundredths of a dB: its own, else the listener's, else the rig's."""
    return ceiling_said(rig, listener, column_name)[0]


def mix_ceiling_of(rig: RigModel, listener: ListenerModel) -> int:
    """The ceiling of a mix as a sum, hundredths of a dB: the listener's, else the rig's."""
    return rig.mix_ceiling if listener.mix_ceiling is None else listener.mix_ceiling


def ceiling_said(rig: RigModel, listener: ListenerModel, name: str) -> tuple[int, tuple[str, ...]]:
    """The ceiling of one send, hundredths of a dB, and the keys under which the listener has it; none where it is the
    rig's. Where both `own` and the own input have one, the lower counts."""
    keys = [key for key in (name, OWN if name == listener.own_input else name) if key in listener.ceilings]
    if keys:
        key = min(keys, key=lambda one: listener.ceilings[one])
        return listener.ceilings[key], ("ceilings", key)
    return (rig.ceiling, ()) if listener.ceiling is None else (listener.ceiling, ("ceiling",))
