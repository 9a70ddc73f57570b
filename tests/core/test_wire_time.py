"""How long changes take on the wire, as numbers: what a link is used for while a change lasts, and whether anybody has
to wait for more than their turn. All under the virtual clock, by what the core asks for and when.

A byte on a DIN link is ten bits at 31,250 baud, 320 µs; a control change is three of them (MIDI 1.0, 4.2.1).
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import accumulate, pairwise
from random import Random

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import DIN, FAST, MIXED, Ran, Timed, rest, run, settled, small_plan, wish
from wires import flat, keeps_the_budget, wire_ns

from stagectl.core.actions import Back, Next, Ride
from stagectl.core.events import Moved, Wake
from stagectl.core.fade import FRAME_NS, frames_of
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.grid import Grid
from stagectl.core.levels import Level, height
from stagectl.core.link import Link
from stagectl.core.plan import MS, Plan

INPUTS, MIXES = 16, 6
SENDS = INPUTS * MIXES
SECOND = 1_000 * MS
FINEST = Grid(steps=range(-9_000, 1_001))

OSC = Link(message_ns=20_000)
"""An OSC packet at 100 Mbit/s."""


def _ends(seed: int) -> list[tuple[int, int]]:
    some = Random(seed)
    pairs = [(some.randint(-4_000, -2_500), some.randint(-1_500, 0)) for _ in range(SENDS)]
    return [pair if some.random() < 0.5 else pair[::-1] for pair in pairs]


FAR_APART = st.integers(0, 10_000).map(_ends)
"""Two levels for every send, at least 10 dB from each other; by a seed, since two hundred levels shrink for ever."""


def full(ends: list[tuple[int, int]], *, link: Link, fade_ns: int = 0, pedals: tuple[Pedal, ...] = ()) -> Plan:
    """Sixteen inputs in six mixes, between two stops at which every level is another."""
    first, second = zip(*ends, strict=True)
    return small_plan(
        first, second, listeners=MIXES, ceiling=1_000, grid=FINEST, link=link, fade_ns=fade_ns, pedals=pedals
    )


def height_of(level: Level | None) -> int:
    """The height of a level that is known."""
    assert level is not None
    return height(level)


def changed(plan: Plan, listener: int = 0) -> tuple[int, Ran]:
    """When the second stop was gone to, and all that followed."""
    start = settled(plan)
    return start.now, rest(plan, run(plan, [(start.now, wish(Next(), listener=listener))], start))


def used(plan: Plan, ran: Ran) -> float:
    """Which part of the time from the first byte to the last one the wire was carrying something."""
    on_wire = [wire_ns(plan, ask) for ask in ran.asks]
    return sum(on_wire) / (ran.asks[-1].at + on_wire[-1] - ran.asks[0].at)


@settings(max_examples=examples(12, least=4))
@given(FAR_APART, st.integers(0, MIXES - 1))
def test_a_full_cut_on_a_din_link_uses_the_wire_and_never_passes_it(ends: list[tuple[int, int]], presser: int) -> None:
    plan = full(ends, link=DIN)
    at, ran = changed(plan, presser)
    told = flat(ran.asks)
    assert len(told) == len(dict(told)) == SENDS
    assert ran.asks[0].at == at
    assert used(plan, ran) >= 0.95
    keeps_the_budget(plan, ran.effects)
    # 96 control changes of 960 µs.
    assert ran.asks[-1].at - at <= SENDS * 960_000
    before = dict(enumerate(plan.bounded[0]))
    rises = [height(level) > height_of(before[send]) for send, level in told]
    own = [plan.listener_of(send) == presser for send, _ in told]
    assert rises == sorted(rises)
    for way in (False, True):
        leads = [mine for mine, up in zip(own, rises, strict=True) if up is way]
        assert leads == sorted(leads, reverse=True)


@settings(max_examples=examples(9, least=3))
@given(FAR_APART, st.integers(2, 5))
def test_a_full_fade_on_a_din_link_uses_the_wire_while_it_lasts(ends: list[tuple[int, int]], seconds: int) -> None:
    plan = full(ends, link=DIN, fade_ns=seconds * SECOND)
    at, ran = changed(plan)
    assert used(plan, ran) >= 0.95
    keeps_the_budget(plan, ran.effects)
    assert ran.asks[-1].at - at <= seconds * SECOND


@settings(max_examples=examples(12, least=4))
@given(FAR_APART)
def test_over_osc_a_full_cut_leaves_within_10_ms(ends: list[tuple[int, int]]) -> None:
    plan = full(ends, link=OSC)
    at, ran = changed(plan)
    assert len(flat(ran.asks)) == SENDS
    assert ran.asks[-1].at + wire_ns(plan, ran.asks[-1]) - at <= 10 * MS


@settings(max_examples=examples(9, least=3))
@given(FAR_APART, st.integers(0, 3_200), st.sampled_from((DIN, OSC)))
def test_a_press_in_a_fade_starts_from_the_present_levels_and_leaves_nothing_behind(
    ends: list[tuple[int, int]], ms: int, link: Link
) -> None:
    plan = full(ends, link=link, fade_ns=3 * SECOND)
    start = settled(plan)
    at = start.now + ms * MS
    there = run(plan, [(start.now, wish(Next())), (at, Wake())], start)
    turned = run(plan, [(at, wish(Back()))], there.state)
    ended = rest(plan, turned)
    back = ended.asks
    # What was under way when the foot came down is not told any more.
    assert {ask.press for ask in back} <= {turned.state.presses}
    keeps_the_budget(plan, (*there.effects, *ended.effects))
    ways: dict[int, list[int]] = {}
    for send, level in flat(back):
        ways.setdefault(send, []).append(height(level))
    for send, way in ways.items():
        first, second = ends[send // (INPUTS + 1) * INPUTS + send % (INPUTS + 1)]
        # Back to the first level, by the shortest way from where it was.
        assert way[-1] == first
        assert way == sorted(way, reverse=second > first)


# -- treadles in a fade -----------------------------------------------------------------------------------

RIDDEN = 0
"""The send that the treadle moves: the first input in the first mix."""


def treadle(listener: int = 0) -> Pedal:
    """A treadle that rides the first input of a mix by 6 dB down and up."""
    does = {Gesture.TURN: Ride(low=-600, high=600, column=0, listener=listener)}
    return Pedal(name=f"treadle {listener}", controls=(Control(name="treadle", does=does, top=16_383),), listener=0)


def foot(steps: list[int], start: int, every_ns: int, until: int, pedal: int = 0) -> list[Timed]:
    """A treadle that is never still: it goes to and fro by these steps, from the middle on (where it takes hold)."""
    count = (until - start) // every_ns
    places = accumulate((steps[at % len(steps)] * (1 if at // 40 % 2 else -1) for at in range(count)), initial=8_192)
    return [
        (start + at * every_ns, Moved(pedal=pedal, control=0, value=min(16_383, max(0, place))))
        for at, place in enumerate(places, 1)
    ]


STEPS = st.lists(st.integers(40, 200), min_size=1, max_size=5)


def everybody_gets_a_turn(plan: Plan, ran: Ran, start: int, fade_ns: int, turn_ns: int) -> None:
    """No glide waits longer than two turns between two of its levels, none leaves its way by more than what it goes in
    that time, and all are at their ends in time, or one turn later."""
    times: dict[int, list[int]] = {}
    levels: dict[int, list[Level | None]] = {}
    for ask in ran.asks:
        for send, level in ask.levels:
            times.setdefault(send, [start]).append(ask.at)
            levels.setdefault(send, [plan.bounded[0][send]]).append(level)
    for send, (old, new) in enumerate(zip(plan.bounded[0], plan.bounded[1], strict=True)):
        if send % plan.width == 0 or not isinstance(old, int) or not isinstance(new, int):
            continue
        told = times[send]
        assert max(b - a for a, b in pairwise(told)) <= 2 * turn_ns, (send, told)
        assert told[-1] - start <= fade_ns + turn_ns
        assert levels[send][-1] == new
        for at in range(start, start + fade_ns, 50 * MS):
            here = levels[send][bisect_right(told, at) - 1]
            even = old + (new - old) * (at - start) // fade_ns
            assert isinstance(here, int)
            assert abs(here - even) <= 3 * turn_ns * abs(new - old) // fade_ns + 1


@settings(max_examples=examples(6, least=2))
@given(FAR_APART, STEPS, st.integers(0, 9))
def test_a_treadle_that_never_rests_starves_no_glide_of_a_long_fade(
    ends: list[tuple[int, int]], steps: list[int], phase: int
) -> None:
    """A hundred values a second during a fade of three seconds of 96 sends, and for a while more, on a DIN link."""
    resting = [(-1_000, -1_000), *ends[1:]]
    plan = full(resting, link=DIN, fade_ns=3 * SECOND, pedals=(treadle(),))
    start = settled(plan).now
    events = [(start, wish(Next())), *foot(steps, start + phase * MS, 10 * MS, start + 3_500 * MS)]
    ran = rest(plan, run(plan, events, settled(plan)))
    # The treadle itself takes a tenth of the wire.
    everybody_gets_a_turn(plan, ran, start, 3 * SECOND, SENDS * 960_000 * 11 // 10)
    keeps_the_budget(plan, ran.effects)
    assert ran.state.asked == ran.state.steps
    of_treadle = [ask.at for ask in ran.asks if any(send == RIDDEN for send, _ in ask.levels)]
    # Each of its 350 values was told, but for those that another one overtook before the wire was free.
    assert len(of_treadle) >= 345


@settings(max_examples=examples(6, least=2))  # thousands of plans of 96 glides each
@given(FAR_APART, STEPS)
def test_a_treadle_that_says_more_than_the_wire_carries_leaves_every_other_message_to_the_fade(
    ends: list[tuple[int, int]], steps: list[int]
) -> None:
    """Two thousand values a second, as a fine treadle over USB may say, over a wire that carries half of that."""
    lasts = SECOND * 6 // 10
    plan = full(ends, link=DIN, fade_ns=lasts, pedals=(treadle(),))
    start = settled(plan).now
    events = [(start, wish(Next())), *foot(steps, start, MS // 2, start + lasts)]
    ran = rest(plan, run(plan, events, settled(plan)))
    everybody_gets_a_turn(plan, ran, start, lasts, 2 * SENDS * 960_000)
    keeps_the_budget(plan, ran.effects)
    assert ran.state.asked == ran.state.steps


@settings(max_examples=examples(6, least=2))
@given(FAR_APART, STEPS, STEPS)
def test_two_treadles_share_the_wire_with_a_fade(
    ends: list[tuple[int, int]], steps: list[int], others: list[int]
) -> None:
    plan = full(ends, link=DIN, fade_ns=2 * SECOND, pedals=(treadle(), treadle(1)))
    start = settled(plan).now
    feet = [
        *foot(steps, start, 10 * MS, start + 2 * SECOND),
        *foot(others, start + 3 * MS, 7 * MS, start + 2 * SECOND, pedal=1),
    ]
    ran = rest(plan, run(plan, [(start, wish(Next())), *sorted(feet, key=lambda timed: timed[0])], settled(plan)))
    everybody_gets_a_turn(plan, ran, start, 2 * SECOND, SENDS * 960_000 * 14 // 10)
    keeps_the_budget(plan, ran.effects)


# -- messages of differing length -------------------------------------------------------------------------


@settings(max_examples=examples(12, least=4))
@given(FAR_APART, st.booleans())
def test_each_message_counts_by_its_own_length(ends: list[tuple[int, int]], slow_sends: bool) -> None:
    """Sends by twelve bytes and whole mixes by three, or the other way round: the wire is full, and never too full."""
    link = MIXED if slow_sends else replace(MIXED, message_ns=960_000, whole_ns=3_840_000)
    inputs = small_plan(*([end[at] for end in ends] for at in (0, 1)), listeners=MIXES, grid=FINEST, link=link)
    levels = [list(stop.levels) for stop in inputs.stops]
    for mix in range(MIXES):
        for at, stop in enumerate(levels):
            stop[inputs.send(mix, inputs.whole)] = ends[mix][at]
    stops = tuple(replace(stop, levels=tuple(own)) for stop, own in zip(inputs.stops, levels, strict=True))
    plan = replace(inputs, whole_grid=FINEST, stops=stops)
    at, ran = changed(plan)
    assert len(flat(ran.asks)) == SENDS + MIXES
    assert used(plan, ran) >= 0.95
    keeps_the_budget(plan, ran.effects)
    lasts = ran.asks[-1].at + wire_ns(plan, ran.asks[-1]) - at
    assert lasts == SENDS * link.message_ns + MIXES * link.takes(whole=True)


@given(st.integers(1, 400), st.integers(0, 10_000))
def test_the_frames_of_a_fade_fit_the_wire_and_its_length(messages: int, ms: int) -> None:
    wire, fade_ns = messages * FAST.message_ns, ms * MS
    frames, frame_ns = frames_of(fade_ns, wire)
    assert frames >= 1 and frame_ns >= max(wire, FRAME_NS)
    assert frames == 1 or 0 <= fade_ns - frames * frame_ns < frames
