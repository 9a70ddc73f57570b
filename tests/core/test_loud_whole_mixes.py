"""Whole mixes that stand above 0 dB at the desk, and desks that nobody can read: no message takes a mix above its
ceiling, as the desk really stands.

What a mix comes to is the uncorrelated sum of its inputs in floating point, and the whole mix on top, of the levels
that the desk at the far end has.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import pytest
from depth import examples
from far_desk import FarDesk
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import DIN, DO, FAST, FINE, small_plan, wish

from stagectl.core.actions import GoTo, Next, Nudge
from stagectl.core.effects import Changed, Reason, Refused
from stagectl.core.events import DeskCame, DeskWent
from stagectl.core.levels import OFF, Level, height
from stagectl.core.link import Answers, Link
from stagectl.core.plan import MS, Levels, Plan
from stagectl.core.targets import aims
from stagectl.core.touch import BESIDE

SECOND: Final = 1_000 * MS
CEILING: Final = -300
WHOLE: Final = 2
"""The send of the whole mix, beside two inputs."""

READS: Final = Answers(each=True, reports=True, echoes=True)
SAYS: Final = Answers(reports=True)
DEAF: Final = Answers()


def show(*scenes: Levels, wholes: Levels = (), answers: Answers = READS, fade_ns: int = 0, link: Link = FAST) -> Plan:
    """One mix of two inputs, under a ceiling of -3 dB as a sum. `wholes`: its whole mix at each stop; the show leaves
    it alone where there are none."""
    plan = small_plan(*scenes, ceiling=1_000, grid=FINE, fade_ns=fade_ns, link=link)
    levels = wholes or (None,) * len(scenes)
    stops = [
        replace(stop, levels=(*stop.levels[:WHOLE], whole)) for stop, whole in zip(plan.stops, levels, strict=True)
    ]
    return replace(plan, whole_grid=FINE, stops=tuple(stops), answers=answers, mix_ceilings=(CEILING,))


@dataclass(kw_only=True)
class Watched(FarDesk):
    """A desk that notes the most that a message has brought its mix to, above where it was, dB."""

    most: float = -math.inf

    def _hear(self, send: int, level: Level) -> Callable[[int], None]:
        heard = super()._hear(send, level)

        def watched(at: int) -> None:
            before = self.comes_to
            heard(at)
            if self.comes_to > before + 1e-9:
                self.most = max(self.most, self.comes_to)

        return watched

    @property
    def comes_to(self) -> float:
        """What the mix comes to at the ear, dB."""
        whole = self.levels[WHOLE]
        powers = math.fsum(10 ** (one / 1_000) for one in map(self.levels.get, range(WHOLE)) if isinstance(one, int))
        return -math.inf if not isinstance(whole, int) or not powers else 10 * math.log10(powers) + whole / 100

    def power_off(self) -> None:
        """It was switched off and on: inputs off, whole mixes at 0 dB."""
        self.levels = {send: 0 if send == WHOLE else OFF for send in self.levels}


def begun(plan: Plan, whole: Level = 0) -> tuple[Watched, int]:
    """The desk came with its whole mix there, and the first song was recalled. The time after that."""
    desk = Watched(plan=plan)
    desk.levels[WHOLE] = whole
    desk.do((0, DeskCame()), (SECOND, wish(GoTo(stop=1), who="the start", listener=None)))
    desk.until(4 * SECOND)
    return desk, 4 * SECOND


def changes(desk: FarDesk, cause: str) -> list[Changed]:
    return [one for one in desk.of(Changed) if isinstance(one, Changed) and one.cause == cause]


# -- above 0 dB at the desk -------------------------------------------------------------------------------


@pytest.mark.parametrize(("whole", "by"), [(600, 600), (0, 0), (-1_000, 0), (OFF, 0)])
def test_a_whole_mix_that_was_read_above_0_db_counts_and_below_it_makes_no_room(whole: Level, by: int) -> None:
    """Two inputs of -6.02 dB come to -3.01 dB (uncorrelated sum): with 0 dB on top just what may be."""
    desk, _ = begun(show((-2_000, -2_000), (-602, -602)), whole)
    assert [desk.levels[send] for send in (0, 1)] == pytest.approx([-602 - by] * 2, abs=11)
    assert desk.levels[WHOLE] == whole
    assert desk.comes_to <= CEILING / 100 + 1e-6


def test_a_hand_that_brings_one_up_has_its_inputs_held_lower_and_is_let_be() -> None:
    """What the others come to is recorded. When the hand goes back nothing rises for that, until the next stop."""
    desk, now = begun(show((-2_000, -2_000), (-610, -610), (-610, -610)))
    before = desk.levels.copy()
    desk.hand(now, [(0, WHOLE, 300), (50 * MS, WHOLE, 500)])
    desk.until(now + 5 * SECOND)
    assert (desk.levels[0], desk.levels[1], desk.levels[WHOLE]) == (-1_110, -1_110, 500)
    (beside,) = changes(desk, BESIDE)
    assert [move.send for move in beside.moves] == [0, 1]
    desk.hand(now + 5 * SECOND, [(0, WHOLE, 0)])
    desk.until(now + 10 * SECOND)
    assert (desk.levels[0], desk.levels[1]) == (-1_110, -1_110)
    desk.do((now + 10 * SECOND, wish(Next())))
    desk.until(now + 15 * SECOND)
    assert desk.levels == before


def test_under_one_a_nudge_has_no_more_room_than_there_is() -> None:
    """-6.1 dB twice under +5 dB is held at the ceiling; what is left to it is less than a step of the desk's."""
    plan = show((-2_000, -2_000), (-610, -610))
    desk, now = begun(replace(plan, limits=replace(plan.limits, room=0)), 500)
    for at in range(3):
        desk.do((now + at * SECOND, wish(Nudge(by=300, column=0))))
    desk.until(now + 5 * SECOND)
    assert [one.reason for one in desk.of(Refused) if isinstance(one, Refused)] == [Reason.AT_MIX_CEILING] * 2
    assert desk.most <= CEILING / 100 + 1e-6


