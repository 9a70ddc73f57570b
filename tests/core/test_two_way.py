"""A desk that says what it has: read before it is told anything, sure of what it was told, and no hand is fought."""

from __future__ import annotations

import pytest
from depth import examples
from far_desk import FarDesk, Line
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import FINE, LEVELS, small_plan, wish

from stagectl.core.actions import Back, GoTo, Hush, Next, Nudge, Ride, Undo
from stagectl.core.answers import NEAR
from stagectl.core.doubt import TRIES
from stagectl.core.effects import Ask, Changed, Left, Move, Question, Reason, Refused
from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Event, Moved
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.link import Answers
from stagectl.core.plan import MS, Levels, Plan
from stagectl.live.backup import known_levels
from stagectl.story.rows import BY_DESK

SECOND = 1_000 * MS
ASKED = Answers(each=True, reports=True, echoes=True)


def two_way(*scenes: Levels, answers: Answers = ASKED, fade_ns: int = 0, ceiling: int = 0, listeners: int = 1) -> Plan:
    return replace(
        small_plan(*scenes, fade_ns=fade_ns, ceiling=ceiling, listeners=listeners, grid=FINE), answers=answers
    )


def here(desk: FarDesk, at: int = 0) -> int:
    """The desk comes and is read; the first song is recalled a second later. The time after that."""
    desk.do((at, DeskCame()), (at + SECOND, wish(GoTo(stop=1), who="the start", listener=None)))
    desk.until(at + 4 * SECOND)
    return at + 4 * SECOND


def hands(desk: FarDesk) -> list[tuple[int, Level | None, Level]]:
    """What was recorded as moved by a hand: the send, from and to."""
    return [
        (move.send, move.before, move.after)
        for effect in desk.of(Changed)
        if isinstance(effect, Changed) and effect.cause == "hand"
        for move in effect.moves
    ]


def recorded(desk: FarDesk) -> dict[int, Level]:
    """What the desk has by what was recorded: by that is told what was at the ears."""
    levels: dict[int, Level] = {}
    for effect in desk.of(Changed):
        assert isinstance(effect, Changed)
        for send, _, after in effect.moves:
            step = after if effect.cause in BY_DESK else desk.plan.in_steps(send, after)
            assert step is not None
            levels[send] = step
    return levels


SONGS = ((-2_000, -1_000, OFF), (-1_500, -1_200, -3_000), (-600, -1_200, OFF))


def test_it_is_read_before_it_is_told_anything() -> None:
    desk = FarDesk(plan=two_way(*SONGS))
    desk.levels |= {0: -1_500, 1: -700, 2: OFF}
    desk.do((0, DeskCame()))
    assert not desk.state.desk_here
    desk.until(SECOND)
    assert desk.state.desk_here
    assert not desk.of(Ask)
    assert desk.state.asked[:3] == (-1_500, -700, OFF)
    desk.do((SECOND, wish(GoTo(stop=1))))
    desk.until(3 * SECOND)
    # Input 0 is at its level already.
    assert {send for _, send, _ in desk.told} == {1, 2}
    assert desk.differs == {}
    assert hands(desk) == []


def test_what_is_read_is_recorded_once() -> None:
    desk = FarDesk(plan=two_way(*SONGS))
    desk.levels |= {0: -1_500}
    desk.do((0, DeskCame()))
    desk.until(SECOND)
    (read,) = [effect for effect in desk.of(Changed) if isinstance(effect, Changed)]
    assert (read.who, read.cause) == ("desk", "read")
    assert [tuple(move) for move in read.moves] == [(0, None, -1_500), (1, None, OFF), (2, None, OFF)]
    desk.do((SECOND, DeskCame()))
    desk.until(2 * SECOND)
    assert len(desk.of(Changed)) == 1


def test_the_first_song_moves_each_level_from_where_the_desk_had_it() -> None:
    desk = FarDesk(plan=two_way(*SONGS))
    desk.levels |= {0: -1_500, 1: -700, 2: OFF}
    here(desk)
    *_, recall = desk.of(Changed)
    assert isinstance(recall, Changed)
    assert recall.moves == (Move(0, -1_500, -1_500), Move(1, -700, -1_200), Move(2, OFF, -3_000))


