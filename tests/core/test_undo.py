"""Undo is exact, and takes back only what still stands."""

from __future__ import annotations

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import GAPS, Ran, actions, plans, rest, run, settled, sizes_of, small_plan, wish

from stagectl.core.actions import Action, Back, ClearNudges, GoTo, Hush, Lasts, Next, Nudge, Recall, Undo
from stagectl.core.effects import Reason, Refused
from stagectl.core.levels import OFF, height
from stagectl.core.plan import Plan, Scene, ShiftBy
from stagectl.core.state import UNDO_MAX, State
from stagectl.core.step import step
from stagectl.core.undoing import STOP_BACK_NS


def _undone(plan: Plan, state: State) -> State:
    """Undo, 10 ms apart, until there is nothing left: steps to other stops are still fresh."""
    for _ in range(UNDO_MAX + 1):
        state, effects = step(plan, state, wish(Undo()), state.now + 10**7)
        if any(isinstance(effect, Refused) and effect.reason is Reason.NOTHING_TO_UNDO for effect in effects):
            return state
    raise AssertionError("more to undo than is ever remembered")


def _do(plan: Plan, state: State, *presses: tuple[Action, str]) -> Ran:
    at = state.now
    return run(plan, [(at + 10**9 * n, wish(action, who)) for n, (action, who) in enumerate(presses, 1)], state)


@settings(max_examples=examples(30))
@given(plans(), st.data())
def test_one_presser_alone_can_take_everything_back(plan: Plan, data: st.DataObject) -> None:
    start = settled(plan)
    size = data.draw(st.integers(1, 25), label="presses")
    pressed = st.lists(st.tuples(GAPS, actions(sizes_of(plan), undoable=True)), min_size=size, max_size=size)
    state = start
    for gap, action in data.draw(pressed):
        state = step(plan, state, wish(action), state.now + gap).state
    state = rest(plan, Ran(state=_undone(plan, state))).state
    assert state.wanted == start.wanted
    assert state.steps == start.steps
    assert state.nudges == start.nudges
    assert state.place == start.place
    for listener, mix in enumerate(plan.mixes):
        driven = [send for send in range(mix.start, mix.stop) if start.steps[send] is not None]
        was, stands = ([one.asked[send] for send in driven] for one in (start, state))
        told = any(state.asked[send] is not None for send in range(mix.start, mix.stop) if send not in driven)
        if told and plan.mix_ceilings[listener] is not None:
            # What a song has told the desk of an input that the base lets be is there still, and may leave no room.
            assert all(height(now or OFF) <= height(old or OFF) for now, old in zip(stands, was, strict=True))
        else:
            assert stands == was


def test_somebody_else_s_change_is_left_alone() -> None:
    plan = small_plan((-1_000, -1_000))
    start = settled(plan)
    mine, theirs = Nudge(by=300, column=0), Nudge(by=-300, column=1)
    ran = _do(plan, start, (mine, "ada"), (theirs, "ben"), (Undo(), "ada"), (Undo(), "ada"))
    assert ran.state.wanted[:2] == (-1_000, -1_300)
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.NOTHING_TO_UNDO]


def test_a_change_that_somebody_changed_again_is_passed_over() -> None:
    plan = small_plan((-1_000, -1_000))
    over_it = Nudge(by=100, column=0)
    earlier, later = Nudge(by=300, column=1), Nudge(by=300, column=0)
    ran = _do(plan, settled(plan), (earlier, "ada"), (later, "ada"), (over_it, "ben"), (Undo(), "ada"))
    assert ran.state.wanted[:2] == (-600, -1_000)


def test_a_nudge_of_a_song_that_is_over_is_not_put_back_into_another() -> None:
    plan = small_plan((-1_000,), (-1_000,), (-2_000,))
    song = Nudge(by=300, column=0, lasts=Lasts.SONG)
    start = settled(plan, 1)
    ran = _do(plan, start, (song, "ada"), (ClearNudges(), "ada"), (Next(), "ben"), (Undo(), "ada"))
    assert ran.state.wanted[0] == -2_000