def test_one_that_is_not_known_to_have_come_down_counts_while_the_desk_is_away() -> None:
    """It says what hands move, and cannot be asked: when it is back nobody knows."""
    desk, now = begun(show((-2_000, -2_000), (-610, -610), (-610, -700), answers=SAYS))
    desk.hand(now, [(0, WHOLE, 500)])
    desk.do((now + SECOND, DeskWent()), (now + 2 * SECOND, wish(Next())), (now + 3 * SECOND, DeskCame()))
    desk.until(now + 6 * SECOND)
    assert desk.comes_to <= CEILING / 100 + 1e-6
    assert desk.most <= CEILING / 100 + 1e-6


HANDS: Final[tuple[Level, ...]] = (800, 500, 100, 0, -350, -1_200, OFF)
HAPPENS: Final = st.lists(
    st.tuples(
        st.sampled_from((20, 150, 400, 3_000)),
        st.sampled_from((*DO, "hand", "hand", "away")),
        st.sampled_from(HANDS),
        st.integers(0, 1),
    ),
    max_size=14,
)
SONGS: Final = ((-2_000, -900), (-310, -2_400), (-610, OFF), (OFF, -450))


@settings(max_examples=examples(200))
@given(HAPPENS, st.sampled_from(HANDS), st.sampled_from((0, 400 * MS)), st.sampled_from((READS, SAYS)))
# It goes when a fade has only begun: what was to rise has not risen, and what was to fall has not fallen.
@example([(20, "back", 0, 0), (20, "hand", 800, 0), (20, "next", 0, 0), (20, "away", 0, 0)], 0, 400 * MS, SAYS)
@example([(20, "back", 0, 0), (20, "hand", 800, 0), (20, "next", 0, 0), (200, "away", 0, 0)], 0, 400 * MS, SAYS)
def test_whatever_hands_do_to_it_no_message_takes_the_mix_above_its_ceiling(
    happens: list[tuple[int, str, Level, int]], whole: Level, fade_ns: int, answers: Answers
) -> None:
    """Of a desk that cannot be read, only what its hands are said to do is known: it begins at 0 dB. A message may be
    on its way while a hand moves, and so hands move while nothing else does."""
    desk, now = begun(show(*SONGS, fade_ns=fade_ns, answers=answers), whole if answers is READS else 0)
    for gap, what, level, column in happens:
        now += gap * MS
        if what == "hand":
            now += 8 * SECOND
            desk.hand(now, [(0, WHOLE, level)])
            now += 10 * MS
        elif what == "away":
            desk.do((now, DeskWent()), (now + 50 * MS, DeskCame()))
            now += 50 * MS
        else:
            action = DO[what]
            desk.do((now, wish(replace(action, column=column) if isinstance(action, Nudge) else action)))
    now += 30 * SECOND
    desk.until(now)
    assert desk.most <= CEILING / 100 + 1e-6
    follows = aims(desk.plan, desk.state.wishes)
    assert (desk.state.wanted, desk.state.steps) == (follows.wanted, follows.steps)
    desk.do((now, wish(GoTo(stop=0))), (now + 10 * SECOND, wish(Next())))
    desk.until(now + 40 * SECOND)
    assert desk.differs == {}
    assert desk.comes_to <= CEILING / 100 + 1e-6


