"""The night in eight figures, and along the clock: HTML from the figures."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from stagectl.report.draw_bars import ms_text
from stagectl.report.draw_time import time_line
from stagectl.report.figures import Report
from stagectl.report.tables import first_number, more, names, table
from stagectl.report.wall import Wall, long_text, may_have_slept, step_text
from stagectl.report.words import named, safe


def summary(report: Report) -> str:
    """The night in eight figures."""
    played = len(report.songs) - (1 - first_number(report)) + report.more_songs
    bounded = sum(one.times for one in report.held) + report.more_held
    delay = report.delay
    pairs = (
        ("songs played", f"{played:,}"),
        ("from beginning to end", long_text(report.times.end)),
        ("presses", f"{report.presses:,}"),
        ("levels changed", f"{report.counts.get('change', 0) - report.read:,}"),
        ("refusals", f"{report.refused:,}"),
        ("of them at a bound", f"{bounded:,}"),
        ("connections lost", f"{report.lost:,}"),
        ("slowest press", ms_text(delay.longest) if delay.count else "not kept"),
    )
    return (
        '<dl class="sum">'
        + "".join(f"<div><dt>{safe(what)}</dt><dd>{safe(said)}</dd></div>" for what, said in pairs)
        + "</dl>"
    )


# -- the clock --------------------------------------------------------------------------------------------


def clock(report: Report, wall: Wall) -> str:
    """The night along a line, against its timetable, and song by song."""
    out = [
        f"<figure>{time_line(report, wall)}<figcaption>Songs by their numbers in the table below. Connections: a thick "
        "line while they were here, dots before they came, a crossed box while they were gone.</figcaption></figure>"
    ]
    out += [f"<p>{said}</p>" for said in _sentences(report, wall)]
    if len(report.songs) > report.before:
        out.append(_songs(report, wall))
    out.append(more(report.more_songs, "songs"))
    if report.passed:
        out.append(f'<p class="soft">Only passed through: {names(report.passed)}.</p>')
    return "".join(out)


def _sentences(report: Report, wall: Wall) -> Iterable[str]:
    times = report.times
    marks = {mark.name: mark.at for mark in times.marks}
    begins, curfew = marks.get("set"), marks.get("curfew")
    if times.first is not None:
        against = "" if begins is None else f", {apart_text(_apart(begins, wall.at(times.first)), 'planned')}"
        yield f"The first song began at {wall.text(times.first)}{against}."
    if times.last is not None:
        against = "" if curfew is None else f", {apart_text(_apart(curfew, wall.at(times.last)), 'the curfew')}"
        yield f"The last press, or move of a track, was at {wall.text(times.last)}{against}."
    others = [f"{named(name)} {wall.text(at)}" for name, at in marks.items()]
    if others:
        yield f"Timetable: {', '.join(others)}."
    for at, by in times.steps:
        slept = may_have_slept(by)
        yield (
            f"{long_text(at)} into the night the clock on the wall was set {step_text(by)}"
            f"{', or this machine slept' if slept else ''}; times of day before that are by the clock as it stood "
            f"{'then' if slept else 'after it'}."
        )


def _apart(planned: datetime, at: datetime) -> timedelta:
    # Where something was planned there is a show, and what reads shows is loaded already.
    from stagectl.show.timetable import apart

    return apart(planned, at)


def apart_text(by: timedelta, what: str) -> str:
    """`4 min after planned`, `12 min before the curfew`, `as planned`."""
    minutes = round(abs(by) / timedelta(minutes=1))
    if not minutes:
        return "as planned" if what == "planned" else f"just at {what}"
    hours, rest = divmod(minutes, 60)
    long = f"{hours} h {rest} min" if hours else f"{rest} min"
    late = by > timedelta()
    return (
        f"{long} {'later' if late else 'earlier'} than planned"
        if what == "planned"
        else f"{long} {'after' if late else 'before'} {what}"
    )


def _songs(report: Report, wall: Wall) -> str:
    has_plan = any(song.planned is not None for song in report.songs)
    heads = ["#no.", "song", "@began", *(["@planned", "against that"] if has_plan else []), "#time in it", "#visits"]
    rows = []
    for number, song in enumerate(report.songs, first_number(report)):
        if not number:
            continue
        plan = []
        if has_plan and song.planned is not None:
            by = _apart(song.planned, wall.at(song.began))
            plan = [wall.text(song.planned), apart_text(by, "planned")]
        elif has_plan:
            plan = ["", "not in the setlist"]
        rows.append(
            (
                str(number),
                named(song.name),
                wall.text(song.began, seconds=not has_plan),
                *plan,
                long_text(song.stayed),
                f"{song.visits:,}",
            )
        )
    return table("Songs in the order in which the night came to them", heads, rows)
