"""What a tour's journals are taken for, compared with what was planted."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from keep.tour import KEPT, PLANTS, Noise, Plant
from stagectl.journal.read import events, files, night, open_read, rows
from stagectl.keep.again import Record
from stagectl.keep.evidence import Night
from stagectl.keep.nights import Lesson, lesson_of, night_of
from stagectl.keep.offers import Offer
from stagectl.live.resume import chapters
from stagectl.show.load import Show


def stated(times: float) -> Noise:
    """The stated noise, so many times."""
    usual = Noise()
    return Noise(
        off=min(1.0, usual.off * times), forgets=min(1.0, usual.forgets * times), strays=min(1.0, usual.strays * times)
    )


def read_nights(show: Show, paths: Sequence[Path]) -> list[Night]:
    """The nights of some journals."""
    out = []
    for path in paths:
        with closing(open_read(path)) as connection:
            venue = night(connection).venue
            out.append(night_of(show, path.stem, venue, record_of(connection, venue)))
    return out


def record_of(connection: sqlite3.Connection, venue: str | None) -> Record:
    """What a journal keeps of a night."""
    return Record(chapters(files(connection), venue, None), lambda: events(connection), lambda: rows(connection))


def lesson(show: Show, paths: Sequence[Path]) -> Lesson:
    """What some journals taught."""
    return lesson_of(show, read_nights(show, paths))


@dataclass(frozen=True, kw_only=True)
class Judged:
    """How many lines were right, said, and planted; which were wrong, and which missed."""

    right: int
    said: int
    planted: int
    wrong: tuple[str, ...]
    missed: tuple[str, ...]


def where(show: Show, offer: Offer) -> str:
    """The venue or the song of a change; empty for the base."""
    if offer.key.layer == "venue":
        return str(offer.key.venue)
    return show.setlist.songs[offer.key.song].name if offer.key.layer == "song" else ""


def judged(show: Show, paths: Sequence[Path], plants: Sequence[Plant] = PLANTS) -> Judged:
    """A line is right where one was planted in the same layer, song or venue, for the same send, within 1 dB. A song's
    wish may take a line for each section that says a level of its own."""
    kept = [plant for plant in plants if plant.kind in KEPT]
    found: set[Plant] = set()
    wrong = []
    said = 0
    for offer in lesson(show, paths).offers:
        match = [
            plant
            for plant in kept
            if (plant.kind, plant.listener, plant.input) == (offer.key.layer, offer.listener, offer.input)
            and plant.where == where(show, offer)
            and abs(plant.by - offer.kept.by) <= 100
        ]
        if match and match[0] in found and offer.key.section >= 0:
            continue
        said += 1
        if not match or not offer.can_be_written:
            wrong.append(f"{offer.key.layer} {where(show, offer)}: {offer.listener}: {offer.input} {offer.written}")
        found.update(match)
    missed = tuple(f"{plant.kind} {plant.listener}: {plant.input}" for plant in kept if plant not in found)
    return Judged(right=len(found), said=said, planted=len(kept), wrong=tuple(wrong), missed=missed)