READ_ONCE = Answers(all=True)
"""It says all its levels when it is asked for them, and nothing of itself."""


def test_what_it_was_told_since_is_not_what_it_said_when_it_was_read() -> None:
    desk = FarDesk(plan=two_way(*SONGS, answers=READ_ONCE), echoes=False)
    desk.levels |= {0: -1_500, 1: -700, 2: OFF}
    now = here(desk)
    assert desk.levels[0] == -1_500 and desk.levels[1] == -1_200
    # Input 0 was at its level already; of the others, it has said nothing since.
    assert dict(desk.state.known.said) == {0: -1_500}
    assert known_levels(desk.state)[:3] == (-1_500, -1_200, -3_000)
    # Somebody at the desk asks it for all again: now it is a hand that put this back.
    desk.do((now, DeskSaid(send=1, level=-700)))
    desk.until(now + SECOND)
    assert hands(desk) == [(1, -1_200, -700)]


@pytest.mark.parametrize("late_ns", [10 * MS, 300 * MS])
def test_a_late_answer_to_the_reading_is_no_hand(late_ns: int) -> None:
    desk = FarDesk(plan=two_way(*SONGS, answers=READ_ONCE), echoes=False)
    desk.levels |= {0: -1_500, 1: -700, 2: OFF}
    desk.do((0, DeskCame()))
    desk.until(SECOND)
    desk.do((SECOND, wish(GoTo(stop=1))), (SECOND + late_ns, DeskSaid(send=1, level=-700)))
    desk.until(3 * SECOND)
    assert hands(desk) == [] and desk.differs == {}
    assert known_levels(desk.state)[:3] == (-1_500, -1_200, -3_000)


def test_a_desk_that_never_answers_is_asked_a_bounded_number_of_times() -> None:
    desk = FarDesk(plan=two_way(*SONGS), on=False)
    desk.do((0, DeskCame()))
    desk.until(60 * SECOND)
    assert len(desk.of(Question)) <= 3 * TRIES
    (refused,) = [effect for effect in desk.of(Refused) if isinstance(effect, Refused)]
    assert (refused.who, refused.reason, refused.what) == ("desk", Reason.UNANSWERED, "3 levels")


LOSSY = Line(loss=0.2, delay_ns=10 * MS, jitter_ns=40 * MS, twice=0.05)


@pytest.mark.parametrize("fade_ns", [0, 500 * MS])
@pytest.mark.parametrize("echoes", [True, False])
def test_a_lossy_line_brings_it_there_within_two_seconds(fade_ns: int, echoes: bool) -> None:
    """A fifth of the packets lost, up to 50 ms late and out of order, both ways: many recalls of 24 sends."""
    plan = two_way((-2_000,) * 24, (-1_500,) * 24, (-600, -900, OFF, -3_000, -100, -2_500) * 4, fade_ns=fade_ns)
    desk = FarDesk(plan=plan, line=LOSSY, seed=fade_ns + echoes, echoes=echoes)
    now = here(desk)
    late = 0
    recalls = examples(50) if fade_ns else examples(150)
    for at in range(recalls):
        desk.do((now, wish(Next() if at % 2 == 0 else Back())))
        desk.until(now + fade_ns + 100 * MS)
        late += bool(desk.differs)
        desk.until(now + fade_ns + 2 * SECOND)
        assert desk.differs == {}
        now += fade_ns + 2 * SECOND + MS
    assert late > recalls * 3 // 4
    assert hands(desk) == []


