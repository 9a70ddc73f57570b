"""Lamps: what a pedal is told back. Nights by chance, with a listener at the pedal's end that knows nothing of how the
core keeps its books."""

from __future__ import annotations

from itertools import accumulate

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import LAMPS, Night, Ran, Timed, nights, rest, run, small_plan, wish, with_wakes

from stagectl.core.actions import Back, Hush, Next, StartCue, StopCue
from stagectl.core.effects import Arrived, Connected, Cue, Effect, Lit, Pressed, Reason, Refused
from stagectl.core.events import (
    DeskCame,
    DeskWent,
    Event,
    LampsCame,
    LampsWent,
    Moved,
    PedalCame,
    PedalWent,
    PlayerCame,
    Wake,
)
from stagectl.core.feet import LAMP_GAP_NS, Control, Lamp, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.lamps import SHOWS, UNMEANT
from stagectl.core.plan import MS, Plan
from stagectl.core.players import CueCall, Player
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step

HOUR = 3_600_000 * MS

BOARD = Pedal(
    name="board",
    controls=(
        Control(name="on", does={Gesture.PRESS: Next()}),
        Control(name="start", does={Gesture.PRESS: StartCue()}),
        Control(name="stop", does={Gesture.PRESS: StopCue()}),
    ),
    listener=0,
    lamps=tuple(Lamp(shows=word, lasts_ns=500 * MS) for word in SHOWS),
)
WORDS = list(SHOWS)
START: list[Timed] = [(0, DeskCame()), (0, PlayerCame(player=0)), (0, PedalCame(pedal=0)), (0, LampsCame(pedal=0))]


def board(songs: int = 3) -> Plan:
    plan = small_plan(*([-1_000] for _ in range(songs + 1)), pedals=(BOARD, replace(BOARD, name="other")))
    cue = CueCall(player=0, number=7, by_press=True)
    stops = (plan.stops[0], *(replace(stop, cue=cue) for stop in plan.stops[1:]))
    return replace(plan, stops=stops, players=(Player(name="player"),))


# -- nights by chance -------------------------------------------------------------------------------------

GAPS = st.one_of(st.sampled_from([ms * MS for ms in (0, 0, 1, 9, 10, 11, 40, 100, 500, 1_000)]), st.integers(0, HOUR))


@st.composite
def evenings(draw: st.DrawFn) -> Night:
    """A small board with any lamps, with much coming and going."""
    plan = board()
    lamps = st.lists(LAMPS, max_size=5).map(tuple)
    pedals = tuple(replace(pedal, lamps=draw(lamps)) for pedal in plan.pedals)
    plan = replace(plan, pedals=pedals, limits=replace(plan.limits, settle_ns=0))
    which = st.integers(0, 1)
    foot = st.builds(Moved, pedal=which, control=st.integers(0, 2), value=st.sampled_from((127, 0)))
    comes = st.one_of([st.builds(kind, pedal=which) for kind in (PedalCame, PedalWent, LampsCame, LampsWent)])
    hushes = st.sampled_from([wish(Hush()), wish(Hush(everyone=True)), wish(Hush(), listener=None)])
    others = st.one_of(
        hushes, st.sampled_from((DeskCame(), DeskWent(), wish(Next()), wish(Back()), wish(StartCue()), wish(StopCue())))
    )
    happening: st.SearchStrategy[Event] = st.one_of(foot, foot, comes, others)
    some = draw(st.lists(st.tuples(GAPS, happening), max_size=30))
    ats = accumulate(gap for gap, _ in some)
    events: list[Timed] = list(zip(ats, (event for _, event in some), strict=True))
    if draw(st.booleans()):
        events = [(0, kind(pedal=pedal)) for pedal in (0, 1) for kind in (PedalCame, LampsCame)] + events
    return Night(plan=plan, events=tuple(events))


