"""The night along a line: songs, the timetable, and what was connected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, timedelta
from typing import Final

from stagectl.report.draw import Drawing, wide
from stagectl.report.figures import Connection, Report
from stagectl.report.style import WIDTH
from stagectl.report.wall import SECOND_NS, Wall, long_text
from stagectl.report.words import count

LABEL: Final = 118
RIGHT: Final = 10
SPAN: Final = WIDTH - LABEL - RIGHT
NAME_CELLS: Final = 19

TICKS_MAX: Final = 9
STEPS: Final = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
"""How far apart ticks may be, s; beyond the last, whole days."""

LANE: Final = 12

AROUND_MIN: Final = 15 * 60 * SECOND_NS
AROUND_MAX: Final = 3 * 3600 * SECOND_NS
"""How far before and after the night marks of the timetable are drawn, ns: as far as the night is long, within these
bounds; others are only in words."""


class _Scale:
    """From times of the night to places across."""

    def __init__(self, report: Report, wall: Wall) -> None:
        end = max(report.times.end, SECOND_NS)
        marks = [wall.ns(mark.at) for mark in report.times.marks]
        around = min(max(end, AROUND_MIN), AROUND_MAX)
        near = [at for at in marks if -around <= at <= end + around]
        self.begin = min([0, *near])
        self.end = max([end, *near])

    def x(self, at: int) -> float:
        share = (min(max(at, self.begin), self.end) - self.begin) / (self.end - self.begin)
        return LABEL + share * SPAN

    def has(self, at: int) -> bool:
        return self.begin <= at <= self.end


def time_line(report: Report, wall: Wall) -> str:
    """The drawing of the whole night."""
    drawing, scale = Drawing("The night along a line", WIDTH), _Scale(report, wall)
    y = _marks(drawing, report, wall, scale)
    y = _axis(drawing, wall, scale, y)
    y = _songs(drawing, report, scale, y)
    for link in report.links:
        _link(drawing, link, scale, y, report.times.end)
        y += 18
    return drawing.svg(y + 4)


def _marks(drawing: Drawing, report: Report, wall: Wall, scale: _Scale) -> float:
    """The timetable's times over the axis, each in the first lane in which it has room."""
    marks = [(wall.ns(mark.at), f"{mark.name} {wall.text(mark.at)}") for mark in report.times.marks]
    lanes: list[float] = []
    placed = []
    for at, said in sorted(mark for mark in marks if scale.has(mark[0])):
        # The mark's line ends at its own lane, and its text stands to the right of it, or to the left near the edge.
        x, long = scale.x(at), wide(said, "m") + 8
        left = x if x + long <= WIDTH else x - long
        lane = next((lane for lane, used in enumerate(lanes) if used <= left), len(lanes))
        lanes[lane : lane + 1] = [left + long]
        placed.append((x, left, lane, said))
    bottom = len(lanes) * LANE + 2.0
    for x, left, lane, said in placed:
        y = lane * LANE + 2
        drawing.path(f"M{x:.1f} {y}V{bottom + 8:g}", "dash")
        drawing.text(left + 4, y + 9, said, "m")
    return bottom if placed else 0.0


def _axis(drawing: Drawing, wall: Wall, scale: _Scale, y: float) -> float:
    # A tick's label is centred, and never reaches the one before or the edge.
    head = "time of day"
    drawing.name(0, y + 16, head, "m q", NAME_CELLS)
    drawing.path(f"M{LABEL} {y + 22:g}H{WIDTH - RIGHT}", "line")
    used = wide(head, "m")
    for at in _ticks(scale, wall):
        x, said = scale.x(at), wall.text(at, seconds=scale.end - scale.begin < 600 * SECOND_NS)
        long = wide(said, "m")
        left = min(x - long / 2, WIDTH - long)
        drawing.path(f"M{x:.1f} {y + 18:g}v8", "line")
        if left >= used + 6:
            drawing.text(left, y + 16, said, "m")
            used = left + long
    return y + 30


def _ticks(scale: _Scale, wall: Wall) -> Iterator[int]:
    long = (scale.end - scale.begin) / SECOND_NS
    step = next((step for step in STEPS if long / step <= TICKS_MAX), 0)
    if not step:
        step = 86400 * -(-int(long) // (86400 * TICKS_MAX))
    begin = wall.at(scale.begin)
    offset = begin.utcoffset()
    local = begin.timestamp() + (0 if offset is None else offset.total_seconds())
    there = begin.astimezone(UTC) + timedelta(microseconds=round(-local % step * 1e6))
    while (at := wall.ns(there)) <= scale.end:
        # What a machine has slept through is no time of the night.
        if wall.at(at) == there:
            yield at
        there += timedelta(seconds=step)


def _songs(drawing: Drawing, report: Report, scale: _Scale, y: float) -> float:
    drawing.name(0, y + 11, "song", "m q", NAME_CELLS)
    for number, song in enumerate(report.songs, 0 if report.before else 1):
        if not number:
            continue
        widest = 0.0
        for begun, ended in _joined(song.spans, scale):
            drawing.rect(begun, y, max(ended - begun, 0.75), 16, "box", song.name)
            if ended - begun > widest:
                widest, place = ended - begun, begun
        if widest >= wide(str(number), "m") + 3:
            drawing.text(place + 2, y + 11.5, str(number), "m")
    return y + 26


def _joined(spans: Sequence[tuple[int, int]], scale: _Scale) -> Iterator[tuple[float, float]]:
    """Spans as places; those that follow within half a pixel are one."""
    begun = ended = None
    for one, other in spans:
        left, right = scale.x(one), scale.x(other)
        if begun is None or ended is None:
            begun, ended = left, right
        elif left - ended < 0.5:
            ended = max(ended, right)
        else:
            yield begun, ended
            begun, ended = left, right
    if begun is not None and ended is not None:
        yield begun, ended


def _link(drawing: Drawing, link: Connection, scale: _Scale, y: float, end: int) -> None:
    drawing.name(0, y + 11, link.name, "m", NAME_CELLS)
    middle = y + 8
    if link.first is None:
        drawing.path(f"M{LABEL} {middle:g}H{scale.x(end):.1f}", "dots", f"{link.name} was never here")
        return
    if link.first > 0:
        drawing.path(f"M{scale.x(0):.1f} {middle:g}H{scale.x(link.first):.1f}", "dots", f"{link.name} not here yet")
    here = scale.x(link.first)
    away = _joined([(gap.gone, end if gap.back is None else gap.back) for gap in link.gaps], scale)
    d = ""
    for gone, back in away:
        d += f"M{here:.1f} {middle:g}H{gone:.1f}"
        wide_ = max(back - gone, 2.0)
        drawing.rect(gone, y + 3, wide_, 10, "open", f"{link.name} was gone")
        drawing.path(f"M{gone:.1f} {y + 3:g}l{wide_:.1f} 10m0-10l-{wide_:.1f} 10", "line")
        here = max(back, gone + wide_)
    if here < scale.x(end):
        d += f"M{here:.1f} {middle:g}H{scale.x(end):.1f}"
    drawing.path(d or f"M{here:.1f} {middle:g}h0", "thick", link_text(link))


def link_text(link: Connection) -> str:
    """`desk: gone 2 times, for 14 s in all`."""
    if link.first is None:
        return f"{link.name}: never here"
    if not link.lost:
        return f"{link.name}: here all the time" + (
            "" if link.first <= SECOND_NS else f", after {long_text(link.first)}"
        )
    return f"{link.name}: gone {count(link.lost, 'time')}, for {long_text(link.away)} in all"