@pytest.mark.parametrize("step", [50, 100])
def test_a_desk_that_rounds_is_not_taken_for_a_hand(step: int) -> None:
    def rounds(level: Level) -> Level:
        return level if isinstance(level, Off) else round(level / step) * step

    plan = two_way((-2_000, -1_030), (-1_510, -770), (-640, -1_220), fade_ns=400 * MS)
    desk = FarDesk(plan=plan, rounds=rounds, line=Line(loss=0.1, delay_ns=5 * MS, jitter_ns=20 * MS))
    now = here(desk)
    for at in range(60):
        action = (Next(), Nudge(by=-70, column=0), Back(), Nudge(by=70, column=0))[at % 4]
        desk.do((now, wish(action)))
        desk.until(now + 3 * SECOND)
        for send, (wanted, has) in desk.differs.items():
            assert isinstance(wanted, int)
            assert isinstance(has, int)
            assert abs(wanted - has) <= step // 2, send
        now += 3 * SECOND
    assert hands(desk) == []


# -- hands ------------------------------------------------------------------------------------------------


def test_a_hand_between_songs_is_a_nudge_that_the_next_song_keeps() -> None:
    desk = FarDesk(plan=two_way(*SONGS))
    now = here(desk)
    desk.hand(now, [(0, 0, -1_490), (50 * MS, 0, -1_300), (100 * MS, 0, -1_200)])
    desk.until(now + 2 * SECOND)
    assert hands(desk) == [(0, -1_500, -1_200)]
    told = len(desk.told)
    desk.do((now + 2 * SECOND, wish(Next())))
    desk.until(now + 4 * SECOND)
    assert desk.levels[0] == -600 + 300
    # Nothing was told of it until the song changed.
    assert all(send != 0 or at >= now + 2 * SECOND for at, send, _ in desk.told[told:])
    assert desk.differs == {}


def test_its_listener_takes_a_hand_back() -> None:
    desk = FarDesk(plan=two_way(*SONGS))
    now = here(desk)
    desk.hand(now, [(0, 1, -300)])
    desk.do((now + SECOND, wish(Undo(), who="ben", listener=None)))
    assert desk.levels[1] == -300
    desk.do((now + 2 * SECOND, wish(Undo(), who="ada", listener=0)))
    desk.until(now + 4 * SECOND)
    assert desk.levels[1] == -1_200
    assert desk.state.nudges[0] == {}


def test_a_hand_in_mid_fade_is_let_be_and_the_others_go_on() -> None:
    desk = FarDesk(plan=two_way((-2_000, -2_000), (-2_000, -2_000), (-1_000, -1_000), fade_ns=2 * SECOND))
    now = here(desk)
    desk.do((now, wish(Next())))
    desk.hand(now + 500 * MS, [(0, 0, -300), (30 * MS, 0, -200)])
    desk.until(now + 5 * SECOND)
    assert desk.levels == {0: -200, 1: -1_000}
    assert [(send, after) for send, _, after in hands(desk)] == [(0, -200)]
    late = [at for at, send, _ in desk.told if send == 0 and at > now + 540 * MS]
    assert late == []


def test_a_hand_in_mid_fade_that_comes_back_to_where_it_began_has_stopped_the_fade() -> None:
    """Where it has left the level is not where the fade was taking it: that is a change, and is adopted as one."""
    desk = FarDesk(plan=two_way((-2_000, -2_000), (-2_000, -2_000), (-1_000, -1_000), fade_ns=2 * SECOND))
    now = here(desk)
    desk.do((now, wish(Next())))
    desk.until(now + 500 * MS)
    began = desk.state.asked[0]
    assert isinstance(began, int) and began < -1_000
    desk.hand(now + 500 * MS, [(0, 0, -300), (30 * MS, 0, began)])
    desk.until(now + 5 * SECOND)
    assert desk.levels == {0: began, 1: -1_000}
    assert hands(desk) == [(0, -1_000, began)]
    assert (desk.state.left, desk.differs) == (frozenset(), {})


