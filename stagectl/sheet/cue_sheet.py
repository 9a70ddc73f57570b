"""The cue sheet: the night at a glance, what each foot does, and every stop with its cues and room for a pen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from stagectl.report.words import named, safe
from stagectl.sheet import tags
from stagectl.sheet.feet import Other, controls, others
from stagectl.sheet.words import fade_words, place_words, told_words, track_words
from stagectl.show.clock_values import clock_text
from stagectl.show.set_length import length_of, length_text
from stagectl.show.timetable import timetable_at

if TYPE_CHECKING:
    from stagectl.sheet.facts import Sheet
    from stagectl.show.rig import PedalModel


def cue_sheet(sheet: Sheet) -> str:
    """The part."""
    return tags.section("cue-sheet", "Cue sheet", _night(sheet) + _feet(sheet) + _stops(sheet))


def _night(sheet: Sheet) -> str:
    """Times on the wall, how long the set takes, and the show's notes."""
    show = sheet.show
    times, length = timetable_at(show.setlist, sheet.venue), length_of(show, sheet.plan)
    out = ""
    if times is not None:
        said = [] if times.date_ is None else [f"<div><dt>date</dt><dd>{times.date_.isoformat()}</dd></div>"]
        said += [f"<div><dt>{safe(name)}</dt><dd>{clock_text(at)}</dd></div>" for name, at in times.times.items()]
        out = f'<dl class="times">{"".join(said)}</dl>' if said else ""
    if times is not None or length.unsaid < length.songs:
        says = length_text(length, times)
        out += f"<p>{safe(says[:1].upper() + says[1:])}.</p>"
    if show.setlist.notes:
        out += f"<p>{tags.note(show.setlist.notes)}</p>"
    return out


def _feet(sheet: Sheet) -> str:
    pedals = sheet.show.rig.pedals
    if not pedals:
        return "<p>This rig has no pedals.</p>"
    bodies = (_pedal(sheet, pedal) for pedal in pedals)
    return tags.table("What each foot does, where no song says otherwise", ("Pedal", "Control", "Does"), bodies, "feet")


def _pedal(sheet: Sheet, pedal: PedalModel) -> Iterator[str]:
    whose = f"<br><span>{named(pedal.listener)}</span>" if pedal.listener else ""
    for control in controls(sheet.show, pedal):
        under = f"<br><span>layer {named(control.layer)}</span>" if control.layer is not None else ""
        yield tags.row(
            f"{named(pedal.name)}{whose}", (f"{named(control.name)}{under}", tags.lines(control.does)), "foot"
        )


def _stops(sheet: Sheet) -> str:
    stops = sheet.plan.stops
    feet = [tuple(others(sheet.show, stop)) for stop in stops]
    heads = ["No.", "Song, section", "Track and cues", "Feet do otherwise", f"Notes, and {tags.HAND.lower()}"]
    if not any(feet):
        del heads[3]
    songs = groupby(range(1, len(stops)), key=lambda at: stops[at].song)
    bodies = ([_stop(sheet, at, feet[at] if any(feet) else None) for at in some] for _, some in songs)
    return tags.table("The songs and their sections, in order", heads, bodies, "cues both" if any(feet) else "cues")


def _stop(sheet: Sheet, at: int, feet: Sequence[Other] | None) -> str:
    """A stop. `feet`: what they do otherwise; None where they do nowhere, and have no column."""
    show, stop, entry = sheet.show, sheet.plan.stops[at], sheet.map["stops"][at]
    song = show.setlist.songs[stop.song]
    if stop.section < 0:
        comes, notes, cues = fade_words(stop.fade_ns), song.notes, track_words(show, stop.song, song)
    else:
        part = song.sections[stop.section]
        comes, notes, cues = fade_words(stop.fade_ns), part.notes, []
        if part.at is not None:
            cues = [f"by itself {place_words(part.at)}"]
    cues += told_words(sheet.plan, stop)
    name = f"{named(tags.stop_name(entry))}<br><span>{safe(comes)}</span>"
    look = "song" if stop.section < 0 else "section"
    cells = [name, tags.lines(cues), tags.note(notes)]
    if feet is not None:
        cells.insert(2, "<br>".join(map(_otherwise, feet)))
    return tags.row(safe(entry["label"]), cells, look)


def _otherwise(other: Other) -> str:
    return f"{named(other.pedal)}, {named(other.control)}:<br>{tags.lines(other.does)}"
