"""What stood when a song was left, from a night that is played again, compared with what the core itself had then."""

from __future__ import annotations

import random
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest
from depth import examples
from msgspec.structs import replace

from keep.at_random import EVERY_LENGTH, Timed, in_order, night, presses, ridden, swept, text_of, treadled, with_a_scene
from keep.tour import RIG, SONG_S, Played, S, play, record
from stagectl.core.actions import Action, Back, Lasts, Nudge, NudgeRest, Undo
from stagectl.core.events import DeskCame, DeskSaid, PedalCame, Wanted
from stagectl.core.levels import Off
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.keep.again import played_again
from stagectl.keep.told import Told, Visit
from stagectl.story.entry import Heard
from stagectl.story.heard import event, heard
from stagectl.story.replay import Chapter
from stagectl.story.rows import Row, stop_names
from stagectl.story.translate import Translation

UNTIL_IT_IS_OVER = (Lasts.NIGHT, Lasts.NIGHT, Lasts.SONG)
"""Of these lengths is whatever a foot asks for: what lasts for a section then is what a ceiling held."""


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return with_a_scene(tmp_path_factory.mktemp("show"))


@pytest.fixture(scope="module")
def with_treadle(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return ridden(tmp_path_factory.mktemp("ridden"))


@pytest.fixture(scope="module")
def with_low_sums(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Each mix is near its ceiling, and has no room to make: the base of the singer comes to -1.9 dB, and so on."""
    rig = RIG.replace("groups:", "mix ceiling: -2\nlimits: {room: 0}\ngroups:")
    return with_a_scene(tmp_path_factory.mktemp("low"), rig)


def played(plan: Plan, events: Iterable[Timed]) -> Played:
    some = in_order(events)
    return play(plan, some, some[-1][0])


def told_of(plan: Plan, night: Played) -> Told:
    return played_again(record([Chapter(0, plan)], night.lines))


def songs_left(plan: Plan, night: Played) -> list[tuple[str, State, State]]:
    """Which songs were left, and the states before and after that."""
    out = []
    for was, now in pairwise(night.states):
        before, after = (stop_names(plan, one.place.stop)[0] for one in (was, now))
        if before != after and was.place.stop:
            out.append((before, was, now))
    return out


def songs_told(plan: Plan, night: Played, told: Told) -> list[tuple[Visit, State]]:
    """What is told of each song that was left in a night, beside the state that it was left in."""
    visits = [visit for visit in told.visits if visit.song != "base"]
    pairs = list(zip(visits, songs_left(plan, night), strict=False))
    # Where a journal lacks the end of a night, the last song is not left.
    assert [visit.song for visit, _ in pairs] == [song for _, (song, _, _) in pairs]
    return [(visit, was) for visit, (_, was, now) in pairs if visit.left == now.now]


def wishes(plan: Plan, state: State, lengths: tuple[Lasts, ...]) -> dict[int, int | None]:
    """What the core says that was asked for by nudges of some lengths: all shifts, less what was given to make room.
    None where some of that may have been given by a lift."""
    out: dict[int, int | None] = {}
    for lasts in sorted(set(lengths)):
        for send, nudge in state.nudges[lasts].items():
            until_now = out.get(send, 0)
            unsure = until_now is None or (nudge.room and nudge.lift is not None) or plan.bounds[send] is None
            out[send] = None if unsure or until_now is None else until_now + nudge.shift + nudge.room
    return out


def agrees_with_the_core(plan: Plan, events: list[Timed], lengths: tuple[Lasts, ...]) -> None:
    """Whatever is wished for as a song is left, and not held, is what the core has."""
    night = played(plan, events)
    told = told_of(plan, night)
    assert told.strays is None
    some = songs_told(plan, night, told)
    assert len(some) == len(songs_left(plan, night))
    for visit, state in some:
        assert visit.unlike == set()
        if state.place.base:
            assert visit.fell
            continue
        should, stood = wishes(plan, state, lengths), visit.stood[visit.last]
        for send, text in enumerate(text_of(plan, visit.song, visit.last)):
            has = stood.get(send)
            if isinstance(text, Off) or should.get(send, 0) is None or (has is not None and has.held):
                continue
            assert (0 if has is None else has.shift) == should.get(send, 0), (visit.song, plan.send_name(send))


DIFFERED = (101, 152, 219, 226, 549, 1047, 1310, 1389, 1463, 2024, 2772, 2915)
"""Nights that rows alone told wrong, at one time or another."""


@pytest.mark.parametrize("seed", [*range(examples(40)), *DIFFERED])
def test_wishes_are_those_that_the_core_has(plan: Plan, seed: int) -> None:
    agrees_with_the_core(plan, night(plan, seed), EVERY_LENGTH)


@pytest.mark.parametrize("seed", range(examples(20)))
def test_so_they_are_where_a_hush_is_as_far_as_a_nudge(plan: Plan, seed: int) -> None:
    low = replace(plan, limits=replace(plan.limits, hush=100))
    agrees_with_the_core(low, night(low, seed), EVERY_LENGTH)


@pytest.mark.parametrize("seed", range(examples(40)))
def test_so_they_are_beside_a_treadle_that_ceilings_hold(with_treadle: Plan, seed: int) -> None:
    events = night(with_treadle, seed, UNTIL_IT_IS_OVER)
    events += treadled(with_treadle, random.Random(seed), 14, SONG_S)
    agrees_with_the_core(with_treadle, in_order(events), UNTIL_IT_IS_OVER)


@pytest.mark.parametrize("seed", range(examples(40)))
def test_so_they_are_in_mixes_that_their_ceilings_hold(with_low_sums: Plan, seed: int) -> None:
    agrees_with_the_core(with_low_sums, night(with_low_sums, seed, UNTIL_IT_IS_OVER), UNTIL_IT_IS_OVER)


@pytest.mark.parametrize("seed", range(examples(20)))
def test_what_nobody_asked_for_is_no_wish(with_low_sums: Plan, seed: int) -> None:
    """Whatever room, ceilings and hushes move."""
    events = night(with_low_sums, seed)
    asked: set[int] = set()
    for _, one in events:
        if isinstance(one, Wanted) and one.listener is not None and isinstance(one.action, (Nudge, NudgeRest)):
            column, width = one.action.column, with_low_sums.width
            assert column is not None
            alone = isinstance(one.action, Nudge) and column < len(with_low_sums.inputs)
            asked |= {with_low_sums.send(one.listener, at) for at in ([column] if alone else range(width))}
    told = told_of(with_low_sums, played(with_low_sums, events))
    assert {send for visit in told.visits for stood in visit.stood.values() for send in stood} <= asked
    assert told.first.keys() <= asked


@pytest.mark.parametrize("seed", range(examples(40)))
def test_levels_are_those_that_were_heard_where_nothing_else_moved_them(plan: Plan, seed: int) -> None:
    """Lifts of what is off by itself, too."""
    some = played(plan, night(plan, seed))
    for visit, state in songs_told(plan, some, told_of(plan, some)):
        room = {send for kept in state.nudges for send, nudge in kept.items() if nudge.room}
        for send, one in visit.stood.get(visit.last, {}).items():
            listener = plan.listener_of(send)
            if visit.fell or listener in state.hushed | state.held or send in room or state.place.scene is not None:
                continue
            assert one.level == state.wanted[send], (visit.song, plan.send_name(send))


# -- damage -----------------------------------------------------------------------------------------------


def damaged(night: Played, chance: random.Random) -> Played:
    """The night as a journal may have it that lacks a row, an event, or both, which it then says."""
    at = chance.randrange(len(night.lines) - 1)
    event, rows = night.lines[at]
    missing = [Row(0, "link", who="journal", what="missing 2 rows")]
    line = chance.choice([(None, rows), (event, rows[:-1]), (event, []), (None, missing)])
    return night._replace(lines=[*night.lines[:at], line, *night.lines[at + 1 :]])


@pytest.mark.parametrize("seed", range(examples(20)))
def test_what_a_damaged_journal_says_is_left_out_or_right(plan: Plan, seed: int) -> None:
    """Each wish that is believed is the one that stood. What is off, as a scene over a song may have it, has no level
    that could bear a wish out."""
    whole, chance = played(plan, night(plan, seed)), random.Random(seed)
    for some in [damaged(whole, chance) for _ in range(10)]:
        told = told_of(plan, some)
        for visit, state in songs_told(plan, whole, told):
            should = wishes(plan, state, EVERY_LENGTH)
            for send, level in enumerate(state.wanted):
                has, had = visit.stood.get(visit.last, {}).get(send), should.get(send, 0)
                is_believed = send not in visit.unlike and not visit.fell and had is not None
                if is_believed and not isinstance(level, Off) and not (has is not None and has.held):
                    assert (0 if has is None else has.shift) == had, (visit.song, plan.send_name(send))


def test_a_night_that_goes_another_way_than_its_rows_is_believed_up_to_there(plan: Plan) -> None:
    """The events of one night with the rows of another one."""
    keys = plan.inputs.index("keys")
    one = played(plan, presses(plan, (10, Nudge(by=200, column=keys))))
    back: Timed = (150 * S, Wanted(action=Back(), who="stage"))
    other = played(plan, [*presses(plan, (10, Nudge(by=200, column=keys))), back])
    told = played_again(record([Chapter(0, plan)], spliced(one, other)))
    assert [visit.song for visit in told.visits] == ["Gravel", "Hay Wire"]
    assert told.strays == "Rain Gauge"


def spliced(one: Played, other: Played) -> list[tuple[Heard | None, list[Row]]]:
    """The events of one night with the rows of another."""
    return [*((event, []) for event, _ in one.lines), (None, other.rows)]


def test_levels_that_the_rows_show_otherwise_teach_nothing(plan: Plan) -> None:
    """As where another version of the program has nudged another way."""
    keys = plan.inputs.index("keys")
    send = plan.send(0, keys)
    one, other = (played(plan, presses(plan, (10, Nudge(by=by, column=keys)))) for by in (200, 100))
    told = played_again(record([Chapter(0, plan)], spliced(one, other)))
    assert (told.strays, [visit.unlike for visit in told.visits]) == (None, [{send}] * 8)


# -- texts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(examples(12)))
def test_a_text_that_says_the_same_in_another_order_changes_nothing(plan: Plan, tmp_path: Path, seed: int) -> None:
    """From the middle of the night on it is played by a show whose listeners, inputs and songs are the same by name."""
    listeners = sorted((line for line in RIG.splitlines() if ", mix: " in line), reverse=True)
    lines = [line for line in RIG.splitlines() if ", mix: " not in line]
    at = lines.index("listeners:") + 1
    other = with_a_scene(tmp_path, "\n".join([*lines[:at], *listeners, *lines[at:]]) + "\n")
    assert other.listeners != plan.listeners
    whole, translated = played(plan, night(plan, seed)), Translation(plan, other)
    half = len(whole.lines) // 2
    since = sum(len(rows) + 1 for _, rows in whole.lines[:half])
    later = [(None if kept is None else retold(kept, translated), rows) for kept, rows in whole.lines[half:]]
    told = played_again(record([Chapter(0, plan), Chapter(since, other)], [*whole.lines[:half], *later]))
    alone = told_of(plan, whole)
    assert by_name(other, told) == by_name(plan, alone)


def retold(kept: Heard, translated: Translation) -> Heard:
    """What was heard, as it is said for another plan."""
    (found,) = translated.all_of(event(kept))
    return heard(found, kept.at)


def by_name(plan: Plan, told: Told) -> object:
    """All that is told, by the names of sends."""
    names = plan.send_names
    visits = [
        (
            (visit.song, visit.begun, visit.left, visit.last, visit.fell),
            {names[send] for send in visit.passing},
            {section: {names[send]: one for send, one in stood.items()} for section, stood in visit.stood.items()},
        )
        for visit in told.visits
    ]
    return visits, {names[send]: number for send, number in told.first.items()}, told.strays, told.ended


# -- single nights ----------------------------------------------------------------------------------------


def shifts(plan: Plan, events: list[Timed], send: int) -> list[int | None]:
    """What stood for a send as each song was left, hundredths of a dB: 0 is no wish, None one that cannot be told."""
    told = told_of(plan, played(plan, events))
    stood = [visit.stood[visit.last].get(send) for visit in told.visits if visit.song != "base"]
    return [0 if one is None else None if one.held else one.shift for one in stood]


@pytest.mark.parametrize("lifted", [False, True], ids=["alone", "beside another that ends"])
@pytest.mark.parametrize("undone", [False, True])
def test_of_two_wishes_that_a_song_s_end_touches_the_one_that_lasts_stands(
    plan: Plan, lifted: bool, undone: bool
) -> None:
    """Down 3 dB for the night, up 4 dB for the song; the click, which is off, is lifted for the song."""
    bass, click = plan.inputs.index("bass"), plan.inputs.index("click")
    some: list[tuple[float, Action]] = [(12, Nudge(by=-300, column=bass))]
    some.append((14, Nudge(by=400, column=bass, lasts=Lasts.SONG)))
    if lifted:
        some.append((10, Nudge(by=100, column=click, lasts=Lasts.SONG)))
    if undone:
        some.append((66, Undo()))
    assert shifts(plan, presses(plan, *some), plan.send(0, bass)) == [100] + [0 if undone else -300] * 7


def test_a_treadle_that_a_ceiling_holds_is_no_wish(with_treadle: Plan) -> None:
    plan = with_treadle
    lead, treadle = plan.send(0, plan.inputs.index("lead")), treadled_up(plan)
    assert shifts(plan, in_order([*presses(plan), *treadle]), lead) == [0] * 8
    more = presses(plan, (80, Nudge(by=-200, column=plan.inputs.index("lead"))))
    assert shifts(plan, in_order([*more, *treadle]), lead) == [0, *[-200] * 7]


def treadled_up(plan: Plan) -> list[Timed]:
    """A foot that takes the treadle up to its toe in the first song."""
    return [(0, PedalCame(pedal=1)), *swept(plan, 20, range(80, 128))]


def test_what_a_ceiling_held_as_a_press_took_it_down_cannot_be_told(with_treadle: Plan) -> None:
    """Up 3 dB where the ceiling is 1 dB above, then down 1 dB: in the next song it is up 2 dB."""
    plan = with_treadle
    column = plan.inputs.index("lead")
    events = presses(plan, (62, Nudge(by=300, column=column)), (250, Nudge(by=-100, column=column)))
    assert shifts(plan, events, plan.send(0, column))[:5] == [0, 300, 300, None, 200]


def test_a_wish_that_an_undo_took_back_was_a_passing_one(plan: Plan) -> None:
    keys = plan.inputs.index("keys")
    told = told_of(plan, played(plan, presses(plan, (10, Nudge(by=200, column=keys)), (70, Undo()))))
    assert [visit.passing for visit in told.visits] == [{plan.send(0, keys)}, *[set()] * 7]
    assert told.first == {plan.send(0, keys): 0}


def test_a_hand_that_moved_as_a_song_was_left_cannot_be_told(plan: Plan) -> None:
    """It counts in the moment in which the song is left."""
    desk = replace(plan, answers=replace(plan.answers, each=False, all=False, reports=True, echoes=False))
    send = desk.send(2, desk.inputs.index("bass"))
    hand: list[Timed] = [(0, DeskCame()), (60 * S + 9 * S // 10, DeskSaid(send=send, level=-1100))]
    told = told_of(desk, played(desk, [*presses(desk), *hand]))
    assert [visit.unlike for visit in told.visits] == [{send}, *[set()] * 7]
    assert [visit.stood[visit.last].get(send) is None for visit in told.visits] == [True, *[False] * 7]
