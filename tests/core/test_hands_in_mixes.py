"""Hands on the desk in a mix under a ceiling: what they take from the others, and what they give back.

A plain sum in floating point says what there is room for.
"""

from __future__ import annotations

import math
from typing import Final

from depth import examples
from far_desk import FarDesk
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import DO, FINE, small_plan, wish

from stagectl.core.actions import GoTo, Next, Nudge
from stagectl.core.effects import Ask, Changed
from stagectl.core.events import DeskCame, DeskWent
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.link import Answers
from stagectl.core.plan import MS, Levels, Plan
from stagectl.core.touch import BESIDE

SECOND: Final = 1_000 * MS
CEILING: Final = -300
COARSE: Final = Grid(steps=(*range(-6_000, -2_000, 500), *range(-2_000, 1, 150)))


def show(*scenes: Levels, grid: Grid = FINE, fade_ns: int = 0) -> Plan:
    """One mix, under a ceiling of -3 dB, at a desk that says what hands do."""
    plan = small_plan(*scenes, grid=grid, fade_ns=fade_ns)
    return replace(plan, answers=Answers(each=True, reports=True, echoes=True), mix_ceilings=(CEILING,))


def at_song_1(plan: Plan) -> tuple[FarDesk, int]:
    """The desk is read, and the first song recalled. The time after that."""
    desk = FarDesk(plan=plan)
    desk.do((0, DeskCame()), (SECOND, wish(GoTo(stop=1), who="the start", listener=None)))
    desk.until(4 * SECOND)
    return desk, 4 * SECOND


def loud(levels: Levels) -> float:
    """The uncorrelated sum of some inputs, dB."""
    return 10 * math.log10(math.fsum(10 ** (one / 1_000) for one in levels if isinstance(one, int)) or 1e-99)


def test_what_has_waited_for_a_hand_goes_on_when_that_makes_room() -> None:
    """At 0 dB one input is above the mix's ceiling alone, and nothing may rise beside it; at -9 dB the other has room
    for its -10 dB: together they are -6.5 dB (uncorrelated sum)."""
    desk, now = at_song_1(show((-600, -3_000), (-600, -3_000), (-600, -1_000), fade_ns=SECOND))
    desk.do((now, wish(Next())))
    desk.hand(now + 300 * MS, [(0, 0, 0)])
    desk.until(now + 4 * SECOND)
    waits = desk.levels[1]
    assert isinstance(waits, int) and -3_000 < waits < -2_000
    desk.hand(now + 4 * SECOND, [(0, 0, -900)])
    desk.until(now + 8 * SECOND)
    assert (desk.levels[0], desk.levels[1]) == (-900, -1_000)
    assert desk.state.asked == desk.state.steps


def test_what_a_ceiling_brings_others_to_beside_a_hand_is_recorded_and_told() -> None:
    """Two inputs of -3 dB are held 3 dB lower, and so is one that was lifted from off to the nudge floor. A hand on
    the first ends that: at the floor again, the third rises."""
    desk, now = at_song_1(show((-900, -900, OFF), (-900, -900, OFF), (-300, -300, OFF)))
    desk.do((now, wish(Nudge(by=300, column=2))), (now + MS, wish(Next())))
    desk.until(now + SECOND)
    held = desk.levels[2]
    assert isinstance(held, int) and held < -4_200
    desk.hand(now + SECOND, [(0, 0, -900)])
    desk.until(now + 5 * SECOND)
    (beside,) = [one for one in desk.of(Changed) if isinstance(one, Changed) and one.cause == BESIDE]
    assert {move.send for move in beside.moves} >= {2}
    first = next(at for at, one in enumerate(desk.effects) if one is beside)
    assert any(isinstance(one, Ask) and 2 in dict(one.levels) for one in desk.effects[first:])
    assert desk.differs == {}
    assert (desk.levels[0], desk.levels[1], desk.levels[2]) == (-900, -610, -4_000)


HANDS: Final[tuple[Level, ...]] = (0, -200, -350, -700, -1_200, -2_500, OFF)


@settings(max_examples=examples(300))
@given(
    st.lists(
        st.tuples(
            st.sampled_from((20, 150, 400)),
            st.sampled_from((*DO, "hand", "hand", "hand", "hand", "away", "rests", "rests")),
            st.sampled_from(HANDS),
            st.integers(0, 2),
        ),
        max_size=20,
    ),
    st.sampled_from((FINE, COARSE)),
    st.sampled_from((0, 400 * MS)),
)
@example([(20, "next", OFF, 0), (150, "hand", 0, 0), (20, "rests", OFF, 0), (20, "hand", -1_200, 0)], FINE, 400 * MS)
def test_whatever_hands_do_the_desk_comes_to_rest_where_the_night_has_it(
    happens: list[tuple[int, str, Level, int]], grid: Grid, fade_ns: int
) -> None:
    plan = show(
        (-2_000, -900, OFF), (-300, -300, OFF), (-600, OFF, -450), (OFF, -450, -900), grid=grid, fade_ns=fade_ns
    )
    desk, now = at_song_1(plan)
    for gap, what, level, column in happens:
        now += gap * MS
        if what == "hand":
            stands = plan.standing(column, level)
            assert stands is not None
            desk.hand(now, [(0, column, stands)])
        elif what == "away":
            desk.do((now, DeskWent()), (now + 50 * MS, DeskCame()))
            now += 50 * MS
        elif what == "rests":
            now += 15 * SECOND
            desk.until(now)
            rests(desk)
        else:
            action = DO[what]
            desk.do((now, wish(replace(action, column=column) if isinstance(action, Nudge) else action)))
    desk.until(now + 30 * SECOND)
    rests(desk)


def rests(desk: FarDesk) -> None:
    """The desk is where the night has it, but for what a hand has left, and what there is no room for beside that."""
    state = desk.state
    assert state.fade is None and not state.touches and not state.known.doubts
    for send, step in enumerate(state.steps):
        if step is None or step == state.asked[send] or send in state.left:
            continue
        others = [level for other, level in enumerate(state.asked) if other != send]
        assert state.left and isinstance(step, int) and loud((*others, step)) > CEILING / 100 - 0.01, send