@pytest.mark.parametrize("after_ms", range(0, 40, 5))
def test_a_message_that_comes_to_the_desk_after_a_hand_takes_nothing_from_it(after_ms: int) -> None:
    """The fade's next level was on its way: the desk is told again what the hand has left, and nobody else counts."""
    answers = Answers(each=True, reports=True)
    plan = two_way((-2_000,) * 2, (-2_000,) * 2, (-1_000,) * 2, fade_ns=2 * SECOND, answers=answers)
    desk = FarDesk(plan=plan, echoes=False, line=Line(delay_ns=50 * MS))
    now = here(desk)
    desk.do((now, wish(Next())))
    desk.hand(now + (500 + after_ms) * MS, [(0, 0, -300)])
    desk.until(now + 6 * SECOND)
    assert desk.levels == {0: -300, 1: -1_000}
    assert [(send, after) for send, _, after in hands(desk)] == [(0, -300)]


def test_hands_during_an_outage_are_found_when_the_desk_is_back() -> None:
    desk = FarDesk(plan=two_way((-2_000,) * 20, (-1_500,) * 20, (-600,) * 20))
    now = here(desk)
    desk.do((now, DeskWent()))
    desk.levels[3] = -1_700
    desk.do((now + SECOND, wish(Next())))
    desk.do((now + 2 * SECOND, DeskCame()))
    desk.until(now + 5 * SECOND)
    assert hands(desk) == [(3, -1_500, -1_700)]
    assert desk.levels == dict.fromkeys(range(20), -600) | {3: -800}


def test_a_desk_that_lost_its_levels_is_told_them_and_nobody_has_nudged() -> None:
    desk = FarDesk(plan=two_way((-2_000,) * 20, (-1_500,) * 20))
    now = here(desk)
    desk.do((now, DeskWent()))
    desk.levels = dict.fromkeys(desk.levels, OFF)
    desk.do((now + 2 * SECOND, DeskCame()))
    desk.until(now + 5 * SECOND)
    assert hands(desk) == []
    assert desk.state.nudges[0] == {}
    assert desk.levels == dict.fromkeys(range(20), -1_500)
    # That it had lost them is recorded, and that it was told again.
    *_, lost, told = desk.of(Changed)
    assert isinstance(lost, Changed) and isinstance(told, Changed)
    assert (lost.cause, told.cause) == ("read", "told again")
    assert told.moves == tuple(Move(send, OFF, -1_500) for send in range(20))
    assert recorded(desk) == desk.levels


def test_above_its_ceiling_a_hand_is_left_alone_until_the_next_song() -> None:
    desk = FarDesk(plan=two_way((-2_000, -900), (-1_500, -900), (-1_400, -900), ceiling=-1_000))
    now = here(desk)
    desk.hand(now, [(0, 0, -400)])
    desk.do((now + SECOND, wish(Nudge(by=-100, column=1))))
    desk.until(now + 2 * SECOND)
    assert desk.levels[0] == -400
    desk.do((now + 2 * SECOND, wish(Next())))
    desk.until(now + 4 * SECOND)
    assert desk.levels[0] == -1_000


def test_a_song_that_wants_nothing_else_says_that_it_brings_a_hand_down() -> None:
    """It is told to the desk, and so it is recorded: else the journal has the mix louder than the ear."""
    desk = FarDesk(plan=two_way((-2_000, -900), (-1_000, -900), (-1_000, -900), ceiling=-1_000))
    now = here(desk)
    desk.hand(now, [(0, 0, -400)])
    desk.until(now + 2 * SECOND)
    desk.do((now + 2 * SECOND, wish(Next())))
    desk.until(now + 4 * SECOND)
    *_, told = desk.of(Changed)
    assert isinstance(told, Changed) and told.moves == (Move(0, -400, -1_000),)
    assert recorded(desk) == desk.levels == {0: -1_000, 1: -1_000}


def counted(desk: FarDesk) -> list[tuple[Level | None, Left | None]]:
    """What each hand counts as, where that is not what it has put, and why."""
    return [(one.counts, one.why) for one in desk.of(Changed) if isinstance(one, Changed) and one.cause == "hand"]


