"""A night that is played again is seen instant by instant, however much was due before an event."""

from __future__ import annotations

from collections.abc import Callable

from depth import examples
from hypothesis import given, settings
from shows import Night, Timed, nights

from stagectl.core.effects import Arrived, Changed, Pressed
from stagectl.core.events import Event, Wake
from stagectl.core.plan import Plan
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step
from stagectl.core.touch import BESIDE, HAND
from stagectl.story.heard import heard
from stagectl.story.replay import Chapter, Moment, Played
from stagectl.story.retold import Retold

TELLS = (Pressed, Arrived, Changed)


def woken(plan: Plan, events: list[Timed]) -> list[Moment]:
    """What a core that is woken whenever it asks for it does before each event, put together time by time."""
    state, out, first = begin(plan, 0), list[Moment](), 0

    def on(event: Event, at: int) -> None:
        nonlocal state
        before = state
        state, effects = step(plan, state, event, at)
        if not any(isinstance(one, TELLS) for one in effects):
            return
        if len(out) > first and out[-1].at == at:
            was = out.pop()
            before, effects = was.before, (*was.effects, *effects)
        out.append(Moment(at, before, effects, state))

    for at, event in events:
        first = len(out)
        while (due := next_wake(state)) is not None and due < at:
            on(Wake(), due)
        on(event, at)
    return out


def told(moment: Moment) -> tuple[object, ...]:
    """What counts of a moment: where the night was, and what was nudged, before and after it, and what is told of it.
    Treadles may get on between two moments."""
    some = [one for one in moment.effects if isinstance(one, TELLS)]
    return moment.at, *((state.place, state.nudges, state.hushed) for state in (moment.before, moment.after)), some


def seen(night: Night, play: Callable[[list[Moment]], Played | Retold]) -> list[Moment]:
    """What is seen of a night."""
    out: list[Moment] = []
    played = play(out)
    for number, (at, event) in enumerate(night.events, 1):
        if not isinstance(event, Wake):
            played.take(number, heard(event, at))
    played.until(night.ends)
    return out


@settings(max_examples=examples(20))
@given(nights())
def test_a_night_is_seen_as_it_would_have_been_with_every_wake(night: Night) -> None:
    chapter = Chapter(0, night.plan)
    found = seen(night, lambda out: Played(night.plan, [chapter], see=out.append))
    events = [(at, event) for at, event in night.events if not isinstance(event, Wake)]
    assert [told(one) for one in found] == [told(one) for one in woken(night.plan, [*events, (night.ends, Wake())])]
    retold = seen(night, lambda out: Retold([chapter], [0], see=lambda _, one: out.append(one)))
    assert [told(one) for one in retold] == [told(one) for one in found]


@settings(max_examples=examples(20))
@given(nights())
def test_where_no_hand_moved_anything_a_night_without_its_desk_has_the_same_wishes(night: Night) -> None:
    """So whoever asks for wishes alone need not play what the desk was told, and what it answered."""
    chapter = Chapter(0, night.plan)
    whole = seen(night, lambda out: Retold([chapter], [0], see=lambda _, one: out.append(one)))
    if any(isinstance(one, Changed) and one.cause in (HAND, BESIDE) for moment in whole for one in moment.effects):
        return
    deaf = seen(night, lambda out: Retold([chapter], [0], see=lambda _, one: out.append(one), deaf=True))
    assert asked(deaf) == asked(whole)


def asked(moments: list[Moment]) -> list[tuple[object, ...]]:
    """Whatever is asked for, in its order, as often as it changes."""
    out: list[tuple[object, ...]] = []
    for moment in moments:
        state = moment.after
        # The desk's own events have numbers of presses, too.
        nudges = [{send: (one.shift, one.lift, one.room) for send, one in kept.items()} for kept in state.nudges]
        now = (state.place, nudges, state.hushed)
        if not out or out[-1] != now:
            out.append(now)
    return out
