"""The proof against trying everything: on small shows both come to the same, and planted bugs are told."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Final, get_args

import pytest
from depth import LONG
from msgspec.structs import replace
from small_shows import Seen, base_of, everything, small_show

from stagectl.core import nudges as nudges_module
from stagectl.core.actions import Action, Lasts, SwitchLayer
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height, uncorrelated_sum
from stagectl.core.limits import Bounds
from stagectl.core.nudges import Nudges
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import Place
from stagectl.proof import jumps, moves, prove, reach, spans
from stagectl.proof.fallen import falls_back, with_fall_back
from stagectl.proof.prove import Walked, reaches, walked
from stagectl.proof.scenery import Scenery
from stagectl.proof.spans import Spans, Ways

SHARED: Final = True
"""What was tried out of a block's shows is looked at by most tests; see `tests/cores.py`."""

BLOCK: Final = 100 if LONG else 70
"""Shows of one test."""

SHOWS: Final = 1_000 if LONG else 2 * BLOCK


@cache
def _small(block: int) -> tuple[int, ...]:
    """The seeds of a block's shows: those that are small enough to be tried out."""
    return tuple(_tried(block))


_SEEN: dict[int, Seen] = {}


def _tried(block: int) -> list[int]:
    found: list[int] = []
    seed = block * 1_000_000
    while len(found) < BLOCK:
        seen = everything(small_show(seed))
        if seen is not None:
            _SEEN[seed] = seen
            found.append(seed)
        seed += 1
    return found


def same_for(plan: Plan, seen: Seen) -> None:
    """Everything that the proof says is what came up, and nothing else came up."""
    plan, falls = with_fall_back(plan), falls_back(plan)
    found = walked(plan)
    scenery = Scenery(plan)
    here = Spans(found.ways, scenery)
    assert set(found.ways.places) == seen.places
    # Falling back ends all nudges; the proof takes them to last, so that what it says is wider than what comes up.
    exact = {send for send in range(len(plan.ceilings)) if not falls and is_exact(plan, found, send)}
    for node, place in enumerate(found.ways.places):
        for send in range(len(plan.ceilings)):
            ends, levels = reaches(here, node, send), seen.levels.get((place, send), set())
            assert (ends is None) == (not levels)
            if ends is not None:
                lowest, highest = min(levels, key=height), max(levels, key=height)
                assert height(ends[0]) <= height(lowest) and height(highest) <= height(ends[1]), (place, send)
                assert send not in exact or ends == (lowest, highest), (place, send)
                assert height(ends[1]) <= plan.ceilings[send]
    every = prove.prove(plan, found, 0)
    rises = {
        (plan.send(one.listener, one.column), one.after.stop): one.by for one in every.beyond if one.column is not None
    }
    for key in rises.keys() | seen.rises.keys():
        said, came = rises.get(key, 0), max(seen.rises.get(key, 0), 0)
        # What comes back when a place ends, of what a ceiling held there, is no part of what is proved.
        assert said >= came and (key[0] not in exact - seen.held or said == came), key
    by_limit(plan, found, seen, exact)
    mixes = every.most[True].by if True in every.most else 0
    came = max([0, *(mix_rise(plan, *change) for change in seen.changes)])
    assert came - 1 <= mixes and (falls or mixes <= came + 1)
    assert not every.above
    dead, came_back = {(plan.stops[one.stop].song, one.send): one.can_return for one in every.dead}, dead_in(plan, seen)
    assert dead.keys() == came_back.keys()
    assert all(dead[key] >= came_back[key] and (key[1] not in exact or dead[key] == came_back[key]) for key in dead)
    assert {(one.send, one.one[:2], one.other[:2]) for one in found.fights} == seen.fights


def by_limit(plan: Plan, found: Walked, seen: Seen, exact: set[int]) -> None:
    """The verdict by a limit: which sends rise too far, and where."""
    for limit in (200, 400, 600):
        beyond = prove.prove(plan, found, limit).beyond
        said = {(plan.send(one.listener, one.column), one.after.stop) for one in beyond if one.column is not None}
        came = {key for key, by in seen.rises.items() if by > limit}
        assert came <= said
        assert {key for key in said if key[0] in exact} == {key for key in came if key[0] in exact}


def is_exact(plan: Plan, found: Walked, send: int) -> bool:
    """Whether the ends are promised to be met: where nudges of one send last differently, or move it with others of a
    group, or only an `undo` leads back (which takes back its own foot's nudges first), the proof may say more than can
    happen."""
    ways = found.ways
    some = {foot for feet in ways.ground.feet.values() for foot in feet if len(foot.pulls) > 1}
    if any(pull.send == send for foot in some for pull in foot.pulls):
        return False
    alone = Ways(plan, ways.ground._replace(undone={stop: set() for stop in ways.ground.feet}))
    same = all(len(ways.parts[lasts]) == len(alone.parts[lasts]) for lasts in ways.parts)
    return len(ways.pulled.get(send, ())) <= 1 and same


def mix_rise(plan: Plan, before: Place, after: Place) -> int:
    """The greatest rise of a mix as a sum between two places, worked out anew."""
    floor = plan.limits.nudge_floor

    def sums(place: Place) -> list[int]:
        out = []
        levels = plan.bound(base_of(plan, place))
        for listener in range(len(plan.listeners)):
            *inputs, whole = levels[listener * plan.width : (listener + 1) * plan.width]
            total = uncorrelated_sum(level for level in inputs if level is not None)
            if isinstance(total, Off) or isinstance(whole, Off):
                out.append(floor)
            else:
                out.append(max(floor, total + (whole or 0)))
        return out

    return max(new - old for old, new in zip(sums(before), sums(after), strict=True))


