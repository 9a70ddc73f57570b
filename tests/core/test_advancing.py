"""Going through the setlist: the settle time of `next`, and what a pulled pedal does not do."""

from __future__ import annotations

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shows import Night, nights, rest, run, settled, small_plan, wish

from stagectl.core.actions import Back, FallBack, Next, Nudge, Tell
from stagectl.core.effects import Changed, Connected, Effect, Move, Pressed, Reason, Refused, Told
from stagectl.core.events import Moved, PedalCame, PedalWent
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture, Timing
from stagectl.core.limits import Limits
from stagectl.core.plan import MS
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step


@given(st.integers(0, 700), st.sampled_from((300, 0, 500)))
def test_next_twice_within_the_settle_time_counts_once(gap: int, settle: int) -> None:
    plan = small_plan(*[(-1_000,)] * 4, limits=Limits(settle_ns=settle * MS))
    start = settled(plan)
    ran = run(plan, [(start.now, wish(Next())), (start.now + gap * MS, wish(Next(), who="ben"))], start)
    reasons = [refused.reason for refused in ran.of(Refused)]
    assert (ran.state.place.stop, reasons) == ((1, [Reason.TOO_SOON]) if gap < settle else (2, []))


def test_at_and_around_the_settle_time() -> None:
    plan = small_plan(*[(-1_000,)] * 3)
    start = settled(plan)
    for gap, stop in ((300 * MS - 1, 1), (300 * MS, 2), (300 * MS + 1, 2)):
        ran = run(plan, [(start.now, wish(Next())), (start.now + gap, wish(Next()))], start)
        assert ran.state.place.stop == stop


def test_refused_presses_do_not_put_the_next_one_off() -> None:
    """A foot that hammers every 100 ms goes on every 300 ms; the settle time counts from what was done."""
    plan = small_plan(*[(-1_000,)] * 6)
    start = settled(plan)
    ran = run(plan, [(start.now + at * 100 * MS, wish(Next())) for at in range(10)], start)
    assert ran.state.place.stop == 4
    assert len(ran.of(Refused)) == 6


def test_back_recovers_at_once_and_both_ends_refuse() -> None:
    plan = small_plan((-1_000,), (-2_000,))
    start = settled(plan)
    ran = run(plan, [(start.now, wish(Next())), (start.now + 1, wish(Back())), (start.now + 2, wish(Back()))], start)
    assert ran.state.place.stop == 0
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.FIRST]
    at_end = run(plan, [(ran.state.now + at * 10**9, wish(Next())) for at in (1, 2)], ran.state)
    assert [refused.reason for refused in at_end.of(Refused)] == [Reason.LAST]


def test_falling_back_is_gentle_at_the_base_too() -> None:
    plan = small_plan((-300,), (-300,), limits=Limits(gentle_ns=3_000 * MS))
    for stop in range(2):
        start = settled(plan, stop)
        presses = [(start.now, wish(Nudge(by=-1_200, column=0))), (start.now + 10**9, wish(FallBack()))]
        *_, back = run(plan, presses, start).of(Changed)
        assert (back.moves, back.fade_ns) == ((Move(0, -1_500, -300),), 3_000 * MS)


@settings(max_examples=examples(30))
@given(nights())
def test_a_pedal_that_went_or_came_fires_nothing_by_itself(night: Night) -> None:
    """After a pedal's going or coming, none of its gestures fires until something of it moves again."""
    gone: set[int] = set()

    def look(effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Connected) and effect.pedal is not None and not effect.here:
                gone.add(effect.pedal)
            elif isinstance(effect, Pressed):
                assert effect.pedal not in gone

    state = begin(night.plan, 0)
    for at, event in night.events:
        if isinstance(event, Moved):
            gone.discard(event.pedal)
        stepped = step(night.plan, state, event, at)
        state = stepped.state
        look(stepped.effects)
        if isinstance(event, PedalWent | PedalCame):
            about = [effect for effect in stepped.effects if isinstance(effect, Connected)]
            assert [(effect.pedal, effect.here) for effect in about] == [(event.pedal, isinstance(event, PedalCame))]


def test_a_cable_pulled_in_mid_press() -> None:
    tell = {gesture: Tell(message=0) for gesture in (Gesture.PRESS, Gesture.RELEASE, Gesture.HOLD, Gesture.DOUBLE)}
    pedal = Pedal(name="board", controls=(Control(name="left", does=tell, timing=Timing()),))
    plan = small_plan((-1_000,), pedals=(pedal,), messages=1)
    down, up = Moved(pedal=0, control=0, value=127), Moved(pedal=0, control=0, value=0)
    for before in ((down,), (down, up)):
        events = [(at * 30 * MS, event) for at, event in enumerate((*before, PedalWent(pedal=0)), 1)]
        pulled = run(plan, events)
        assert not pulled.state.hands
        assert next_wake(pulled.state) is None
        assert not pulled.of(Told)
        later = rest(plan, run(plan, [(10**9, PedalCame(pedal=0)), (2 * 10**9, up)], pulled.state))
        assert not later.of(Told)
        assert [refused.reason for refused in later.of(Refused)] == [Reason.ALREADY_UP]
