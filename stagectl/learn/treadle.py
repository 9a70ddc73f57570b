"""How far a treadle travelled, and how much it wobbled while it rested. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from stagectl.learn.series import Point

END_SHARE: Final = 0.25
"""The share of the seen range that counts as an end."""

REST_NS: Final = 300_000_000
"""A treadle that stays near one place for this long rests."""

WOBBLE_SHARE: Final = 0.04
"""While it rests it stays within this share of the values that it could say: 5 of 127, 655 of 16,383."""

TURNS_MIN: Final = 2
"""A rest turns back at least as often; a slow movement does not."""


def travels_of(values: Sequence[int]) -> tuple[int, tuple[int, int]]:
    """How often the foot went from one end of the seen range to the other, and how often it was at the lower and at the
    upper end."""
    low, high = min(values), max(values)
    margin = int((high - low) * END_SHARE)
    ends = [0, 0]
    last = -1
    for value in values:
        end = 0 if value <= low + margin else 1 if value >= high - margin else -1
        if end >= 0 and end != last:
            ends[end] += 1
            last = end
    return max(0, sum(ends) - 1), (ends[0], ends[1])


def jitter_of(points: Sequence[Point], top: int) -> int:
    """The largest distance between two values within one rest, steps. `top`: the largest value it could say."""
    allowed = max(2, int(top * WOBBLE_SHARE))
    points = _thinned(points)
    largest = at = far = 0
    while at < len(points):
        # `far`: the first value that comes REST_NS later. Where it is elsewhere, the treadle does not rest here.
        while far < len(points) and points[far].at - points[at].at < REST_NS:
            far += 1
        if far == len(points):
            break
        end = _stays(points, at, allowed) if abs(points[far].value - points[at].value) <= allowed else at
        wobble = _wobble([point.value for point in points[at:end]]) if end > far else 0
        largest = max(largest, wobble)
        at = end if wobble else at + 1
    return largest


def _thinned(points: Sequence[Point]) -> list[Point]:
    """Of a value that is said again and again, the first and the last time."""
    last = len(points) - 1
    return [
        point
        for at, point in enumerate(points)
        if at in (0, last) or point.value != points[at - 1].value or point.value != points[at + 1].value
    ]


def _stays(points: Sequence[Point], start: int, allowed: int) -> int:
    """The end (not included) of the values from `start` that lie within `allowed` of each other."""
    low = high = points[start].value
    for at in range(start + 1, len(points)):
        low, high = min(low, points[at].value), max(high, points[at].value)
        if high - low > allowed:
            return at
    return len(points)


def _wobble(values: Sequence[int]) -> int:
    """The distance between the values where they turn back, the first and the last way, which may be the foot coming
    and going, left out; 0 where they hardly turn."""
    turns: list[int] = []
    way = 0
    for before, after in pairwise(values):
        now = (after > before) - (after < before)
        if now and way and now != way:
            turns.append(before)
        way = now or way
    return max(turns) - min(turns) if len(turns) >= TURNS_MIN else 0
