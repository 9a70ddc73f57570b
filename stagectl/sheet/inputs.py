"""The input list and the patch: sockets, phantom power, the split, mixes, and what else is plugged in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from stagectl.core.levels import text
from stagectl.report.words import named, safe
from stagectl.sheet import tags
from stagectl.show.names import ceiling_of, mix_ceiling_of
from stagectl.show.patch_fit import feed

if TYPE_CHECKING:
    from stagectl.sheet.facts import Sheet
    from stagectl.show.rig import InputModel, LinkedModel, PedalModel, PlayerModel

CARE: Final = (
    "Phantom power here is what the rig file says, and nobody has measured it. IEC 61938, the manuals of your "
    "microphones, boxes and split, and for all that is on the mains a licensed electrician have the last word. Take "
    "every level down and switch phantom power off before anything is plugged in or out."
)


def inputs(sheet: Sheet) -> str:
    """The part."""
    body = f"{_list(sheet)}{_by_socket(sheet)}{_care()}{_mixes(sheet)}{_ends(sheet)}"
    return tags.section("inputs", "Input list and patch", body)


def _care() -> str:
    return f'<p class="care">{safe(CARE)}</p>'


def _list(sheet: Sheet) -> str:
    rig = sheet.show.rig
    heads = ["No.", "Input", "Socket", "Whose", "Phantom power", "Split", f"Notes, and {tags.HAND.lower()}"]
    whose: dict[str, list[str]] = {}
    for one in rig.listeners:
        whose.setdefault(one.own_input or "", []).append(one.name)
    rows = (
        tags.row(
            str(at),
            (
                named(input_.name),
                str(input_.socket),
                ", ".join(map(named, whose.get(input_.name, ()))),
                safe(_phantom(sheet, input_)),
                safe(_split(sheet, input_)),
                tags.note(input_.notes),
            ),
        )
        for at, input_ in enumerate(rig.inputs, 1)
    )
    split = ""
    if rig.split is not None:
        says = f"this desk is on the {rig.split.side} side, the other desk on the {rig.split.other} side"
        split = f" The split: {says}."
    return tags.table(f"The inputs as the desk hears them.{split}", heads, (rows,), "inputs")


def _phantom(sheet: Sheet, input_: InputModel) -> str:
    """`needed: the split gives it`, `never`, `on: this desk gives it`; nothing where nobody says anything."""
    ends = feed(sheet.show.rig, input_)
    gives = f"{' and '.join(ends.reach)} {'give' if len(ends.reach) > 1 else 'gives'} it" if ends.reach else ""
    word = input_.phantom or ("on" if gives else "")
    return f"{word}: {gives}" if gives else word


def _split(sheet: Sheet, input_: InputModel) -> str:
    """On which side of the split this desk hears it; that only this desk does; nothing where there is no split."""
    split = sheet.show.rig.split
    if split is None:
        return ""
    return split.side if input_.split else "only this desk"


def _by_socket(sheet: Sheet) -> str:
    """The sockets in their order, where that is not the order of the inputs."""
    inputs_ = sheet.show.rig.inputs
    order = sorted(inputs_, key=lambda one: one.socket)
    if order == inputs_:
        return ""
    rows = (tags.row(str(one.socket), (named(one.name),)) for one in order)
    return tags.table("The same by socket", ("Socket", "Input"), (rows,), "sockets")


def _mixes(sheet: Sheet) -> str:
    rig = sheet.show.rig
    heads = ("Mix", "Listener", "Own input", "Leads with", "No input above", "All together never above")
    rows = []
    for one in sorted(rig.listeners, key=lambda one: one.mix):
        tops = [ceiling_of(rig, one, input_.name) for input_ in rig.inputs]
        usual = max(set(tops), key=tops.count)
        single = [f"{named(i.name)} {text(top)}" for i, top in zip(rig.inputs, tops, strict=True) if top != usual]
        cells = (
            named(one.name),
            named(one.own_input or ""),
            named((one.own_input if one.leads_with in (None, "own") else one.leads_with) or ""),
            "<br>".join([safe(text(usual)), *single]),
            safe(text(mix_ceiling_of(rig, one))),
        )
        rows.append(tags.row(str(one.mix), cells))
    return tags.table("The mixes of the listeners", heads, (rows,), "mixes")


def _ends(sheet: Sheet) -> str:
    """Everything else that has a plug."""
    rig = sheet.show.rig
    desk = rig.desk
    rows = [_end("desk", "", _link(desk), f"profile {desk.profile}")]
    rows += [_end("pedal", one.name, _pedal_end(one), one.listener or "") for one in rig.pedals]
    rows += [_end("track player", one.name, _player_end(one), "") for one in rig.players]
    for one in rig.devices:
        gets = ["MIDI clock"] * one.clock + ([] if one.time_code is None else [f"time code {one.time_code}"])
        rows.append(_end("device", one.name, _link(one), ", ".join(gets)))
    heads = ("What", "Name", "Plugged in at", "Details", tags.HAND)
    return tags.table("What else is plugged in", heads, (rows,), "ends")


def _end(what: str, name: str, where: str, more: str) -> str:
    return tags.row(safe(what), (named(name), named(where), named(more), ""))


def _link(end: LinkedModel) -> str:
    """The end of a link: part of a MIDI port's name, or a host and its port for OSC."""
    if end.port is not None or end.host is None:
        return f"MIDI, {end.port}"
    return f"OSC, {end.host[0]}:{end.host[1]}"


def _pedal_end(pedal: PedalModel) -> str:
    if pedal.osc_port is not None:
        return f"OSC, UDP port {pedal.osc_port}" + ("" if pedal.from_ is None else f" from {pedal.from_}")
    return f"MIDI, {pedal.port}" if pedal.port is not None else f"keyboard, {pedal.keyboard}"


def _player_end(player: PlayerModel) -> str:
    if player.sound is None:
        return "" if player.end is None else _link(player.end)
    outputs: Iterator[str] = (f"{name} {number}" for name, number in player.sound.outputs.items())
    return f"sound device {player.sound.device or 'of the system'}: {', '.join(outputs)}"
