"""A simulated tour: nights of an invented band on the real core, into real journals, with planted wishes.

The judge knows what was planted; the program only gets the journals and the setlist.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.core.actions import ClearNudges, Lasts, Next, Nudge, Undo
from stagectl.core.events import Event, Wanted
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.keep.again import Record
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.entry import Heard
from stagectl.story.heard import heard
from stagectl.story.replay import Chapter
from stagectl.story.rows import Row, Teller

S: Final = 1_000_000_000

WALL: Final = 1_795_635_000_000_000
"""2026-11-25T19:30:00Z, µs."""

DAY_US: Final = 86_400_000_000

RIG: Final = """\
# An invented band of four.
inputs: [{name: kick, socket: 1}, {name: bass, socket: 2}, {name: guitar, socket: 3}, {name: keys, socket: 4},
         {name: lead, socket: 5}, {name: harmony, socket: 6}, {name: tracks, socket: 7}, {name: click, socket: 8}]
listeners:
  - {name: singer, mix: 1, own input: lead}
  - {name: drummer, mix: 2, own input: kick}
  - {name: guitarist, mix: 3, own input: guitar, ceiling: -1}
  - {name: keys player, mix: 4, own input: keys}
groups: {voices: [lead, harmony]}
desk: {profile: osc-decibels, host: 127.0.0.1:9000}
pedals:
  - {name: floor board, osc port: 9010, mapping: osc-buttons, listener: singer}
"""

SETLIST: Final = """\
title: tour of sheds   # the year's first
rig: rig.yaml
base:
  singer: {own: -6, guitar: -14, keys: -16, kick: -20, bass: -18, harmony: -12, tracks: -18, click: off}
  drummer:
    kick: -8      # felt as well
    bass: -10
    click: -6
    lead: -14
    rest: -20
  guitarist: {own: -7, lead: -12, 'harmony': "-15", kick: -16, bass: -15, keys: -18, tracks: -16}
  keys player:
    own: -8
    voices: -13 dB
    rest: -19

venues:
  The Long Barn:
    everyone: {tracks: up 2}
    drummer: {bass: up 1}
  The Tin Hall:
    singer: {kick: down 3}

songs:
  - name: Gravel
  - name: Hay Wire
    levels:
      singer: {keys: up 4}
  - name: Rain Gauge
    levels: {guitarist: {lead: -10}}
    sections:
      - name: bridge
        levels:
          guitarist: {lead: -8}
  - name: Lamp Oil
  - name: Two Gates
    levels:
      everyone: {click: off}
      drummer:
        keys: -16
  - name: Second Hand
  - name: Weather Vane
    levels: {everyone: {harmony: up 2}}
  - name: Owl Post
  - name: Home Field
