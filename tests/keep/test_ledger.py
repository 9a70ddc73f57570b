"""What stood when a song was left, by the rows alone, compared with what the core itself keeps of wishes."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from msgspec.structs import replace

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
from stagectl.core.levels import Off
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.keep.ledger import Ledger
from stagectl.keep.told import Told
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row, Teller, stop_names

Timed = tuple[int, Event]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    scenes = "scenes:\n  talking: {levels: {everyone: {tracks: off, harmony: up 1}}}\nsongs:\n"
    folder = write_show(tmp_path_factory.mktemp("show"), SETLIST.replace("songs:\n", scenes))
    return compile_show(load_show(folder), "The Long Barn").plan


def wishes(plan: Plan, state: State) -> dict[int, int]:
    """What the core says that was asked for: all shifts, less what was given to make room."""
    out: dict[int, int] = {}
    for kept in state.nudges:
        for send, nudge in kept.items():
            out[send] = out.get(send, 0) + nudge.shift + nudge.room
    return {send: by for send, by in out.items() if by and plan.bounds[send] is not None}


def ends(plan: Plan, events: list[Timed]) -> tuple[Told, list[tuple[str, dict[int, int]]]]:
    """What the ledger tells, and what the core had whenever a song was left."""
    state, teller, rows = begin(plan, 0), Teller(plan), list[Row]()
    left: list[tuple[str, dict[int, int]]] = []
    for at, event in events:
        was = state
        state, effects = step(plan, state, event, at)
        rows += teller.rows(effects)
        before, after = (stop_names(plan, one.place.stop)[0] for one in (was, state))
        if before != after and was.place.stop:
            left.append((before, {} if was.place.base else wishes(plan, was)))
    return Ledger(plan, exact=True).read(rows), left


def text_of(plan: Plan, song: str, section: str | None) -> Levels:
    """What the show says at a place."""
    return next(stop.levels for at, stop in enumerate(plan.stops) if stop_names(plan, at) == (song, section))


def draw(plan: Plan, chance: random.Random) -> tuple[Action, str]:
    """Something that a player does."""
    who = chance.choice(plan.listeners)
    column, by = chance.randrange(len(plan.inputs)), chance.choice((-300, -100, 100, 100, 200))
    lasts = chance.choice((Lasts.NIGHT, Lasts.NIGHT, Lasts.SONG, Lasts.SECTION))
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


def night(plan: Plan, seed: int) -> list[Timed]:
    """Feet at random: a few things in each song, then on; now and then back, a scene, or a fall back."""
    chance, at = random.Random(seed), 5 * S
    out: list[Timed] = []
    for _ in range(14):
        out.append((at, Wanted(action=Next() if chance.random() < 0.9 else Back(), who="stage")))
        for turn in range(chance.randint(0, 5)):
            action, who = draw(plan, chance)
            listener = plan.listeners.index(who)
            out.append((at + (8 + 7 * turn) * S, Wanted(action=action, who=who, listener=listener)))
        if chance.random() < 0.1:
            out.append((at + 60 * S, Wanted(action=Recall(scene=0), who="stage")))
        if chance.random() < 0.05:
            out.append((at + 65 * S, Wanted(action=FallBack(), who="stage")))
        at += SONG_S * S
    return out


@pytest.mark.parametrize("seed", [*range(12), 219, 2024, 2772, 2915])
def test_the_rows_say_what_the_core_has(plan: Plan, seed: int) -> None:
    told, left = ends(plan, night(plan, seed))
    found = [(visit.song, visit) for visit in told.visits if visit.song != "base"]
    assert [song for song, _ in found][: len(left)] == [song for song, _ in left]
    for (song, visit), (_, should) in zip(found, left, strict=False):
        if visit.fell or visit.last not in visit.stood:
            continue
        off = {at for at, level in enumerate(text_of(plan, song, visit.last)) if isinstance(level, Off)}
        stood = {send: one.shift for send, one in visit.stood[visit.last].items() if one.shift}
        wrong = {
            plan.send_name(send): (stood.get(send), should.get(send))
            for send in stood.keys() | should.keys()
            if stood.get(send, 0) != should.get(send, 0) and send not in off
        }
        assert wrong == {}, (seed, song)


@pytest.mark.parametrize("seed", range(12))
def test_an_undone_nudge_as_big_as_a_hush_is_none(plan: Plan, seed: int) -> None:
    """Where hushes are as far as most nudges, only what was done before tells what an undo takes back."""
    test_the_rows_say_what_the_core_has(replace(plan, limits=replace(plan.limits, hush=100)), seed)


def shifts(plan: Plan, events: list[Timed], send: int) -> list[int | None]:
    """What stood for a send as each song was left, hundredths of a dB: 0 is no wish, None one that cannot be told."""
    told, _ = ends(plan, events)
    stood = [visit.stood[visit.last].get(send) for visit in told.visits if visit.song != "base"]
    return [0 if one is None else None if one.held else one.shift for one in stood]


def presses(plan: Plan, *some: tuple[float, Action]) -> list[Timed]:
    """What the singer does at some seconds of the night; each song is 60 s long and the first begins at 1 s."""
    stage: list[Timed] = [((1 + 60 * song) * S, Wanted(action=Next(), who="stage")) for song in range(9)]
    mine: list[Timed] = [(round(at * S), Wanted(action=action, who="singer", listener=0)) for at, action in some]
    return sorted(stage + mine, key=lambda pair: pair[0])


@pytest.mark.parametrize("lifted", [False, True], ids=["alone", "beside another that ends"])
@pytest.mark.parametrize("undone", [False, True])
def test_of_two_wishes_that_a_song_s_end_touches_the_one_that_lasts_stands(
    plan: Plan, lifted: bool, undone: bool
) -> None:
    """Down 3 dB for the night, up 4 dB for the song; the click, which is off, is lifted for the song."""
    bass, click = plan.inputs.index("bass"), plan.inputs.index("click")
    some: list[tuple[float, Action]] = [(12, Nudge(by=-300, column=bass))]
    some.append((14, Nudge(by=400, column=bass, lasts=Lasts.SONG)))
    if lifted:
        some.append((10, Nudge(by=100, column=click, lasts=Lasts.SONG)))
    if undone:
        some.append((66, Undo()))
    assert shifts(plan, presses(plan, *some), plan.send(0, bass)) == [100] + [0 if undone else -300] * 7


def ridden(tmp_path: Path) -> Plan:
    """A show in which a treadle rides the singer's own lead, which every other song has just below the ceiling."""
    setlist = SETLIST
    for song in ("Gravel", "Lamp Oil", "Second Hand", "Owl Post"):
        setlist = setlist.replace(f"  - name: {song}\n", f"  - name: {song}\n    levels: {{singer: {{own: -1}}}}\n")
    rig = RIG + "  - {name: vocal pedal, port: vocal, mapping: switch-and-treadle, listener: singer}\n"
    return compile_show(load_show(write_show(tmp_path, setlist, rig))).plan