def test_what_a_hand_above_a_ceiling_counts_as_is_recorded_and_nothing_is_sent() -> None:
    """At the ceiling itself a hand counts as what it is; a nudge goes on from the ceiling."""
    desk = FarDesk(plan=two_way((-2_000, -900), (-1_500, -900), ceiling=-1_000))
    now = here(desk)
    told = len(desk.told)
    desk.hand(now, [(0, 0, -400), (SECOND, 0, -1_000), (2 * SECOND, 0, 500), (3 * SECOND, 0, -4_500)])
    desk.until(now + 5 * SECOND)
    assert hands(desk) == [(0, -1_500, -400), (0, -400, -1_000), (0, -1_000, 500), (0, 500, -4_500)]
    assert counted(desk) == [(-1_000, Left.CEILING), (None, None), (-1_000, Left.CEILING), (OFF, Left.FLOOR)]
    assert len(desk.told) == told
    desk.hand(now + 5 * SECOND, [(0, 0, 500)])
    desk.do((now + 6 * SECOND, wish(Nudge(by=-100, column=0))))
    desk.until(now + 8 * SECOND)
    assert desk.levels[0] == -1_100


def test_a_hand_in_a_hushed_mix_counts_as_far_as_the_hush_allows() -> None:
    desk = FarDesk(plan=two_way((-2_000,), (-1_500,)))
    now = here(desk)
    desk.do((now, wish(Hush(everyone=False))))
    desk.hand(now + SECOND, [(0, 0, -500)])
    desk.until(now + 3 * SECOND)
    assert counted(desk) == [(-2_000, Left.HUSH)]
    assert desk.levels[0] == -500


def test_a_hand_counts_as_far_as_the_ceiling_of_its_mix_allows() -> None:
    """Two inputs at -10 dB are -7 dB together (uncorrelated sum); under a ceiling of -5 dB the one may have
    10·log10(10^-0.5 - 10^-1) = -6.66 dB beside the other."""
    plan = replace(two_way((-1_000, -1_000), (-1_000, -1_000)), mix_ceilings=(-500,))
    desk = FarDesk(plan=plan)
    now = here(desk)
    desk.hand(now, [(0, 0, -300)])
    desk.until(now + 3 * SECOND)
    assert counted(desk) == [(-670, Left.MIX_CEILING)]
    assert desk.levels[0] == -300


def test_a_hand_above_a_ceiling_is_left_alone_after_an_outage_too() -> None:
    desk = FarDesk(plan=two_way((-2_000,) * 20, (-1_500,) * 20, (-600,) * 20))
    now = here(desk)
    for at, level in enumerate((300, 200)):
        then = now + at * 8 * SECOND
        desk.do((then, DeskWent()))
        desk.levels[3] = level
        desk.do((then + 2 * SECOND, DeskCame()))
        desk.until(then + 5 * SECOND)
        assert desk.levels[3] == level
    assert hands(desk) == [(3, -1_500, 300), (3, 300, 200)]
    assert counted(desk) == [(0, Left.CEILING), (0, Left.CEILING)]
    # The night goes on, and so does the desk: a hand above the ceiling counts as the ceiling from then on.
    desk.do((now + 20 * SECOND, wish(Next())))
    desk.until(now + 23 * SECOND)
    assert desk.differs == {}


def test_a_hand_that_the_night_went_past_during_an_outage_says_what_it_counts_as() -> None:
    desk = FarDesk(plan=two_way((-2_000,) * 20, (-1_500,) * 20, (-600,) * 20))
    now = here(desk)
    desk.do((now, DeskWent()))
    desk.levels[3] = -1_700
    desk.do((now + SECOND, wish(Next())), (now + 2 * SECOND, DeskCame()))
    desk.until(now + 5 * SECOND)
    assert counted(desk) == [(-800, Left.MEANWHILE)]
    assert desk.levels[3] == -800


def test_late_echoes_out_of_order_are_no_hand() -> None:
    """Echoes of a fade that come after its end, the newest first."""
    desk = FarDesk(plan=two_way((-2_000,), (-2_000,), (-1_000,), fade_ns=SECOND), echoes=False)
    now = here(desk)
    desk.do((now, wish(Next())))
    desk.until(now + 1_200 * MS)
    levels = [level for _, send, level in desk.told if send == 0][-20:]
    for at, level in enumerate(reversed(levels)):
        desk.do((now + 1_200 * MS + at * MS, DeskSaid(send=0, level=level)))
    desk.until(now + 4 * SECOND)
    assert hands(desk) == []
    assert desk.levels[0] == -1_000


