"""The report as one JSON object: seconds, dB, µs; wall times by ISO 8601; what is not known is null."""

from __future__ import annotations

from typing import Any, Final

from stagectl.core.levels import Level, as_db
from stagectl.ears import report as ears
from stagectl.report.figures import Cell, Connection, Delay, Mix, Report
from stagectl.report.gather import BOUNDS
from stagectl.report.wall import Wall

KIND: Final = "report"
"""What the object begins with, so that a file of it is known."""


def as_json(report: Report, wall: Wall) -> dict[str, Any]:
    """All that the page shows."""
    times = report.times
    out: dict[str, Any] = {
        "kind": KIND,
        "setlist": report.setlist,
        "venue": report.venue,
        "program": report.program,
        "begun": wall.at(0).isoformat(),
        "ended": wall.at(times.end).isoformat(),
        "has_end": times.ends,
        "long_s": _s(times.end),
        "first_song": None if times.first is None else wall.at(times.first).isoformat(),
        "last_act": None if times.last is None else wall.at(times.last).isoformat(),
        "timetable": {mark.name: mark.at.astimezone(wall.zone).isoformat() for mark in times.marks},
        "clock_set": [{"at": _s(at), "by_s": by / 1e6} for at, by in times.steps],
        "counts": dict(report.counts),
        "changes_read": report.read,
        "presses": report.presses,
        "refused": report.refused,
        "songs": [
            {
                "song": None if report.before and not at else song.name,
                "began": wall.at(song.began).isoformat(),
                "at": _s(song.began),
                "stayed_s": _s(song.stayed),
                "visits": song.visits,
                "planned": None if song.planned is None else song.planned.astimezone(wall.zone).isoformat(),
            }
            for at, song in enumerate(report.songs)
        ],
        "more_songs": report.more_songs,
        "passed_through": list(report.passed),
        "listeners": [_mix(mix) for mix in report.mixes],
        "more_listeners": report.more_listeners,
        "at_a_bound": [
            dict(zip(("who", "what", "reason", "song"), one.what, strict=True))
            | {"times": one.times, "first": _s(one.first), "last": _s(one.last)}
            for one in report.held
        ],
        "more_at_a_bound": report.more_held,
        "left_beyond_a_bound": [
            dict(zip(("what", "reason", "song"), one.what, strict=True))
            | {"times": one.times, "first": _s(one.first), "last": _s(one.last)}
            for one in report.left
        ],
        "more_left_beyond_a_bound": report.more_left,
        "refusals": [
            {"reason": one.reason, "times": one.times, "feet": [{"foot": foot, "times": n} for foot, n in one.feet]}
            for one in report.refusals
        ],
        "first_byte": _delay(report.delay),
        "connections": [_link(link) for link in report.links],
        "more_connections": report.more_links,
        "troubles": [{"at": _s(one.at), "kind": one.kind, "text": one.text} for one in report.said],
        "more_troubles": report.more_said,
        "notes": list(report.notes),
    }
    found = report.exposure
    out["ears"] = None if found is None else ears.as_json(found.criterion, found.figures, found.at, found.notes)
    return out


def _s(ns: int) -> float:
    return round(ns / 1e9, 6)


def _db(level: Level | None) -> float | str | None:
    return None if level is None else as_db(level)


def _mix(mix: Mix) -> dict[str, Any]:
    return {
        "listener": mix.listener,
        "inputs": {name: [_cell(cell) for cell in cells] for name, cells in mix.inputs.items()},
        "silent": list(mix.silent),
        "more_inputs": mix.more_inputs,
    }


def _cell(cell: Cell) -> dict[str, Any]:
    out: dict[str, Any] = {"db": _db(cell.level)}
    if cell.moved:
        moved = None if cell.net is None else cell.net / 100
        out |= {"moved_db": moved, "ups": cell.ups, "downs": cell.downs, "by_hand": cell.hands}
    if cell.held:
        out["refused"] = cell.held
    if cell.at_ceiling:
        out["at_ceiling"] = True
    return out


def _delay(delay: Delay) -> dict[str, Any] | None:
    if not delay.count:
        return None
    bounds: list[int | None] = [*BOUNDS, None]
    return {
        "presses": delay.count,
        "p50_us": delay.p50,
        "p99_us": delay.p99,
        "longest_us": delay.longest,
        "bars": [{"to_us": to, "presses": number} for to, number in zip(bounds, delay.bars, strict=True)],
        "slowest": [
            {"took_us": one.us, "at": _s(one.at), "who": one.who, "what": one.what, "song": one.song}
            for one in delay.slow
        ],
    }


def _link(link: Connection) -> dict[str, Any]:
    return {
        "name": link.name,
        "first_here": None if link.first is None else _s(link.first),
        "times_gone": link.lost,
        "gone_s": _s(link.away),
        "gaps": [{"from": _s(gap.gone), "to": None if gap.back is None else _s(gap.back)} for gap in link.gaps],
    }
