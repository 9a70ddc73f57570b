"""Nights as hypothesis makes them up: presses with what they came to, and what happens by itself; with a naive filter
over all of their rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from hypothesis import strategies as st

from stagectl.journal.query import Wanted
from stagectl.story.rows import Row

LISTENERS = ("singer", "drummer", "keys player")
PEDALS = ("left", "right")
SONGS = ("base", "Slow Tram", "Kettle")
STEP_NS = 250_000_000


class Batch(NamedTuple):
    """Rows that are written at once, with the wall time of that, µs."""

    rows: tuple[Row, ...]
    wall_us: int


@st.composite
def batches(draw: st.DrawFn, begun_us: int, most: int = 25) -> list[Batch]:
    """A night. The clock on the wall may be set back in it."""
    out, at, wall_us = [], 0, begun_us
    for press in range(1, draw(st.integers(0, most)) + 1):
        at += draw(st.integers(0, 3)) * STEP_NS
        wall_us += draw(st.sampled_from((0, 250_000, 1_000_000, 60_000_000, -30_000_000)))
        out.append(Batch(draw(_moment(at, press)), wall_us))
    return out


@st.composite
def _moment(draw: st.DrawFn, at: int, press: int) -> tuple[Row, ...]:
    who, pedal = draw(st.sampled_from((*LISTENERS, "desk", "page for singer"))), draw(st.sampled_from(PEDALS))
    kind = draw(
        st.sampled_from(("press", "press", "press", "arrival", "refusal", "hand", "link", "track", "layer", "count"))
    )
    late = draw(st.none() | st.integers(0, 60_000))
    if kind == "refusal":
        return (Row(at, kind, press, who, "up", pedal=pedal, control="A", detail="it is at its ceiling"),)
    if kind == "hand":
        return (_change(draw, at, press, "desk", "hand"),)
    if kind == "link":
        return (Row(at, kind, who=draw(st.sampled_from((*PEDALS, "desk"))), what="gone"),)
    if kind == "track":
        return (Row(at, kind, press, "laptop", "reached", number=late, detail="0:10.000"), _arrival(draw, at, press))
    if kind == "count":
        return (Row(at, kind, who=pedal, what="clock", number=draw(st.integers(0, 90_000))),)
    pressed = Row(at, "press", press, who, "next", pedal, "A", "press", number=late)
    if kind == "layer":
        return (pressed, Row(at, kind, press, pedal, "solo"))
    moved = [_change(draw, at, press, who, "next") for _ in range(draw(st.integers(0, 4)))]
    return (pressed, *([_arrival(draw, at, press)] if kind == "arrival" else []), *moved)


def _arrival(draw: st.DrawFn, at: int, press: int) -> Row:
    return Row(at, "arrival", press, song=draw(st.sampled_from(SONGS)), section=draw(st.sampled_from((None, "out"))))


def _change(draw: st.DrawFn, at: int, press: int, who: str, what: str) -> Row:
    level = draw(st.integers(-6_000, 0))
    to = draw(st.sampled_from(LISTENERS))
    return Row(at, "change", press, who, what, listener=to, input="kick", before=level, after=level + 100, sent=level)


def wanted(begun_us: int) -> st.SearchStrategy[Wanted]:
    """Any question, of one part or of several; some names are not there."""
    parts: dict[str, st.SearchStrategy[Any]] = {
        "listener": st.sampled_from((*LISTENERS, "nobody")),
        "song": st.sampled_from((*SONGS, "no song")),
        "pedal": st.sampled_from((*PEDALS, "no pedal")),
        "refused": st.just(True),
        "since_us": st.integers(0, 120).map(lambda s: begun_us + s * 1_000_000),
        "since_at": st.integers(0, 30).map(lambda n: n * STEP_NS),
        "slow_us": st.integers(0, 40_000),
    }
    one = st.sampled_from(sorted(parts)).flatmap(lambda part: st.fixed_dictionaries({part: parts[part]}))
    two = st.fixed_dictionaries({part: parts[part] for part in ("song", "pedal")})
    several = st.fixed_dictionaries({}, optional=parts)
    return (one | two | several).map(lambda given: Wanted(**given))


Written = tuple[int, int, Row]
"""A row with its number and its wall time, µs."""


def naive(rows: Sequence[Written], asked: Wanted) -> list[Written]:
    """The rows that a question asks for, each looked at by itself."""
    by_pedal = {row.press for _, _, row in rows if row.kind == "press" and row.pedal == asked.pedal}
    song, out = None, []
    for number, wall_us, row in rows:
        song = row.song if row.kind == "arrival" else song
        if all(_holds(row, wall_us, song, by_pedal, asked)):
            out.append((number, wall_us, row))
    return out


def _holds(row: Row, wall_us: int, song: str | None, by_pedal: set[int | None], asked: Wanted) -> Iterable[bool]:
    if asked.listener is not None:
        theirs = row.listener if row.kind == "change" else row.who if row.kind in ("press", "refusal") else None
        yield theirs in (asked.listener, f"page for {asked.listener}")
    if asked.song is not None:
        yield song == asked.song
    if asked.pedal is not None:
        named = row.kind in ("link", "layer", "count") and row.who == asked.pedal
        yield row.pedal == asked.pedal or named or (row.press is not None and row.press in by_pedal)
    if asked.refused:
        yield row.kind == "refusal"
    if asked.since_us is not None:
        yield wall_us >= asked.since_us
    if asked.since_at is not None:
        yield row.at >= asked.since_at
    if asked.slow_us is not None:
        yield row.kind in ("press", "track") and row.number is not None and row.number > asked.slow_us