def dead_in(plan: Plan, seen: Seen) -> dict[tuple[int, int], bool]:
    """Own inputs that are off in a song, at its first such stop, and whether they ever came back there."""
    out: dict[tuple[int, int], bool] = {}
    for place in sorted((place for place in seen.places if place.scene is None), key=lambda place: place.stop):
        for listener, own in enumerate(plan.own):
            if own is not None and plan.stops[place.stop].levels[plan.send(listener, own)] is OFF:
                send = plan.send(listener, own)
                back = any(level is not OFF for level in seen.levels[place, send])
                out.setdefault((plan.stops[place.stop].song, send), back)
    return out


def test_every_action_is_known_to_move_something_or_nothing() -> None:
    known = [*moves.PULLS, *moves.LEADS, *moves.NEITHER]
    assert len(known) == len(set(known))
    assert set(known) == set(get_args(Action))


@pytest.mark.parametrize("block", range(SHOWS // BLOCK))
def test_the_proof_says_what_trying_everything_says(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # Every other block as if each stop were one that very many steps lead to.
    monkeypatch.setattr(jumps, "MANY", jumps.MANY * (block % 2))
    for seed in _small(block):
        try:
            same_for(small_show(seed), _SEEN[seed])
        except AssertionError as error:
            raise AssertionError(f"seed {seed}: {error}") from error


def test_the_shows_meet_what_the_proof_is_about() -> None:
    """What the shows of one block come to: none of these may be rare."""
    count = dict.fromkeys(("unreached", "nudged", "held", "scene", "layer", "dead", "ridden", "lifted", "exact"), 0)
    for seed in _small(0):
        plan, seen = small_show(seed), _SEEN[seed]
        plan = with_fall_back(plan)
        found = walked(plan)
        here = Spans(found.ways, Scenery(plan))
        spans_ = [here.whole(node, send) for send in found.ways.moved for node in range(len(found.ways.places))]
        count["unreached"] += bool(found.gaps)
        count["nudged"] += any(one.low or one.high for one in spans_)
        count["lifted"] += any(one.lifted for one in spans_)
        count["ridden"] += bool(found.ways.rides)
        count["held"] += bool(prove.prove(plan, found, 0).held)
        count["scene"] += any(place.scene is not None for place in seen.places)
        count["layer"] += any(pedal.layers for pedal in plan.pedals)
        count["dead"] += bool(dead_in(plan, seen))
        count["exact"] += all(is_exact(plan, found, send) for send in found.ways.moved)
    assert min(count.values()) >= BLOCK // 10, count
    assert count["exact"] > BLOCK * 3 // 4


# -- planted bugs -----------------------------------------------------------------------------------------


def is_told() -> None:
    """Some show of the first block proves something else than what came up."""
    for seed in _small(0):
        try:
            same_for(small_show(seed), _SEEN[seed])
        except AssertionError:
            return
    raise AssertionError("nobody noticed")


def test_a_proof_that_takes_songs_for_the_night_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spans, "region", lambda plan, lasts, stop: 0)
    is_told()


def test_a_proof_that_lets_treadles_jump_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spans, "PICK_UP", 10_000)
    is_told()


def test_a_proof_that_forgets_how_far_nudges_go_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    real = Spans._flow

    def careless(self: Spans, send: int, lasts: Lasts, pulled: spans.Pulled) -> list[spans.Span]:
        return [span._replace(high=0) for span in real(self, send, lasts, pulled)]

    monkeypatch.setattr(Spans, "_flow", careless)
    is_told()


def test_a_proof_that_forgets_the_ceiling_in_rises_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    real = jumps.Rises._send

    def careless(self: jumps.Rises, send: int, old: Level, new: Level, before: Place, after: Place) -> None:
        if isinstance(old, int) and isinstance(new, int) and new > old:
            self._keep(jumps.Rise(new - old, *divmod(send, self.plan.width), before, after))
        else:
            real(self, send, old, new, before, after)

    monkeypatch.setattr(jumps.Rises, "_send", careless)
    is_told()


def test_a_proof_that_forgets_where_tracks_lead_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Plan, "led", lambda plan, stop: ())
    is_told()


def test_a_proof_that_walks_no_undo_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reach, "Undo", SwitchLayer)
    is_told()


def _any_above() -> bool:
    return any(prove.prove(plan, walked(plan), 2_400).above for plan in map(with_fall_back, map(small_show, _small(0))))


def _without_top(real: Callable[[Grid, Level, int], Level]) -> Callable[[Grid, Level, int], Level]:
    return lambda grid, level, top: real(grid, level, max(grid.highest, top))


def test_no_level_is_above_its_ceiling() -> None:
    assert not _any_above()


def test_a_plan_that_forgets_a_ceiling_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    def careless(plan: Plan, levels: Levels) -> Levels:
        return tuple(None if plan.grid_of(send) is None else level for send, level in enumerate(levels))

    monkeypatch.setattr(Plan, "bound", careless)
    assert _any_above()


def test_nudges_that_forget_a_ceiling_are_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    real = nudges_module.target

    def careless(base: Level | None, send: int, kept: Nudges, ride: int, bounds: Bounds) -> Level | None:
        return real(base, send, kept, ride, replace(bounds, ceiling=10_000))

    monkeypatch.setattr(prove, "target", careless)
    assert _any_above()


def test_a_desk_s_step_past_a_ceiling_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = small_show(_small(0)[0])
    coarse = replace(plan, grid=Grid(steps=(-9_000, -1_050, 50)), ceilings=(0,) * len(plan.ceilings))
    assert not prove.prove(coarse, walked(coarse), 2_400).above
    monkeypatch.setattr(Grid, "nearest", _without_top(Grid.nearest))
    assert prove.prove(coarse, walked(coarse), 2_400).above
