"""Does the rig fit its desk? Every send's message is tried, and no two sends may share one."""

from __future__ import annotations

from collections.abc import Iterator

from stagectl.core.levels import OFF, text
from stagectl.errors import Fault, WireError
from stagectl.show.names import WHOLE, ceiling_of
from stagectl.show.profile import ProfileModel, SendModel
from stagectl.show.rig import RigModel
from stagectl.show.source import Source


def desk_faults(rig: RigModel, profile: ProfileModel, source: Source) -> Iterator[Fault]:
    """Wrong end of the wire, numbers out of range, two sends on one message, ceilings that the desk cannot reach."""
    if (profile.over == "osc") != (rig.desk.host is not None):
        needs = "`host` (HOST:PORT)" if profile.over == "osc" else "`port` (part of a MIDI port's name)"
        yield source.fault(f"the profile `{profile.name}` speaks {profile.over}: the desk needs {needs}", "desk")
    taken: dict[tuple[bytes, ...], str] = {}
    code = profile.send.law().code(OFF)
    for at, listener in enumerate(rig.listeners):
        for line, input_ in enumerate(rig.inputs):
            try:
                said = profile.send.say.packets(input_.socket, listener.mix, code)
            except WireError as error:
                place = ("listeners", at, "mix") if line == 0 else ("inputs", line, "socket")
                says = f"the desk cannot be told `{input_.name}` in mix {listener.mix}: {error}"
                yield source.fault(says, *place)
                return
            who = f"`{input_.name}` for `{listener.name}`"
            if said in taken:
                says = f"{who} is said by the same message as {taken[said]}: the profile's numbering overlaps"
                yield source.fault(says, "listeners", at, "mix")
                return
            taken[said] = who
        if profile.whole_mix is not None:
            try:
                profile.whole_mix.say.packets(1, listener.mix, profile.whole_mix.law().code(OFF))
            except WireError as error:
                yield source.fault(f"the desk cannot be told the whole mix {listener.mix}: {error}", "listeners", at)
                return
        yield from _reach(rig, at, profile.send, [one.name for one in rig.inputs], source)
        if profile.whole_mix is not None:
            yield from _reach(rig, at, profile.whole_mix, [WHOLE], source)


def _reach(rig: RigModel, at: int, send: SendModel, names: list[str], source: Source) -> Iterator[Fault]:
    """A desk that cannot say `off` has a lowest level, which no ceiling may be below."""
    grid = send.law().grid
    if grid.has_off:
        return
    for name in names:
        ceiling = ceiling_of(rig, rig.listeners[at], name)
        if grid.steps[0] > ceiling:
            says = (
                f"the ceiling of `{name}`, {text(ceiling)}, is below the lowest the desk can do, {text(grid.steps[0])}"
            )
            yield source.fault(says, "listeners", at)