class Witness:
    """Stands at the end of the wire and knows what each lamp shows, what came, and what went."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.shown: dict[tuple[int, int], int] = {}
        self.free: dict[int, int] = {}
        self.here: set[tuple[str, int]] = set()

    def hear(self, lit: Lit) -> None:
        """A message: only to a pedal that is here, only news, only when the one before it has been carried."""
        assert self.can_be_told(lit.pedal)
        assert self.shown.get((lit.pedal, lit.lamp)) != lit.value
        assert lit.at >= self.free.get(lit.pedal, 0)
        self.shown[lit.pedal, lit.lamp] = lit.value
        self.free[lit.pedal] = lit.at + self.plan.pedals[lit.pedal].lamps[lit.lamp].gap_ns

    def see(self, event: Event) -> None:
        """A pedal or its wire comes or goes: nobody knows what its lamps show."""
        if isinstance(event, PedalCame | PedalWent | LampsCame | LampsWent):
            end = ("pedal" if isinstance(event, PedalCame | PedalWent) else "wire", event.pedal)
            (self.here.add if isinstance(event, PedalCame | LampsCame) else self.here.discard)(end)
            self.shown = {key: value for key, value in self.shown.items() if key[0] != event.pedal}

    def can_be_told(self, pedal: int) -> bool:
        return {("pedal", pedal), ("wire", pedal)} <= self.here

    def wrong(self, ran: Ran, at: int) -> list[int]:
        """The pedals of which some lamp shows something else than it should."""
        return [
            pedal
            for pedal, model in enumerate(self.plan.pedals)
            if self.can_be_told(pedal)
            and [self.shown.get((pedal, which)) for which in range(len(model.lamps))]
            != [should_show(self.plan, ran, pedal, lamp, at) for lamp in model.lamps]
        ]


def should_show(plan: Plan, ran: Ran, pedal: int, lamp: Lamp, at: int) -> int:
    """What a lamp should show at a time, from the records alone."""
    if lamp.shows == "song number":
        arrived = ran.of(Arrived)
        return plan.stops[arrived[-1].stop].song + 1 if arrived else 0
    if lamp.shows == "track running":
        return int(any({cue.player: cue.starts for cue in ran.of(Cue)}.values()))
    if lamp.shows == "refused":
        times = [one.at for one in ran.of(Refused) if one.pedal == pedal and one.reason not in UNMEANT]
        return int(bool(times) and at < times[-1] + lamp.lasts_ns)
    if lamp.shows == "hushed":
        # One listener, whose pedals both are: each hush that was not refused takes their mix down, or back.
        refused = {one.press for one in ran.of(Refused)}
        return len([one for one in ran.of(Pressed) if one.what == "hush" and one.press not in refused]) % 2
    assert lamp.shows == "desk here"
    return int([one.here for one in ran.of(Connected) if one.pedal is None and one.player is None][-1:] == [True])


@settings(max_examples=examples(75))
@given(evenings())
def test_what_a_witness_at_the_pedal_sees(night: Night) -> None:
    """Woken whenever the core asks for it: after each event and each wake-up, whatever does not show what it should is
    of a pedal whose wire is busy, and will be told the moment when it is free."""
    witness, state, effects = Witness(night.plan), begin(night.plan, 0), list[Effect]()
    events = list(night.events)
    while True:
        due = next_wake(state)
        event: Event = Wake()
        if due is not None and (not events or due <= events[0][0]):
            at = due
        elif events:
            at, event = events.pop(0)
        else:
            break
        witness.see(event)
        state, more = step(night.plan, state, event, at)
        effects += more
        for effect in more:
            if isinstance(effect, Lit):
                witness.hear(effect)
        for pedal in witness.wrong(Ran(state=state, effects=tuple(effects)), at):
            assert at < witness.free[pedal]
            assert (next_wake(state) or 0) <= witness.free[pedal]
    assert witness.wrong(Ran(state=state, effects=tuple(effects)), state.now) == []


@settings(max_examples=examples(50))
@given(evenings(), st.lists(st.integers(0, 20_000 * MS), max_size=20))
def test_wake_ups_make_no_difference_to_lamps(night: Night, times: list[int]) -> None:
    events = [*night.events, (night.ends + HOUR, Wake())]
    plain, woken = run(night.plan, events), run(night.plan, with_wakes(events, times))
    assert woken.effects == plain.effects
    assert woken.state == plain.state


@settings(max_examples=examples(13))
@given(nights())
def test_lamps_change_nothing_else(night: Night) -> None:
    """The same night without lamps has the same effects but for the lamps' own."""
    bare = replace(night.plan, pedals=tuple(replace(pedal, lamps=()) for pedal in night.plan.pedals))
    lit, dark = (rest(plan, run(plan, night.events)) for plan in (night.plan, bare))
    assert [effect for effect in lit.effects if not isinstance(effect, Lit)] == list(dark.effects)
    assert dark.state.lights == ()
    assert replace(lit.state, lights=(), now=0) == replace(dark.state, now=0)