def swept(plan: Plan, at: float, places: Iterable[int]) -> list[Timed]:
    """A foot on the treadle from some second on, through some of its values."""
    treadle = [control.name for control in plan.pedals[1].controls].index("treadle")
    times = (round((at + 0.02 * number) * S) for number in range(1_000))
    return [(time, Moved(pedal=1, control=treadle, value=value)) for time, value in zip(times, places, strict=False)]


def test_a_treadle_that_a_ceiling_holds_is_no_wish(tmp_path: Path) -> None:
    """Only where no bound holds the level do rows say how far the treadle stands."""
    plan = ridden(tmp_path)
    lead = plan.send(0, plan.inputs.index("lead"))
    came = [(0, PedalCame(pedal=1))]
    only = sorted([*came, *presses(plan), *swept(plan, 20, range(80, 128))], key=lambda pair: pair[0])
    assert shifts(plan, only, lead) == [0] * 8
    # What is asked for in the next song, where the level is free, is a wish again.
    more = presses(plan, (80, Nudge(by=-200, column=plan.inputs.index("lead"))))
    both = sorted([*came, *more, *swept(plan, 20, range(80, 128))], key=lambda pair: pair[0])
    assert shifts(plan, both, lead)[1:] == [-200] * 7


@pytest.mark.parametrize("seed", range(8))
def test_feet_on_a_treadle_alone_wish_for_nothing(tmp_path: Path, seed: int) -> None:
    """Whatever ceilings hold, and a hush besides."""
    plan, chance = ridden(tmp_path), random.Random(seed)
    events: list[Timed] = [(0, PedalCame(pedal=1))]
    hushes: list[tuple[float, Action]] = [(61 * song + 40, Hush()) for song in range(9) if chance.random() < 0.3]
    events += presses(plan, *hushes)
    for song in range(9):
        start = chance.randrange(128)
        way = (start, 0, *range(0, chance.randrange(1, 128), 4))
        events += swept(plan, 60 * song + chance.randrange(5, 50), way)
    events.sort(key=lambda pair: pair[0])
    for send in range(plan.send(1, 0)):
        assert set(shifts(plan, events, send)) <= {0, None}
