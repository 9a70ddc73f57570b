"""Feet at random, and feet that a test says: what nights of the tour's band are played by."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from pathlib import Path

from keep.tour import RIG, SETLIST, SONG_S, S, write_show
from stagectl.core.actions import (
    Action,
    Back,
    ClearNudges,
    FallBack,
    Hush,
    Lasts,
    Next,
    Nudge,
    NudgeRest,
    Recall,
    Undo,
)
from stagectl.core.events import Event, Moved, PedalCame, Wanted
from stagectl.core.plan import Levels, Plan
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import stop_names

Timed = tuple[int, Event]

EVERY_LENGTH = (Lasts.NIGHT, Lasts.NIGHT, Lasts.SONG, Lasts.SECTION)


def with_a_scene(folder: Path, rig: str = RIG) -> Plan:
    """The band's show, with a scene to lay over its songs."""
    scenes = "scenes:\n  talking: {levels: {everyone: {tracks: off, harmony: up 1}}}\nsongs:\n"
    show = load_show(write_show(folder, SETLIST.replace("songs:\n", scenes), rig))
    return compile_show(show, "The Long Barn").plan


def ridden(folder: Path) -> Plan:
    """A show in which a treadle rides the singer's own lead, which every other song has just below the ceiling."""
    setlist = SETLIST
    for song in ("Gravel", "Lamp Oil", "Second Hand", "Owl Post"):
        setlist = setlist.replace(f"  - name: {song}\n", f"  - name: {song}\n    levels: {{singer: {{own: -1}}}}\n")
    rig = RIG + "  - {name: vocal pedal, port: vocal, mapping: switch-and-treadle, listener: singer}\n"
    return compile_show(load_show(write_show(folder, setlist, rig))).plan


def text_of(plan: Plan, song: str, section: str | None) -> Levels:
    """What the show says at a place."""
    return next(stop.levels for at, stop in enumerate(plan.stops) if stop_names(plan, at) == (song, section))


def draw(plan: Plan, chance: random.Random, lengths: tuple[Lasts, ...]) -> tuple[Action, str]:
    """Something that a player does."""
    who = chance.choice(plan.listeners)
    column, by = chance.randrange(len(plan.inputs)), chance.choice((-300, -100, 100, 100, 200))
    lasts = chance.choice(lengths)
    makers: list[Callable[[], Action]] = [
        lambda: Nudge(by=by, column=column, lasts=lasts),
        lambda: Nudge(by=by, column=column, lasts=lasts),
        lambda: Nudge(by=by, column=len(plan.inputs) + 1, lasts=lasts),
        lambda: NudgeRest(by=by, column=column, lasts=lasts),
        lambda: Nudge(by=100, column=column, room=True),
        Undo,
        ClearNudges,
        Hush,
    ]
    return chance.choices(makers, (6, 4, 1, 1, 1, 2, 0.5, 0.7))[0](), who


def night(plan: Plan, seed: int, lengths: tuple[Lasts, ...] = EVERY_LENGTH) -> list[Timed]:
    """Feet at random: a few things in each song, then on; now and then back, a scene, or a fall back. `lengths`: of
    nudges."""
    chance, at = random.Random(seed), 5 * S
    out: list[Timed] = []
    for _ in range(14):
        out.append((at, Wanted(action=Next() if chance.random() < 0.9 else Back(), who="stage")))
        for turn in range(chance.randint(0, 5)):
            action, who = draw(plan, chance, lengths)
            listener = plan.listeners.index(who)
            out.append((at + (8 + 7 * turn) * S, Wanted(action=action, who=who, listener=listener)))
        if chance.random() < 0.1 and plan.scenes:
            out.append((at + 60 * S, Wanted(action=Recall(scene=0), who="stage")))
        if chance.random() < 0.05:
            out.append((at + 65 * S, Wanted(action=FallBack(), who="stage")))
        at += SONG_S * S
    return out


def presses(plan: Plan, *some: tuple[float, Action]) -> list[Timed]:
    """What the singer does at some seconds of the night; each song is 60 s long and the first begins at 1 s."""
    stage: list[Timed] = [((1 + 60 * song) * S, Wanted(action=Next(), who="stage")) for song in range(9)]
    mine: list[Timed] = [(round(at * S), Wanted(action=action, who="singer", listener=0)) for at, action in some]
    return in_order([*stage, *mine])


def swept(plan: Plan, at: float, places: Iterable[int]) -> list[Timed]:
    """A foot on the treadle from some second on, through some of its values."""
    treadle = [control.name for control in plan.pedals[1].controls].index("treadle")
    times = (round((at + 0.02 * number) * S) for number in range(1_000))
    return [(time, Moved(pedal=1, control=treadle, value=value)) for time, value in zip(times, places, strict=False)]


def treadled(plan: Plan, chance: random.Random, songs: int, song_s: int) -> list[Timed]:
    """A foot on the treadle, once in about every second song."""
    out: list[Timed] = [(0, PedalCame(pedal=1))]
    for song in range(songs):
        start, toe = chance.randrange(128), chance.randrange(1, 128)
        ways = ((start, 0, *range(0, toe, 4)), range(start, 128, 3), ())
        out += swept(plan, 5 + song_s * song + chance.randrange(5, song_s - 10), chance.choice(ways))
    return out


def in_order(events: Iterable[Timed]) -> list[Timed]:
    """By their times; of one time, as they are."""
    return sorted(events, key=lambda pair: pair[0])
