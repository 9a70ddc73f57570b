"""Does the patch fit? Sockets and mixes that the desk has, and phantom power: who feeds which line, and who must not.

Phantom power (P48 of IEC 61938: 48 V ± 4 V through 6.8 kΩ a leg, 10 mA at most) comes to a microphone on the line that
its sound leaves by. Up to three ends can feed a line: a socket of this desk, the other desk, the split itself. A desk
feeds what is on its side of the split only where that side is direct: phantom power does not pass a transformer (common
practice, no source), nor a buffer. Two ends at once are two supplies in parallel, so half the resistance and twice the
current that the standard counts on: a warning, as most microphones bear it (common practice, no source). Which
equipment needs phantom power and which is harmed by it, its manual says, and the manual is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from stagectl.errors import Advice, Fault, nearest
from stagectl.show.names import twice
from stagectl.show.rig import InputModel, RigModel, SplitModel
from stagectl.show.source import Source

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show

NAMES_MAX: Final = 12
"""Inputs that a sentence names one by one."""

THIS, OTHER, SPLIT = "this desk", "the other desk", "the split"
"""The ends that can feed a line."""

POWER: Final = "phantom power (48 V)"

_PLACES: Final[dict[str, tuple[str, ...]]] = {
    THIS: ("desk", "phantom"),
    OTHER: ("split", "other phantom"),
    SPLIT: ("split", "phantom"),
}
"""Where the rig says what an end feeds."""


class Feed(NamedTuple):
    """The ends that feed an input's line, and those that are switched on but do not reach it. `shared`: whether the
    other desk hears it too."""

    reach: tuple[str, ...]
    stopped: tuple[str, ...]
    shared: bool


def feed(rig: RigModel, input_: InputModel) -> Feed:
    """Who feeds an input's line with phantom power."""
    split = rig.split if input_.split else None
    on = [THIS] if input_.socket in rig.desk.phantom else []
    if split is not None:
        on += [end for end, names in ((OTHER, split.other_phantom), (SPLIT, split.phantom)) if input_.name in names]
    behind = _behind(split)
    return Feed(
        reach=tuple(end for end in on if end not in behind),
        stopped=tuple(end for end in on if end in behind),
        shared=split is not None,
    )


def _behind(split: SplitModel | None) -> tuple[str, ...]:
    """The desks that are on an isolated side."""
    sides = () if split is None else ((THIS, split.side), (OTHER, split.other))
    return tuple(end for end, side in sides if side == "isolated")


def patch_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    """Sockets and mixes that the desk does not have, names that no line of the split has, and phantom power that is
    missing or must not be there."""
    yield from _counts(rig, source)
    yield from _names(rig, source)
    for at, input_ in enumerate(rig.inputs):
        ends = feed(rig, input_)
        if input_.phantom == "needed" and not ends.reach:
            says = f"`{input_.name}` needs {POWER}, and none reaches it: {_why(rig, input_, ends)}"
            yield source.fault(says, "inputs", at, "phantom")
        if input_.phantom == "never" and ends.reach:
            says = f"`{input_.name}` must not get {POWER}, but {_givers(input_, ends.reach)}"
            yield source.fault(f"{says}: switch it off before anything is plugged in", "inputs", at, "phantom")


def patch_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """Phantom power that two desks depend on, that comes twice, or that only a transformer keeps away."""
    rig, source = show.rig, show.sources["rig"]
    fed = [(input_, feed(rig, input_)) for input_ in rig.inputs]
    ours = [one.name for one, ends in fed if one.phantom == "needed" and ends.shared and ends.reach == (THIS,)]
    theirs = [one.name for one, ends in fed if one.phantom == "needed" and ends.reach == (OTHER,)]
    if ours:
        says = f"this desk gives {_listed(ours)} {POWER}, and the other desk hears the same inputs"
        yield source.advice(f"{says}: this desk must stay on for both", *_PLACES[THIS])
    if theirs:
        says = f"the other desk gives {_listed(theirs)} {POWER}: that desk must stay on for this one"
        yield source.advice(says, *_PLACES[OTHER])
    doubles: dict[tuple[str, ...], list[str]] = {}
    for one, ends in fed:
        if len(ends.reach) > 1 and one.phantom != "never":
            doubles.setdefault(ends.reach, []).append(one.name)
    for reach, names in doubles.items():
        says = f"{' and '.join(reach)} give {_listed(names)} {POWER} at once"
        hint = "IEC 61938 counts on one supply, so switch all but one off, unless the manuals say otherwise"
        yield source.advice(f"{says}; {hint}", *_PLACES[reach[-1]])
    for at, (one, ends) in enumerate(fed):
        if one.phantom == "never" and ends.stopped and not ends.reach:
            says = f"`{one.name}` must not get {POWER}, and only the split keeps it away: {_givers(one, ends.stopped)}"
            yield source.advice(f"{says}; switch it off there", "inputs", at, "phantom")