# -- desks that nobody can read ---------------------------------------------------------------------------


def back_again(plan: Plan, stops: int, *, kept: bool) -> Watched:
    """A desk that cannot be read goes, the night goes on so many stops, and it comes back: with its levels, or
    switched off and on."""
    desk, now = begun(plan)
    desk.do((now, DeskWent()), *((now + (at + 1) * SECOND, wish(Next())) for at in range(stops)))
    desk.most = -math.inf
    if not kept:
        desk.power_off()
    desk.do((now + 9 * SECOND, DeskCame()))
    desk.until(now + 30 * SECOND)
    assert desk.differs == {}
    return desk


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("link", [FAST, DIN])
def test_a_whole_mix_falls_before_the_inputs_rise_at_a_desk_that_cannot_be_read(kept: bool, link: Link) -> None:
    """Inputs of -6.1 dB under 0 dB, then of +3 dB under -10 dB: in the other order there would be +6 dB in between,
    nine above the ceiling."""
    plan = show((-2_000, -2_000), (-610, -610), (300, 300), wholes=(0, 0, -1_000), answers=DEAF, link=link)
    desk = back_again(plan, 1, kept=kept)
    assert desk.most <= CEILING / 100 + 1e-6
    assert (desk.levels[0], desk.levels[1], desk.levels[WHOLE]) == (300, 300, -1_000)


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("link", [FAST, DIN])
def test_a_whole_mix_rises_after_the_inputs_have_fallen_at_a_desk_that_cannot_be_read(kept: bool, link: Link) -> None:
    """The other way round."""
    plan = show((-2_000, -2_000), (300, 300), (-610, -610), wholes=(0, -1_000, 0), answers=DEAF, link=link)
    desk = back_again(plan, 1, kept=kept)
    assert desk.most <= CEILING / 100 + 1e-6
    assert (desk.levels[0], desk.levels[1], desk.levels[WHOLE]) == (-610, -610, 0)


def test_an_input_that_falls_goes_before_one_that_rises_at_a_desk_that_cannot_be_read() -> None:
    """Also where there is no whole mix: -3.1 dB and -24 dB, then the other way round."""
    plan = show((-2_000, -2_000), (-2_400, -310), (-310, -2_400), answers=DEAF)
    assert back_again(plan, 1, kept=True).most <= CEILING / 100 + 1e-6


LOUD: Final = st.one_of(st.integers(-180, 90).map(lambda tenths: 10 * tenths), st.just(OFF))
WHOLES: Final = st.integers(-150, 60).map(lambda tenths: 10 * tenths)
STOP: Final = st.tuples(LOUD, LOUD, WHOLES)


@settings(max_examples=examples(300))
@given(
    st.lists(STOP, min_size=3, max_size=3),
    st.booleans(),
    st.sampled_from((0, 300 * MS)),
    st.sampled_from((FAST, DIN)),
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from((0, 1, WHOLE)), st.sampled_from((300, -500))), max_size=3),
)
@example([(-610, -610, 0), (-610, -610, 0), (300, 300, -1_000)], True, 0, DIN, [(1, 0, 300)])
def test_whatever_was_told_before_a_desk_that_cannot_be_read_is_never_told_above_the_ceiling(
    stops: list[tuple[Level, Level, int]],
    kept: bool,
    fade_ns: int,
    link: Link,
    presses: list[tuple[int, int, int]],
) -> None:
    """It comes back with what it had, or from its start, while somebody nudges."""
    scenes, wholes = [one[:2] for one in stops], tuple(one[2] for one in stops)
    plan = show(*scenes, wholes=wholes, answers=DEAF, fade_ns=fade_ns, link=link)
    desk, now = begun(plan)
    desk.do((now, DeskWent()), (now + SECOND, wish(Next())))
    desk.most = -math.inf
    if not kept:
        desk.power_off()
    now += 2 * SECOND
    desk.do((now, DeskCame()))
    for after, column, by in sorted(presses):
        desk.do((now + after * MS, wish(Nudge(by=by, column=column))))
    desk.until(now + 30 * SECOND)
    assert desk.most <= CEILING / 100 + 1e-6
    assert desk.differs == {}
    assert all(height(level) <= 1_000 for level in desk.levels.values())