def test_a_desk_that_echoes_though_its_profile_does_not_say_so_stops_no_fade() -> None:
    """Its echoes are 30 ms late, so that they are always of an older frame."""
    plan = two_way((-2_000,), (-2_000,), (-1_000,), fade_ns=SECOND, answers=Answers(reports=True))
    desk = FarDesk(plan=plan, line=Line(delay_ns=30 * MS), echoes=True)
    now = here(desk)
    desk.do((now, wish(Next())))
    desk.until(now + 3 * SECOND)
    assert desk.levels[0] == -1_000
    assert hands(desk) == []
    desk.hand(now + 3 * SECOND, [(0, 0, -700)])
    desk.until(now + 5 * SECOND)
    assert hands(desk) == [(0, -1_000, -700)]


def test_coming_twice_while_above_a_ceiling_tells_nothing_unread() -> None:
    """The desk stands above the ceiling, comes twice, and the first answers are lost."""
    desk = FarDesk(plan=two_way((-2_000,), (-1_500,), ceiling=-1_000))
    desk.levels[0] = 500
    desk.do((0, DeskCame()), (200 * MS, DeskCame()))
    desk.on = False
    desk.until(SECOND)
    desk.on = True
    desk.until(10 * SECOND)
    assert not desk.of(Ask)
    assert desk.state.asked[0] == 500


def test_one_that_cannot_be_read_and_comes_again_is_told_what_a_hand_was_left_at() -> None:
    """It went and came between two looks, so nobody was told that it had gone."""
    desk = FarDesk(plan=two_way((-2_000,), (-1_500,), ceiling=-1_000, answers=Answers(reports=True)))
    now = here(desk)
    desk.hand(now, [(0, 0, -400)])
    desk.until(now + SECOND)
    assert desk.levels[0] == -400
    desk.do((now + SECOND, DeskCame()))
    desk.until(now + 3 * SECOND)
    assert desk.levels[0] == -1_000
    assert desk.state.asked == desk.state.steps and not desk.state.left


def test_what_a_hand_was_left_at_is_told_to_one_that_does_not_say_it_any_more() -> None:
    """It comes again and is mute: where it is, nobody knows."""
    desk = FarDesk(plan=two_way((-2_000, -1_500), (-1_500, -1_500), ceiling=-1_000))
    now = here(desk)
    desk.hand(now, [(0, 0, -400)])
    desk.until(now + SECOND)
    desk.do((now + SECOND, DeskWent()))
    desk.on = False
    desk.do((now + 2 * SECOND, DeskCame()))
    desk.until(now + 20 * SECOND)
    assert desk.state.asked[:2] == desk.state.steps[:2] == (-1_000, -1_500)
    assert not desk.state.left