def _counts(rig: RigModel, source: Source) -> Iterator[Fault]:
    """Sockets and mixes above what the desk has, where the rig says how many that is."""
    desk = rig.desk
    sockets: list[tuple[tuple[str | int, ...], int]] = [
        *((("inputs", at, "socket"), one.socket) for at, one in enumerate(rig.inputs)),
        *((("desk", "phantom", at), socket) for at, socket in enumerate(desk.phantom)),
    ]
    mixes: list[tuple[tuple[str | int, ...], int]] = [
        (("listeners", at, "mix"), one.mix) for at, one in enumerate(rig.listeners)
    ]
    for what, key, top, used in (("socket", "sockets", desk.sockets, sockets), ("mix", "mixes", desk.mixes, mixes)):
        for place, number in used:
            if top is not None and number > top:
                yield source.fault(f"{what} {number} is above {top}, the last that the desk has (`{key}`)", *place)
    for at, _, socket in twice(desk.phantom):
        yield source.fault(f"socket {socket} stands here already", "desk", "phantom", at)


def _names(rig: RigModel, source: Source) -> Iterator[Fault]:
    """Inputs that the split is said to feed, and that are none or do not go through it."""
    if rig.split is None:
        return
    inputs = {one.name: one for one in rig.inputs}
    for key, names in (("phantom", rig.split.phantom), ("other phantom", rig.split.other_phantom)):
        for at, name in enumerate(names):
            if name not in inputs:
                says = f"`{name}` is not an input of this rig{nearest(name, inputs)}"
                yield source.fault(says, "split", key, at)
            elif not inputs[name].split:
                says = f"`{name}` does not go through the split (`split: no`), so it gets no phantom power there"
                yield source.fault(says, "split", key, at)
        for at, _, name in twice(names):
            yield source.fault(f"`{name}` stands here already", "split", key, at)


def _why(rig: RigModel, input_: InputModel, ends: Feed) -> str:
    """Why nothing reaches a line that needs it, and what would help."""
    behind = _behind(rig.split) if ends.shared else ()
    if THIS not in behind:
        lost = "what the other desk gives does not pass its isolated side of the split, and " if ends.stopped else ""
        helps = f"switch it on there and add {input_.socket} to `phantom` of the `desk`, or use a socket that has it"
        return f"{lost}socket {input_.socket} gives none; {helps}"
    gives = f"socket {input_.socket} gives it, but " if THIS in ends.stopped else ""
    who = "this desk is" if OTHER not in behind else "both desks are"
    helps = "the split itself has to feed it (`phantom` of the `split`)"
    if OTHER not in behind:
        helps = "the other desk has to give it (`other phantom`), or the split itself (`phantom` of the `split`)"
    return f"{gives}{who} on an isolated side of the split, and phantom power does not pass a transformer; {helps}"


def _givers(input_: InputModel, ends: Iterable[str]) -> str:
    """`socket 7 and the other desk give it`."""
    names = [f"socket {input_.socket}" if end == THIS else end for end in ends]
    return f"{' and '.join(names)} {'give' if len(names) > 1 else 'gives'} it"


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - NAMES_MAX} more" if len(names) > NAMES_MAX else ""
    return ", ".join(f"`{name}`" for name in names[:NAMES_MAX]) + more