@given(evenings(), st.integers(0, 1), st.sampled_from((PedalCame, LampsCame)))
def test_a_pedal_that_comes_back_is_told_everything_anew(night: Night, pedal: int, comes: type) -> None:
    lamps = night.plan.pedals[pedal].lamps
    both: list[Timed] = [(night.ends, kind(pedal=pedal)) for kind in (LampsCame, PedalCame)]
    start = rest(night.plan, run(night.plan, [*night.events, *both])).state
    # Its going may have gone unnoticed.
    again = rest(night.plan, run(night.plan, [(start.now + HOUR, comes(pedal=pedal))], start))
    lits = again.of(Lit)
    assert sorted(lit.lamp for lit in lits) == list(range(len(lamps)))
    assert {lit.pedal for lit in lits} <= {pedal}
    assert all(lit.at <= start.now + HOUR + sum(lamp.gap_ns for lamp in lamps) for lit in lits)


# -- by hand ----------------------------------------------------------------------------------------------


def press(at: int, control: str, pedal: int = 0) -> list[Timed]:
    which = [one.name for one in BOARD.controls].index(control)
    down, up = (Moved(pedal=pedal, control=which, value=value) for value in (127, 0))
    return [(at, down), (at + 50 * MS, up)]


def shown(ran: Ran) -> list[tuple[int, str, int]]:
    """What the first pedal was told: ms, lamp, value."""
    return [(lit.at // MS, WORDS[lit.lamp], lit.value) for lit in ran.of(Lit) if lit.pedal == 0]


def after_start(*events: Timed) -> list[tuple[int, str, int]]:
    """What is told by these events, after the first second."""
    plan = board()
    return [one for one in shown(rest(plan, run(plan, [*START, *events]))) if one[0] >= 1_000]


def test_a_pedal_that_comes_is_told_all_lamps_one_by_one() -> None:
    gap = LAMP_GAP_NS // MS
    ran = rest(board(), run(board(), START))
    assert shown(ran) == [
        (0, "song number", 0),
        (gap, "track running", 0),
        (2 * gap, "refused", 0),
        (3 * gap, "desk here", 1),
        (4 * gap, "hushed", 0),
    ]


def test_each_lamp_answers_its_own_thing() -> None:
    assert after_start(*press(2_000 * MS, "on")) == [(2_000, "song number", 1)]
    assert after_start(*press(1_000 * MS, "on"), *press(2_000 * MS, "start"), *press(3_000 * MS, "stop")) == [
        (1_000, "song number", 1),
        (2_000, "track running", 1),
        (3_000, "track running", 0),
    ]
    assert after_start((1_000 * MS, DeskWent()), (2_000 * MS, DeskCame())) == [
        (1_000, "desk here", 0),
        (2_000, "desk here", 1),
    ]


def test_a_refusal_lights_its_own_pedal_for_as_long_as_it_lasts() -> None:
    assert after_start(*press(1_000 * MS, "stop")) == [(1_000, "refused", 1), (1_500, "refused", 0)]
    # One more while it is on: it stays on, for as long from there.
    twice = after_start(*press(1_000 * MS, "stop"), *press(1_300 * MS, "stop"))
    assert twice == [(1_000, "refused", 1), (1_800, "refused", 0)]
    # The other pedal's are no business of this one.
    assert after_start(*press(1_000 * MS, "stop", pedal=1)) == []


def test_contacts_and_the_wire_light_nothing() -> None:
    """The second way down without a way up, and a value that the control cannot send."""
    odd = [(1_200 * MS, Moved(pedal=0, control=1, value=200)), (1_000 * MS, Moved(pedal=0, control=0, value=0))]
    ran = run(board(), [*START, *sorted(odd, key=lambda timed: timed[0])])
    assert {one.reason for one in ran.of(Refused)} == {Reason.OUT_OF_RANGE, Reason.ALREADY_UP}
    assert after_start(*sorted(odd, key=lambda timed: timed[0])) == []


def test_a_lamp_that_changes_its_mind_while_the_wire_is_busy_is_told_the_last_of_it() -> None:
    """Four songs on within one gap: the first at once, then the last; what lay between is never told."""
    plan = board(songs=6)
    plan = replace(plan, limits=replace(plan.limits, settle_ns=0))
    quick: list[Timed] = [(1_000 * MS + at * MS, wish(Next())) for at in range(4)]
    told = [one for one in shown(rest(plan, run(plan, [*START, *quick]))) if one[0] >= 1_000]
    assert told == [(1_000, "song number", 1), (1_010, "song number", 4)]
    # There and back within the gap: nothing is left to tell.
    there: list[Timed] = [*quick[:1], (1_001 * MS, DeskWent()), (1_002 * MS, DeskCame())]
    told = [one for one in shown(rest(plan, run(plan, [*START, *there]))) if one[0] >= 1_000]
    assert told == [(1_000, "song number", 1)]


@pytest.mark.parametrize("order", [(PedalCame, LampsCame), (LampsCame, PedalCame)])
def test_whichever_way_comes_back_later_brings_the_lamps(order: tuple[type, type]) -> None:
    gone: list[Timed] = [(1_000 * MS, PedalWent(pedal=0)), (1_000 * MS, LampsWent(pedal=0)), (1_100 * MS, wish(Next()))]
    back: list[Timed] = [(at * 1_000 * MS, kind(pedal=0)) for at, kind in zip((2, 3), order, strict=True)]
    assert after_start(*gone, *back) == [
        (3_000, "song number", 1),
        (3_010, "track running", 0),
        (3_020, "refused", 0),
        (3_030, "desk here", 1),
        (3_040, "hushed", 0),
    ]


@pytest.mark.parametrize("words", [WORDS, WORDS[::-1]])
def test_no_lamp_starves_while_another_flickers(words: list[str]) -> None:
    """The desk comes and goes faster than the wire carries; the song is told all the same, wherever it stands."""
    plan = replace(board(), pedals=(replace(BOARD, lamps=tuple(Lamp(shows=word) for word in words)),))
    flicker: list[Timed] = [(1_000 * MS + at * 3 * MS, DeskCame() if at % 2 else DeskWent()) for at in range(100)]
    on: Timed = (1_100 * MS, wish(Next()))
    lits = run(plan, sorted([*START, *flicker, on], key=lambda timed: timed[0])).of(Lit)
    told = [lit.at for lit in lits if words[lit.lamp] == "song number" and lit.value == 1]
    assert told[0] <= 1_100 * MS + 2 * LAMP_GAP_NS


def test_without_lamps_nothing_is_kept_and_nothing_is_waited_for() -> None:
    plan = small_plan([-1_000], [-2_000], pedals=(replace(BOARD, lamps=()),))
    ran = run(plan, [*START, (MS, LampsWent(pedal=0))])
    assert ran.state.lights == ()
    assert ran.of(Lit) == []
    assert next_wake(replace(ran.state, fade=None)) is None