"""

SONGS: Final = tuple(line.split(": ")[1] for line in SETLIST.splitlines() if line.startswith("  - name: "))
LISTENERS: Final = ("singer", "drummer", "guitarist", "keys player")
INPUTS: Final = ("kick", "bass", "guitar", "keys", "lead", "harmony", "tracks", "click")
VENUES: Final = ("The Long Barn", "The Tin Hall")
SONG_S: Final = 90
"""How long a song is, s."""


class Plant(NamedTuple):
    """A wish of a listener about an input: `kind` is `base`, `venue`, `song`, or a passing one: `undone`, `cleared`,
    `swung`, `once`. `by`: hundredths of a dB; `where`: the venue or the song."""

    kind: str
    listener: str
    input: str
    by: int
    where: str = ""


PLANTS: Final = (
    Plant("base", "singer", "keys", 200),
    Plant("base", "drummer", "lead", -300),
    Plant("base", "keys player", "guitar", 200),
    Plant("venue", "singer", "bass", 300, "The Long Barn"),
    Plant("venue", "guitarist", "keys", -200, "The Tin Hall"),
    Plant("song", "drummer", "click", 200, "Lamp Oil"),
    Plant("song", "guitarist", "lead", 200, "Weather Vane"),
    Plant("song", "singer", "harmony", -300, "Second Hand"),
    Plant("undone", "singer", "guitar", 300),
    Plant("cleared", "guitarist", "kick", 200),
    Plant("swung", "keys player", "bass", 200),
    Plant("once", "drummer", "harmony", 300),
)

KEPT: Final = ("base", "venue", "song")


@dataclass(frozen=True, kw_only=True)
class Noise:
    """How people differ from one night to the next. `off`: how likely a wish comes out 1 dB more or less; `forgets`:
    how likely it is not said on a night; `strays`: how likely each player nudges something else on a night, and leaves
    it so."""

    off: float = 0.1
    forgets: float = 0.03
    strays: float = 0.2


class Feet:
    """The feet of a night: nudges at times, and the stage's `next`."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.events: list[tuple[int, Event]] = []
        for song in range(len(plan.stops) - 1):
            self.press(5 * S + song * SONG_S * S, Next(), "stage")

    def press(self, at: int, action: object, who: str) -> None:
        listener = self.plan.listeners.index(who) if who in self.plan.listeners else None
        self.events.append((at, Wanted(action=action, who=who, listener=listener)))  # type: ignore[arg-type]

    def nudge(self, at: int, listener: str, input_: str, by: int, lasts: Lasts = Lasts.NIGHT) -> None:
        """In steps of 1 dB, as feet do."""
        column = self.plan.inputs.index(input_)
        for press in range(abs(by) // 100):
            action = Nudge(by=100 if by > 0 else -100, column=column, lasts=lasts)
            self.press(at + press * S // 2, action, listener)

    def at(self, stop: int, after: int) -> int:
        """A time in a stop (the first song's is 1), so many seconds after it began."""
        return 5 * S + (stop - 1) * SONG_S * S + after * S

    def end(self) -> int:
        """When the last song is over."""
        return 5 * S + (len(self.plan.stops) - 1) * SONG_S * S


def stop_of(plan: Plan, song: str) -> int:
    return next(at for at, stop in enumerate(plan.stops) if stop.name == song)


def feet_of(plan: Plan, venue: str, plants: Sequence[Plant], noise: Noise, chance: random.Random, number: int) -> Feet:
    """What feet do on a night of the tour, the first of which has number 0."""
    feet = Feet(plan)
    for at, plant in enumerate(plants):
        if plant.kind in KEPT and chance.random() < noise.forgets:
            continue
        by = plant.by + chance.choice((-100, 100)) * (plant.kind in KEPT and chance.random() < noise.off)
        first = chance.randint(1, 3)
        if plant.kind == "base" or (plant.kind == "venue" and plant.where == venue):
            feet.nudge(feet.at(first, 20 + at), plant.listener, plant.input, by)
        elif plant.kind == "song":
            _for_a_song(feet, stop_of(plan, plant.where), plant, by, at)
        elif plant.kind == "swung":
            # On each night in other songs.
            first = 1 + (number * 5) % 6
            for song, way in ((first, by), (first + 1, -2 * by), (first + 2, by)):
                feet.nudge(feet.at(song, 20 + at), plant.listener, plant.input, way)
        elif plant.kind == "undone":
            feet.nudge(feet.at(first, 40 + at), plant.listener, plant.input, by)
            stop, after = chance.choice(((first, 70), (first + 1, 5)))
            for press in range(by // 100):
                feet.press(feet.at(stop, after + press), Undo(), plant.listener)
        elif plant.kind == "cleared":
            feet.nudge(feet.at(1, 5), plant.listener, plant.input, by)
            feet.press(feet.at(1, 12), ClearNudges(), plant.listener)
        elif plant.kind == "once" and number == 2:
            feet.nudge(feet.at(2, 40), plant.listener, plant.input, by)
    return feet


def _for_a_song(feet: Feet, stop: int, plant: Plant, by: int, at: int) -> None:
    """Half of them say it for the song; the others take it back in the next one."""
    if at % 2:
        feet.nudge(feet.at(stop, 10 + at), plant.listener, plant.input, by, Lasts.SONG)
        return
    feet.nudge(feet.at(stop, 10 + at), plant.listener, plant.input, by)
    if stop + 1 < len(feet.plan.stops):
        feet.nudge(feet.at(stop + 1, 8), plant.listener, plant.input, -by)


def _stray(feet: Feet, free: Mapping[str, list[str]], noise: Noise, chance: random.Random) -> None:
    """Now and then somebody nudges something that nobody planted, each of these once on the tour: what comes again is
    no stray."""
    for listener, names in free.items():
        if names and chance.random() < noise.strays:
            name = names.pop(chance.randrange(len(names)))
            feet.nudge(feet.at(chance.randint(1, 9), 50), listener, name, chance.choice((-100, 200)))


def write_show(folder: Path, setlist: str = SETLIST, rig: str = RIG) -> Path:
    """The show's files in a folder; the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "setlist.yaml").write_text(setlist, "utf-8")
    (folder / "rig.yaml").write_text(rig, "utf-8")
    return folder


class Played(NamedTuple):
    """A night: each event with the rows that were made of it, and those of its end; the states that it was left in by
    each event."""

    lines: list[tuple[Heard | None, list[Row]]]
    states: list[State]

    @property
    def rows(self) -> list[Row]:
        """All of its rows."""
        return [row for _, rows in self.lines for row in rows]


def play(plan: Plan, events: Iterable[tuple[int, Event]], end: int) -> Played:
    """A night on the real core. What is due by a time the core does before the next event by itself, so nobody has to
    wake it."""
    state, teller, played = begin(plan, 0), Teller(plan), Played([], [])
    for at, event in sorted(events, key=lambda pair: pair[0]):
        state, effects = step(plan, state, event, at)
        played.lines.append((heard(event, at), teller.rows(effects)))
        played.states.append(state)
    played.lines.append((None, [Row(end, "end")]))
    return played


def record(chapters: Sequence[Chapter], lines: Iterable[tuple[Heard | None, list[Row]]]) -> Record:
    """What a journal would have of a night."""
    events, rows, number = list[tuple[int, Heard]](), list[tuple[int, int, Row]](), 0
    for event, made in lines:
        number += 1
        if event is not None:
            events.append((number, event))
        rows += [(number + at, 0, row) for at, row in enumerate(made, 1)]
        number += len(made)
    return Record(chapters, lambda: events, lambda: rows)


def journal(path: Path, show: Show, venue: str | None, played: Played, number: int) -> Path:
    """The journal of a night."""
    begun = WALL + number * DAY_US
    night = Night(
        setlist=show.setlist.title,
        venue=venue,
        begun_us=begun,
        program="test",
        path=str(show.sources["setlist"].path),
        files=show.files,
    )
    with Journal.create(path, night) as made:
        for event, rows in played.lines:
            made.write(rows, begun + (rows[0].at if event is None else event.at) // 1000, event)
    return path


def tour(
    folder: Path,
    seed: int,
    *,
    noise: Noise | None = None,
    plants: Sequence[Plant] = PLANTS,
    nights: int = 6,
) -> tuple[Show, list[Path]]:
    """The show of a tour, and the journals of its nights, room by room in turn."""
    chance = random.Random(seed)
    planted = {(plant.listener, plant.input) for plant in plants}
    free = {one: [name for name in INPUTS if (one, name) not in planted] for one in LISTENERS}
    show = load_show(write_show(folder))
    paths = []
    for number in range(nights):
        venue = VENUES[number % len(VENUES)]
        plan = compile_show(show, venue).plan
        feet = feet_of(plan, venue, plants, noise or Noise(), chance, number)
        _stray(feet, free, noise or Noise(), chance)
        played = play(plan, feet.events, feet.end())
        paths.append(journal(folder / f"{seed}-{number}.night", show, venue, played, number))
    return show, paths
