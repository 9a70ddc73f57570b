"""The listeners' cards, a page each: their feet, their mix at the base, and what changes from stop to stop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Final

from stagectl.core.levels import text
from stagectl.report.words import named, safe
from stagectl.sheet import tags
from stagectl.sheet.feet import controls, others
from stagectl.sheet.words import cell_words, moved_words
from stagectl.show.names import mix_ceiling_of

if TYPE_CHECKING:
    from stagectl.sheet.facts import Sheet
    from stagectl.sheet.scene_map import ListenerEntry, RowEntry

CARE: Final = (
    "Levels are what the desk is asked for, with nobody's nudges; how loud that is at the ear they do not say. Set the "
    "limiter of your pack, keep it low, and follow your local rules and a hearing professional's advice."
)


def cards(sheet: Sheet) -> str:
    """The part."""
    return "".join(_card(sheet, at) for at in range(len(sheet.plan.listeners)))


def _card(sheet: Sheet, at: int) -> str:
    rig, entry = sheet.show.rig, sheet.map["listeners"][at]
    model = rig.listeners[at]
    facts = [f"mix {model.mix}"]
    if model.own_input is not None:
        facts.append(f"own input {named(model.own_input)}")
    if model.leads_with not in (None, "own", model.own_input):
        facts.append(f"leads with {named(str(model.leads_with))}")
    facts.append(f"all inputs together never above {safe(text(mix_ceiling_of(rig, model)))}")
    notes = f"<p>{tags.note(model.notes)}</p>" if model.notes else ""
    body = f'<p class="facts">{", ".join(facts)}</p>{notes}{_feet(sheet, model.name)}{_base(entry)}'
    body += f'<p class="care">{safe(CARE)}</p>{_stops(sheet, entry)}'
    return tags.section(f"card-{at + 1}", named(model.name), body, "card")


def _feet(sheet: Sheet, listener: str) -> str:
    """Each gesture of the listener's own pedals."""
    pedals = [pedal for pedal in sheet.show.rig.pedals if pedal.listener == listener]
    if not pedals:
        return "<p>No pedal of their own.</p>"
    rows = (
        tags.row(
            named(pedal.name),
            (
                named(one.name) + (f"<br><span>layer {named(one.layer)}</span>" if one.layer is not None else ""),
                tags.lines(one.does),
            ),
            "foot",
        )
        for pedal in pedals
        for one in controls(sheet.show, pedal)
    )
    return tags.table("Your feet", ("Pedal", "Control", "Does"), (rows,), "feet")


def _base(entry: ListenerEntry) -> str:
    """The mix before the first song: what is on, in a line or two; what is off."""
    on = [f"<li>{_input(entry, row)} {safe(cell_words(row['levels'][0]))}</li>" for row in _driven(entry)]
    off = ", ".join(named(row["input"]) for row in entry["rows"] if row["levels"][0] == "off")
    said = f"<p>Off: {off}.</p>" if off else ""
    return f'<h3>Your mix at the base, dB</h3><ul class="run">{"".join(on)}</ul>{said}'


def _driven(entry: ListenerEntry) -> Iterator[RowEntry]:
    return (row for row in entry["rows"] if isinstance(row["levels"][0], int))


def _input(entry: ListenerEntry, row: RowEntry) -> str:
    name = named(row["input"])
    return f"<b>{name}</b>" if row["input"] == entry["own"] else name


def _stops(sheet: Sheet, entry: ListenerEntry) -> str:
    songs = groupby(range(1, len(sheet.plan.stops)), key=lambda at: sheet.plan.stops[at].song)
    bodies = ([_stop(sheet, entry, at) for at in stops] for _, stops in songs)
    bound = f"{sheet.map['jump'] / 100:g} dB"
    caption = f"What changes in your mix from one stop to the next, dB. ▲ and ▼: by {bound} or more, up or down"
    return tags.table(caption, ("No.", "Song, section", "What changes", tags.HAND), bodies, "changes")


def _stop(sheet: Sheet, entry: ListenerEntry, at: int) -> str:
    stop = sheet.map["stops"][at]
    changes = "; ".join(_changes(entry, at, sheet.map["jump"])) or "<span>as before</span>"
    feet = _otherwise(sheet, entry["name"], at)
    name = named(tags.stop_name(stop))
    return tags.row(safe(stop["label"]), (name, changes + feet, ""), "section" if stop["section"] else "song")


def _changes(entry: ListenerEntry, at: int, jump: int) -> Iterator[str]:
    for row in entry["rows"]:
        before, after = row["levels"][at - 1], row["levels"][at]
        if before != after:
            by = after - before if isinstance(before, int) and isinstance(after, int) else 0
            mark = ("▲ " if by > 0 else "▼ ") if abs(by) >= jump else ""
            yield f"{mark}{_input(entry, row)} {safe(moved_words(before, after))}"


def _otherwise(sheet: Sheet, listener: str, at: int) -> str:
    """What the listener's own feet do otherwise at a stop."""
    said: Iterable[str] = (
        f"<br>{named(other.pedal)}, {named(other.control)}: {', '.join(map(named, other.does))}"
        for other in others(sheet.show, sheet.plan.stops[at], listener)
    )
    return "".join(said)