@pytest.mark.parametrize("after_ns", range(0, 4 * MS, MS // 4))
def test_a_hand_that_moves_while_the_desk_is_read_again_is_not_fought(after_ns: int) -> None:
    """It went and came between two looks, in the middle of a hand's way."""
    desk = FarDesk(plan=two_way((-2_000,) * 60, (-1_500,) * 60))
    now = here(desk)
    told = len(desk.told)
    desk.hand(now, [(0, 0, -1_400)])
    desk.do((now + 10 * MS, DeskCame()))
    desk.hand(now + 10 * MS, [(after_ns, 0, -1_200)])
    desk.until(now + 5 * SECOND)
    assert desk.levels[0] == desk.state.asked[0] == desk.state.steps[0] == -1_200
    assert len(desk.told) == told
    assert [hands(desk)[0][1], hands(desk)[-1][2]] == [-1_500, -1_200]


def test_a_treadle_goes_on_from_where_a_hand_has_put_its_level() -> None:
    ride = Control(name="treadle", does={Gesture.TURN: Ride(low=-1_200, high=1_200, column=0)})
    plan = replace(two_way(*SONGS), pedals=(Pedal(name="board", controls=(ride,), listener=0),))
    desk = FarDesk(plan=plan)
    now = here(desk)
    desk.do((now, Moved(pedal=0, control=0, value=64)))
    desk.hand(now + SECOND, [(0, 0, -1_200)])
    before = desk.state.rides[0]
    for at, value in enumerate((60, 56, 52)):
        desk.do((now + 1_100 * MS + at * 20 * MS, Moved(pedal=0, control=0, value=value)))
    desk.until(now + 4 * SECOND)
    assert [move[0::2] for move in hands(desk)] == [(0, -1_200)]
    assert desk.differs == {}
    assert desk.state.wanted[0] == -1_200 + desk.state.rides[0] - before


@pytest.mark.parametrize("base", [-1_000, -900])
def test_its_listener_takes_back_a_hand_that_is_above_the_ceiling(base: int) -> None:
    desk = FarDesk(plan=two_way((base, -900), (base, -900), ceiling=-1_000))
    now = here(desk)
    desk.hand(now, [(0, 0, 0)])
    desk.do((now + SECOND, wish(Undo())))
    desk.until(now + 3 * SECOND)
    assert desk.levels[0] == -1_000


def test_a_hand_whose_last_report_is_lost_is_asked_after() -> None:
    desk = FarDesk(plan=two_way(*SONGS), echoes=False)
    now = here(desk)
    desk.hand(now, [(0, 0, -1_300)])
    desk.until(now + 100 * MS)
    # It goes on, and nothing of that arrives.
    desk.levels[0] = -700
    desk.until(now + 4 * SECOND)
    assert desk.state.asked[0] == -700
    assert desk.state.wanted[0] == -700


@settings(max_examples=examples(30))
@given(
    st.lists(
        st.tuples(st.integers(10, 3_000), st.sampled_from(("next", "back", "nudge", "hand", "out", "in")), LEVELS),
        max_size=25,
    ),
    st.integers(0, 2**16),
    st.sampled_from((Line(), LOSSY)),
    st.sampled_from((ASKED, Answers(each=True), Answers(all=True, echoes=True, reports=True), Answers(reports=True))),
)
def test_whatever_happens_no_ceiling_is_passed_and_it_comes_to_rest(
    happens: list[tuple[int, str, Level]], seed: int, line: Line, answers: Answers
) -> None:
    plan = two_way(
        (-2_000, -1_000, OFF),
        (-1_500, -900, -3_000),
        (-600, OFF, -200),
        answers=answers,
        fade_ns=300 * MS,
        ceiling=-500,
    )
    desk = FarDesk(plan=plan, line=line, seed=seed, echoes=answers.echoes)
    now = here(desk)
    for gap, what, level in happens:
        now += gap * MS
        if what == "hand":
            if answers.reports:
                desk.hand(now, [(0, gap % 3, level)])
            continue
        events: dict[str, Event] = {
            "next": wish(Next()),
            "back": wish(Back()),
            "nudge": wish(Nudge(by=150, column=gap % 3)),
            "out": DeskWent(),
            "in": DeskCame(),
        }
        desk.do((now, events[what]))
    desk.do((now + MS, DeskCame()))
    desk.until(now + 30 * SECOND)
    for effect in desk.of(Ask):
        assert isinstance(effect, Ask)
        for send, stands in effect.levels:
            assert stands == OFF or (isinstance(stands, int) and stands <= plan.ceilings[send])
    state = desk.state
    assert state.fade is None
    assert not state.known.doubts
    assert not state.touches
    if not line.loss:
        told = recorded(desk)
        for send, level in desk.levels.items():
            has, stands = state.asked[send], height(FINE.nearest(level, FINE.highest))
            assert has is None or abs(height(has) - stands) <= NEAR
            if answers.reads:
                assert abs(height(FINE.nearest(told[send], FINE.highest)) - stands) <= NEAR
        for wanted, stands in desk.differs.values():
            assert wanted is not None
            assert abs(height(wanted) - height(stands)) <= NEAR