def test_a_nudge_for_the_night_still_stands_when_one_for_the_song_is_over() -> None:
    plan = small_plan((-1_000,), (-1_000,), (-2_000,))
    song, night = Nudge(by=300, column=0, lasts=Lasts.SONG), Nudge(by=100, column=0)
    start = settled(plan, 1)
    ran = _do(plan, start, (song, "ada"), (night, "ada"), (Next(), "ben"))
    assert ran.state.wanted[0] == -1_900
    ran = _do(plan, ran.state, (Undo(), "ada"))
    assert ran.state.wanted[0] == -2_000


def test_a_song_gone_back_to_has_its_nudges_again() -> None:
    plan = small_plan((-1_000,), (-1_000,), (-2_000,))
    song = Nudge(by=300, column=0, lasts=Lasts.SONG)
    ran = _do(plan, settled(plan, 1), (song, "ada"), (Next(), "ada"))
    assert ran.state.wanted[0] == -2_000
    ran = _do(plan, ran.state, (Undo(), "ada"))
    assert ran.state.wanted[0] == -700


def test_going_to_where_one_is_leaves_nothing_to_undo() -> None:
    plan = small_plan((-1_000,))
    first = Nudge(by=300, column=0)
    ran = run(plan, [(0, wish(first)), (1, wish(GoTo(stop=0))), (2, wish(Undo()))])
    assert ran.state.wanted[0] == -1_000


def test_a_step_is_taken_back_while_it_is_fresh_and_never_in_mid_song() -> None:
    """An undo too many later on finds what was done before the step, or says that `back` goes there."""
    plan = small_plan((-1_000,), (-1_000,), (-2_000,))
    stepped = _do(plan, settled(plan, 1), (Next(), "ada")).state
    at = stepped.undo[-1].at
    fresh = run(plan, [(at + STOP_BACK_NS, wish(Undo(), "ada"))], stepped)
    assert fresh.state.place.stop == 1
    late = run(plan, [(at + STOP_BACK_NS + 1, wish(Undo(), "ada"))], stepped)
    assert late.state.wishes == stepped.wishes and late.state.undo == stepped.undo
    assert [refused.reason for refused in late.of(Refused)] == [Reason.LONG_AGO]
    back = run(plan, [(at + STOP_BACK_NS + 2, wish(Back(), "ada"))], late.state)
    assert back.state.place.stop == 1

    nudged = _do(plan, settled(plan, 1), (Nudge(by=100, column=0), "ada"), (Next(), "ada")).state
    assert nudged.wanted[0] == -1_900
    late = run(plan, [(nudged.now + 2 * STOP_BACK_NS, wish(Undo(), "ada"))], nudged)
    assert (late.state.place.stop, late.state.wanted[0]) == (2, -2_000)


def test_a_scene_laid_over_a_song_is_taken_back_at_any_time() -> None:
    plan = replace(small_plan((-1_000,)), scenes=(Scene(name="solo", layer=((0, ShiftBy(300)),)),))
    laid = _do(plan, settled(plan), (Recall(scene=0), "ada")).state
    assert laid.wanted[0] == -700
    late = run(plan, [(laid.now + 10 * STOP_BACK_NS, wish(Undo(), "ada"))], laid)
    assert late.state.wanted[0] == -1_000


def test_a_hush_is_taken_back_while_it_lasts_and_its_end_never() -> None:
    plan = small_plan((-1_000,))
    nudge = (Nudge(by=100, column=0), "ada")
    hushed = _do(plan, settled(plan), nudge, (Hush(), "ada"))
    assert hushed.state.hushed
    undone = _do(plan, hushed.state, (Undo(), "ada")).state
    assert not undone.hushed and undone.wanted[0] == -900
    over = _do(plan, hushed.state, (Hush(), "ada"), (Undo(), "ada")).state
    assert not over.hushed and over.wanted[0] == -1_000
