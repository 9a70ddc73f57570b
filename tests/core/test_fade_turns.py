"""The core asks to be woken where a fade may have something to tell, and not at every bunch of it. Judged by the same
night in which it is woken at every bunch: the same effects at the same times, and the same state after every event."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from operator import ne
from random import Random
from typing import NamedTuple

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import DIN, FAST, FINE, Night, Timed, nights, settled, small_plan, wish

from stagectl.core.actions import Back, Hush, Next, Nudge, Recall
from stagectl.core.effects import Ask, Effect
from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Event, Wake
from stagectl.core.fade import frames_of
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.limits import Limits
from stagectl.core.link import Answers
from stagectl.core.plan import MS, Plan
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step

SECOND = 1_000 * MS
COARSE = Grid(steps=(-9_000, -6_000, *range(-4_000, 1_001, 150)))


class Played(NamedTuple):
    """What came of a night: its effects, its state after every event, and how often it was woken."""

    effects: list[Effect]
    states: list[State]
    wakes: int


def at_every_bunch(state: State) -> State:
    """The state in which each bunch of the fade has its turn in every frame."""
    fade = state.fade
    if fade is None:
        return state
    count = len(fade.bunches)
    turns = [fade.done + (at - fade.done) % count for at in range(count)]
    ends = fade.frames * count - 1
    return replace(
        state, fade=replace(fade, due=fade.time_of(fade.done), turns=tuple(min(turn, ends) for turn in turns))
    )


def bare(state: State) -> State:
    """The state without what says when it is to be woken."""
    fade = state.fade
    return state if fade is None else replace(state, fade=replace(fade, due=0, turns=()))


def play(plan: Plan, events: Sequence[Timed], state: State, *, each: bool) -> Played:
    """The night, woken when the core asks for it, on the dot; `each`: at every bunch of its fades. Nothing ever leaves
    later than at its own time."""
    effects: list[Effect] = []
    states: list[State] = []
    wakes = 0

    def do(event: Event, now: int) -> None:
        nonlocal state
        state, new = step(plan, state, event, now)
        assert all(effect.at == now for effect in new), (now, new)
        effects.extend(new)

    def wait(until: int | None) -> None:
        nonlocal state, wakes
        while True:
            state = at_every_bunch(state) if each else state
            due = next_wake(state)
            if due is None or (until is not None and due > until):
                return
            do(Wake(), due)
            wakes += 1

    for at, event in events:
        wait(at)
        do(event, at)
        states.append(bare(state))
    wait(None)
    return Played(effects, [*states, bare(state)], wakes)


def same(plan: Plan, events: Sequence[Timed], state: State) -> tuple[Played, Played]:
    """The night woken when the core asks for it, and at every bunch: nothing else differs."""
    ours, stepped = (play(plan, events, state, each=each) for each in (False, True))
    assert ours.effects == stepped.effects
    for one, other in zip(ours.states, stepped.states, strict=True):
        assert replace(one, now=0) == replace(other, now=0)
    assert ours.wakes <= stepped.wakes
    return ours, stepped


@settings(max_examples=examples(40, least=12))
@given(nights())
def test_any_night_is_the_same_as_if_it_were_woken_at_every_bunch(night: Night) -> None:
    same(night.plan, night.events, begin(night.plan, 0))


@settings(max_examples=examples(9, least=3))
@given(st.integers(0, 10_000), st.integers(3, 5))
def test_after_its_first_frame_a_fade_wakes_the_core_where_it_tells_something(seed: int, seconds: int) -> None:
    """On a DIN link each bunch is one message. The first frame and the end are looked at in any case."""
    some = Random(seed)
    first, second = ([some.randint(-4_000, 900) for _ in range(32)] for _ in range(2))
    plan = small_plan(first, second, grid=COARSE, ceiling=1_000, link=DIN, fade_ns=seconds * SECOND)
    start = settled(plan)
    ours, stepped = same(plan, [(start.now, wish(Next()))], start)
    told = sum(isinstance(effect, Ask) for effect in ours.effects)
    moved = sum(map(ne, start.steps, ours.states[-1].steps))
    frames = frames_of(seconds * SECOND, moved * DIN.message_ns).frames
    # The first message leaves with the press.
    assert stepped.wakes == frames * moved - 1
    assert told - 1 <= ours.wakes <= told + 2 * moved
    assert ours.wakes < stepped.wakes // 2


# -- fades that are disturbed -----------------------------------------------------------------------------

LISTENERS, INPUTS = 2, 6

ANSWERS = (Answers(), Answers(reports=True), Answers(echoes=True, reports=True))
"""What the desk says; one that can be read would have to be there to answer."""


def _nudge(some: Random, _: Sequence[int]) -> list[Event]:
    by = some.choice((-600, -100, 100, 600))
    return [wish(Nudge(by=by, column=some.randrange(INPUTS)), listener=some.randrange(LISTENERS))]


def _hand(some: Random, driven: Sequence[int]) -> list[Event]:
    return [DeskSaid(send=some.choice(driven), level=some.randint(-4_000, 900))]


HAPPENS: tuple[Callable[[Random, Sequence[int]], list[Event]], ...] = (
    _nudge,
    _nudge,
    _hand,
    lambda some, _: [wish(Hush(everyone=some.random() < 0.5))],
    lambda _some, _: [wish(some_place) for some_place in (Back(), Next())],
    lambda _some, _: [wish(Recall())],
    lambda _some, _: [wish(Back())],
    lambda _some, _: [DeskWent(), DeskCame()],
    lambda _some, _: [DeskWent()],
    lambda _some, _: [DeskCame()],
    lambda _some, _: [Wake()],
)
"""What may happen in a fade."""


def faded(seed: int) -> tuple[Plan, list[Timed], State]:
    """A plan of long fades between two stops, and what happens in them, all by a seed: mixes under ceilings, rises that
    have to wait, levels that are off, hands, a desk that goes and comes, nudges, a hush, a scene that is told again."""
    some = Random(seed)

    def levels() -> list[Level | None]:
        return [some.choice((OFF, None, *[some.randint(-5_000, 900)] * 8)) for _ in range(LISTENERS * INPUTS)]

    first, second = levels(), levels()
    second = [
        None if one is None else OFF if other is None else other for one, other in zip(first, second, strict=True)
    ]
    plan = small_plan(
        first,
        second,
        listeners=LISTENERS,
        ceiling=some.choice((900, -600)),
        grid=some.choice((FINE, COARSE, COARSE)),
        fade_ns=some.choice((700, 2_000, 6_000)) * MS + some.randrange(3),
        link=some.choice((DIN, DIN, FAST)),
        limits=Limits(rise=some.choice((None, 300, 1_500, 6_000))),
    )
    plan = replace(plan, mix_ceilings=(some.choice((None, 0, -900)),) * LISTENERS, answers=some.choice(ANSWERS))
    start = settled(plan)
    driven = [send for send in range(len(plan.ceilings)) if plan.stops[0].levels[send] is not None]
    happens: list[Timed] = [(start.now, wish(Next()))]
    at = start.now
    for _ in range(some.randrange(8)):
        at += some.randrange(900 * MS)
        happens += [(at, event) for event in some.choice(HAPPENS)(some, driven)]
    return plan, happens, start


@settings(max_examples=examples(45, least=15))
@given(st.integers(0, 1_000_000).map(faded))
def test_a_fade_that_is_disturbed_is_the_same_as_if_it_were_woken_at_every_bunch(
    night: tuple[Plan, list[Timed], State],
) -> None:
    same(*night)
