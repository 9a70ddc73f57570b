"""The board of the stage page: true to the night, whatever was pressed.

What is left to a ceiling is judged by pressing on until the core refuses; the set's songs and sections are compared
with the setlist as PyYAML's own loader reads it; the end of the set with sums by hand.
"""

from __future__ import annotations

import dataclasses
import json
import random
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import yaml
from big_shows import Size, write_big
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from stage_boards import DEMO, SECOND, WALL_MS, Evening, at_stop, demo, evening, show_at

from stagectl.core.actions import ClearNudges, FallBack, GoTo, Hush, Next, Nudge, NudgeRest, PauseCue, Undo
from stagectl.core.effects import Reason, Refused
from stagectl.core.events import DeskCame, DeskWent, Unmapped, Wanted
from stagectl.core.levels import OFF
from stagectl.core.step import step
from stagectl.live.going import Going
from stagectl.live.page import set_clock
from stagectl.sheet.scene_map import scene_map
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.show.timetable import timetable_at
from stagectl.story.rows import Row
from stagectl.view.bars import ENDS, NUDGES_MAX
from stagectl.view.lamps import Known, lamps
from stagectl.view.last import Lasts, Notice, last_of, notice_of
from stagectl.view.lines import line
from stagectl.view.map_board import CHANGES_MAX, map_board, runs
from stagectl.view.picture import TURN_MS, Moment, Picture, SetClock, Told, turn_near, utc_offset

COMMON = Size(songs=4, sections=2, inputs=8, mixes=4, venues=0, pedals=2)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Show, Compiled]:
    return show_at(write_big(tmp_path_factory.mktemp("small"), COMMON))


def wandering(night: Evening, chance: random.Random) -> None:
    """Somebody does something, at random."""
    plan = night.plan
    listener = chance.randrange(len(plan.listeners))
    draw = chance.random()
    if draw < 0.7:
        by = chance.choice((100, 300, -100, -300, -6000))
        night.want(Nudge(column=chance.randrange(plan.width), by=by), listener)
    elif draw < 0.8:
        night.want(GoTo(stop=chance.randrange(1, len(plan.stops))))
    else:
        night.want(chance.choice((Hush(everyone=False), Undo(), ClearNudges(), FallBack())), listener)


@pytest.mark.parametrize("seed", range(6))
def test_a_nudge_has_exactly_left_what_the_core_still_gives_it(small: tuple[Show, Compiled], seed: int) -> None:
    night, chance = Evening(*small, desk=False), random.Random(seed)
    night.want(Next())
    for _ in range(40):
        wandering(night, chance)
    looked = 0
    for listener, mix in enumerate(night.board()["listeners"]):
        for one in mix["nudges"]:
            if one["room"] is None or mix["hushed"] or mix["mix"]["held"] or one["input"] == "whole mix":
                continue
            looked += 1
            column = night.plan.inputs.index(one["input"])
            send = night.plan.send(listener, column)
            assert one["level"] == night.state.wanted[send]

            def up(by: int, column: int = column, listener: int = listener) -> Wanted:
                return Wanted(action=Nudge(column=column, by=by), who="judge", listener=listener)

            state = night.state
            if one["room"]:
                state, _ = step(night.plan, state, up(one["room"]), night.now + SECOND)
                before, after = night.state.wanted[send], state.wanted[send]
                assert isinstance(before, int) and isinstance(after, int)
                assert after - before == one["room"], one
            state, effects = step(night.plan, state, up(100), night.now + 2 * SECOND)
            (refused,) = [one for one in effects if isinstance(one, Refused) and one.who == "judge"]
            assert ENDS.get(refused.reason) == one["end"], one
    assert looked or seed not in (0, 1, 2)


@pytest.mark.parametrize("seed", range(4))
def test_a_board_does_not_depend_on_the_boards_before_it(small: tuple[Show, Compiled], seed: int) -> None:
    night, chance = Evening(*small, desk=False), random.Random(seed)
    show, _ = small
    night.want(Next())
    for _ in range(40):
        wandering(night, chance)
        fresh = Picture(show, night.plan, None).board(night.state, night.moment, SetClock(), night.told)
        assert night.picture.board(night.state, night.moment, SetClock(), night.told) == fresh


def test_a_nudge_that_moves_nothing_at_the_desk_is_drawn_anew_all_the_same() -> None:
    night = evening()
    at_stop(night, "Lanterns at Low Tide", "last chorus")
    own = night.board()["listeners"][0]["nudges"][0]
    assert (own["by"], own["held"]) == (300, True)
    for _ in range(4):
        night.want(Undo(), 0)
    assert night.board()["listeners"][0]["nudges"] == [own]
    steps = night.state.steps
    night.want(Undo(), 0)
    assert night.state.steps == steps
    (after,) = night.board()["listeners"][0]["nudges"]
    assert (after["by"], after["held"], after["room"]) == (200, False, 0)


def test_the_place_and_what_comes_next_are_those_of_the_setlist() -> None:
    night = Evening(*demo(), "Tidewater Hall")
    place = night.board()["place"]
    assert (place["number"], place["section"], place["next"]) == (
        0,
        None,
        {"song": "Lanterns at Low Tide", "section": None, "new_song": True},
    )
    said = yaml.safe_load((DEMO / "setlist.yaml").read_text("utf-8"))["songs"]
    stops = [
        (song["name"], part) for song in said for part in (None, *(one["name"] for one in song.get("sections", ())))
    ]
    for at, (song, section) in enumerate(stops):
        night.want(GoTo(stop=at + 1), after=30 * SECOND)
        place = night.board()["place"]
        assert (place["song"], place["section"], place["songs"]) == (song, section, len(said))
        named = [one["name"] for one in place["sections"]]
        assert named == [other for name, other in stops if name == song and other is not None]
        assert section is None or named[place["at"]] == section
        follows = place["next"]
        if at + 1 == len(stops):
            assert follows is None
        else:
            assert follows is not None
            assert (follows["song"], follows["section"]) == stops[at + 1]
            assert follows["new_song"] is (stops[at + 1][0] != song)


def test_sections_that_follow_a_track_say_where_they_begin() -> None:
    night = evening()
    at_stop(night, "Nobody Rows Alone")
    # At 132 quarter notes a minute, bar 13 of 4/4 begins after 48 of them; the other section is at 0:28.
    assert [one["at"] for one in night.board()["place"]["sections"]] == [int(48 * 60_000 / 132), 28_000]


def test_the_end_of_the_set_is_what_is_left_of_the_song_and_all_that_comes_after(small: tuple[Show, Compiled]) -> None:
    night = Evening(*small, desk=False)
    night.want(Next())
    # Nobody has said the length of any of the four songs: each counts as 4 minutes, with the setlist's gap between.
    gap = small[0].setlist.gap // SECOND
    began, rest = night.now, (3 * 240 + 3 * gap) * 1000
    for seconds in (0, 100, 239, 240, 700):
        night.now = began + seconds * SECOND
        to_go = max(0, 240 - seconds) * 1000 + rest
        clock = night.board(SetClock(began, to_go * 1_000_000, None))["clock"]
        assert clock["song_ends"] is not None and clock["rest"] == rest
        now = night.moment.wall_ms
        assert max(0, clock["song_ends"] - now) + rest == to_go
        # Read later from the same board, without another: the song's part runs out, and no more.
        if seconds < 240:
            assert (
                max(0, clock["song_ends"] - (now + 500_000)) + rest == max(0, 240_000 - seconds * 1000 - 500_000) + rest
            )
        assert clock["song_began"] == WALL_MS + began // 1_000_000
        assert clock["unsaid"] == 4
    assert night.board(SetClock())["clock"] == {
        "song_began": None,
        "song_length": None,
        "unsaid": 4,
        "track": None,
        "song_ends": None,
        "song_left": None,
        "rest": None,
        "curfew": None,
    }


def test_a_track_is_told_by_when_its_position_was_zero() -> None:
    night = evening()
    at_stop(night, "Nobody Rows Alone")
    track = night.board()["clock"]["track"]
    running = night.state.track
    length = night.plan.stops[night.state.place.stop].cue.length_ns  # type: ignore[union-attr]
    assert track is not None and running is not None and length is not None
    assert night.moment.wall_ms - track["at0"] == running.position(night.now) // 1_000_000
    assert (track["runs"], track["stands"], track["length"]) == (True, None, length // 1_000_000)


def test_while_the_track_is_paused_what_is_left_of_the_set_stands_still() -> None:
    night = evening()
    going = Going(demo()[0], night.plan)

    def to_the_end(later_ms: int = 0) -> int:
        """What a page makes of a board that it has had for a while, ms."""
        going.look(night.state)
        board = night.board(set_clock(going, night.state, night.now, None))
        clock, now = board["clock"], board["now"] + later_ms
        assert clock["rest"] is not None
        if clock["song_left"] is not None:
            assert clock["song_ends"] is None
            return clock["song_left"] + clock["rest"]
        assert clock["song_ends"] is not None
        return max(0, clock["song_ends"] - now) + clock["rest"]

    at_stop(night, "Nobody Rows Alone")
    whole = to_the_end()
    assert to_the_end(5_000) == whole - 5_000
    night.want(PauseCue(), after=5 * SECOND)
    assert to_the_end() == whole - 5_000 == to_the_end(60_000)
    night.now += 60 * SECOND
    assert to_the_end() == whole - 5_000
    night.want(PauseCue(), after=0)
    assert to_the_end(7_000) == whole - 12_000
    # A track of another song that stands still says nothing of this one.
    night.want(PauseCue(), after=0)
    track = night.state.track
    assert track is not None
    night.state = replace(night.state, track=replace(track, song=track.song + 1))
    assert to_the_end(1_000) == to_the_end() - 1_000


@pytest.mark.parametrize(
    ("zone", "day", "minutes"),
    [
        ("America/New_York", (2026, 11, 1, 5, 59), -240),
        ("America/New_York", (2026, 11, 1, 6, 0), -300),
        ("Asia/Kolkata", (2026, 11, 1, 6, 0), 330),
        ("Pacific/Chatham", (2026, 7, 1, 0, 0), 765),
        ("UTC", (2026, 7, 1, 0, 0), 0),
    ],
)
def test_the_board_has_how_far_its_clock_is_ahead_of_utc(
    zone: str, day: tuple[int, int, int, int, int], minutes: int
) -> None:
    """By the IANA data: clocks in New York went back at 2026-11-01T06:00Z; half hours and quarters are in use."""
    show, compiled = demo()
    timetable = timetable_at(show.setlist, "Tidewater Hall")
    assert timetable is not None
    there = show.setlist.model_copy(update={"timetable": timetable.model_copy(update={"zone": zone}), "timetables": {}})
    picture = Picture(dataclasses.replace(show, setlist=there), compiled.plan, None)
    night = evening()
    wall_ms = int(datetime(*day, tzinfo=UTC).timestamp()) * 1000
    assert picture.board(night.state, Moment(night.now, wall_ms), SetClock(), Told())["utc"] == minutes


@given(st.sampled_from(("Europe/Lisbon", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kolkata")), st.data())
def test_the_board_has_the_clocks_change_that_is_near(zone: str, data: st.DataObject) -> None:
    """By zoneinfo: every time within a day of now is told as the clock on the wall there shows it."""
    there = ZoneInfo(zone)
    now = WALL_MS + data.draw(st.integers(0, 366 * 24 * 60)) * 60_000
    turn, utc = turn_near(now, there), utc_offset(now, there)
    for by in data.draw(st.lists(st.integers(-TURN_MS, TURN_MS), min_size=5, max_size=5)):
        ms = now + by
        minutes = utc if turn is None else turn["before"] if ms < turn["at"] else turn["after"]
        shown = datetime.fromtimestamp(ms / 1000, UTC) + timedelta(minutes=minutes)
        assert shown.replace(tzinfo=None) == datetime.fromtimestamp(ms / 1000, there).replace(tzinfo=None)


@pytest.mark.parametrize(
    ("change", "before", "after"),
    [((2026, 10, 25, 1, 0), 60, 0), ((2027, 3, 28, 1, 0), 0, 60)],
    ids=["back", "forward"],
)
def test_a_change_of_the_clocks_is_told_to_the_millisecond(
    change: tuple[int, int, int, int, int], before: int, after: int
) -> None:
    """In Lisbon, by the IANA data, at 1:00 UTC."""
    at, lisbon = int(datetime(*change, tzinfo=UTC).timestamp()) * 1000, ZoneInfo("Europe/Lisbon")
    for now in (at - TURN_MS, at - 1, at, at + 1, at + TURN_MS - 1):
        assert turn_near(now, lisbon) == {"at": at, "before": before, "after": after}
    assert turn_near(at - TURN_MS - 1, lisbon) is None is turn_near(at + TURN_MS, lisbon)


def test_without_a_zone_of_the_timetable_the_computer_has_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """POSIX TZ: `UTC-5:45` is 5 h 45 min ahead."""
    monkeypatch.setenv("TZ", "NPT-5:45")
    time.tzset()
    try:
        assert utc_offset(WALL_MS, None) == 345
    finally:
        monkeypatch.undo()
        time.tzset()


def test_ceilings_that_hold_a_level_or_a_mix_are_said() -> None:
    night = evening()
    singer = night.board()["listeners"][0]
    own = singer["nudges"][0]
    assert (own["input"], own["own"], own["by"], own["room"], own["end"]) == ("lead vocal", True, 300, 0, "ceiling")
    assert not own["held"]
    # The last chorus has the own input 1 dB up, which its ceiling of 0 dB keeps from counting whole.
    at_stop(night, "Goodnight, Harbour", "all voices")
    held = [one["held"] for mix in night.board()["listeners"] for one in mix["nudges"]]
    plan, state = night.plan, night.state
    tops = [
        plan.stops[state.place.stop].levels[send] + sum(kept[send].shift for kept in state.nudges if send in kept)  # type: ignore[operator]
        > plan.ceilings[send]
        for kept_ in state.nudges
        for send in sorted(kept_)
        if plan.stops[state.place.stop].levels[send] is not OFF
    ]
    assert sum(held) == sum(tops)
    night.want(Hush(everyone=True))
    assert all(mix["hushed"] and mix["mix"]["room"] is None for mix in night.board()["listeners"])


def test_more_nudges_than_are_listed_are_counted_and_the_biggest_are_there(tmp_path: Path) -> None:
    night = Evening(
        *show_at(write_big(tmp_path, Size(songs=2, sections=0, inputs=32, mixes=2, venues=0, pedals=1))), desk=False
    )
    night.want(Next())
    for column in range(32):
        night.nudge(1, column, -100, 1 + column % 5)
    mix = night.board()["listeners"][1]
    assert len(mix["nudges"]) == NUDGES_MAX
    nudged = {send for kept in night.state.nudges for send, one in kept.items() if not one.nothing}
    assert mix["more"] == len(nudged) - NUDGES_MAX
    assert mix["nudges"][0]["own"]
    sizes = sorted(sum(abs(kept[send].shift) for kept in night.state.nudges if send in kept) for send in nudged)
    least = min(abs(one["by"]) for one in mix["nudges"][1:])
    assert sum(size > least for size in sizes) < NUDGES_MAX


def test_the_biggest_board_goes_through_the_pipe(tmp_path: Path) -> None:
    night = Evening(*show_at(write_big(tmp_path, Size(songs=2, sections=1))), desk=False)
    night.want(Next())
    for listener in range(16):
        night.want(NudgeRest(column=None, by=-100), listener, after=1)
        night.nudge(listener, None, 100)
    board = night.board()
    assert json.loads(line({"board": "stage", "is": board}))["is"] == json.loads(json.dumps(board, allow_nan=False))


# -- what the last press did ---------------------------------------------------------------------------


def test_the_last_press_is_told_with_what_came_of_it() -> None:
    night = evening()
    night.want(Nudge(column=None, by=-100), 0)
    last = night.told.last
    assert last is not None
    assert (last.who, last.what, last.refused) == ("singer", "nudge", None)
    assert last.text == "singer: lead vocal 0 dB → -1 dB"
    assert last.at == night.now


def test_a_refusal_is_told_with_its_reason() -> None:
    night = evening()
    night.want(Nudge(column=None, by=100), 0)
    last = night.told.last
    assert last is not None
    assert (last.refused, last.text) == (f"lead vocal in the mix of singer: {Reason.AT_CEILING.value}", "")


def test_what_nobody_meant_as_a_press_leaves_the_last_one_alone() -> None:
    bounced = Row(0, "refusal", 7, who="drummer", what="1 edge", detail=Reason.BOUNCE.value)
    assert last_of([bounced], 0, desk_here=True) is None
    press = Row(0, "press", 6, who="drummer", what="next", pedal="drum pedal", control="left", gesture="press")
    arrival = Row(0, "arrival", 6, song="a song")
    last = last_of([press, arrival, bounced], 3 * SECOND, desk_here=True)
    assert last is not None
    assert (last.text, last.pedal, last.control, last.at) == ("a song", "drum pedal", "left", 3 * SECOND)
    reminder = Row(SECOND, "reminder", what="15 min to the curfew")
    assert notice_of([press, reminder], 0) == Notice("reminder", "15 min to the curfew", SECOND)
    assert last_of([reminder], 0, desk_here=True) is None
    assert notice_of([press], 0) is None


def test_a_hand_at_the_desk_is_told_as_the_last() -> None:
    row = Row(
        0, "change", 3, who="desk", what="hand", listener="singer", input="kick", before=-600, after=-300, sent=-300
    )
    last = last_of([row], 0, desk_here=False)
    assert last is not None
    assert (last.who, last.what, last.told) == ("desk", "hand", True)
    assert last.text == "a hand at the desk: singer: kick -6 dB → -3 dB"


def test_what_a_desk_that_is_away_has_not_been_told_is_not_shown_as_done() -> None:
    night = evening()
    assert night.board()["desk"]
    night.do(DeskWent())
    board = night.board()
    # What was pressed before it went, it was told.
    assert not board["desk"]
    assert board["last"] is not None and not board["last"]["untold"]
    night.want(Nudge(column=None, by=-100), 0)
    last = night.board()["last"]
    assert last is not None and last["untold"]
    # A refusal tells nobody anything; what moves no level needs no desk.
    night.want(Nudge(column=None, by=9_000), 0)
    night.want(Nudge(column=None, by=100), 0)
    last = night.board()["last"]
    assert last is not None and last["refused"] is not None and not last["untold"]
    night.want(Nudge(column=None, by=-100), 0)
    night.do(DeskCame(), after=1)
    last = night.board()["last"]
    assert last is not None and last["what"] == "nudge" and not last["untold"]


def test_songs_whose_length_nobody_has_said_are_counted_from_the_present_one_on() -> None:
    night = Evening(*demo())
    songs = yaml.safe_load((DEMO / "setlist.yaml").read_text())["songs"]
    # A length stands there, or follows from a track.
    unsaid = ["length" not in song and song.get("cue", {}).get("length") is None for song in songs]
    counted = []
    for song in songs:
        at_stop(night, song["name"])
        counted.append(night.board()["clock"]["unsaid"])
    assert counted == [sum(unsaid[at:]) for at in range(len(unsaid))]


def test_each_listener_is_told_what_concerns_them() -> None:
    """Their own presses, what moves their mix, and what is for everybody; not that somebody else was refused."""
    night = Evening(*demo())
    names = night.plan.listeners

    def last(name: str) -> tuple[str, str, bool] | None:
        board = night.board()
        entry = board["lasts"].get(name, board["last"])
        return None if entry is None else (entry["who"], entry["what"], entry["refused"] is not None)

    night.want(Next(), 0)
    assert [last(name) for name in names] == [("singer", "next", False)] * 5
    night.want(Undo(), 0)
    night.nudge(1, None, -100)
    night.want(Nudge(column=None, by=9_000), 0)
    night.want(Nudge(column=None, by=9_000), 0)
    refused = night.board()["last"]
    assert refused is not None and refused["refused"] is not None
    assert [last(name) for name in names] == [
        ("singer", "nudge", True),
        ("drummer", "nudge", False),
        *[("singer", "undo", False)] * 3,
    ]
    # A refusal of what belongs to nobody is for everybody.
    night.want(FallBack())
    night.want(FallBack())
    assert [last(name) for name in names] == [("page", "fall back", True)] * 5
    night.want(Hush(everyone=True), 1)
    assert last("singer") == ("drummer", "hush", False)
    # A hand at the desk concerns whose mix it is.
    lasts = Lasts(names)
    hand = Row(0, "change", 3, who="desk", what="hand", listener="singer", input="kick", before=-600, after=-300)
    assert lasts.hear([hand], 0, desk_here=True)
    assert {name: one and one.who for name, one in lasts.apart()} == dict.fromkeys(names[1:])
    # Of two presses in one step each is told to whom it concerns.
    two = [Row(0, "press", 4 + at, who=who, what="nudge") for at, who in enumerate(("drummer", "bassist"))]
    refusal = Row(0, "refusal", 4, who="drummer", what="kick", detail=Reason.AT_CEILING.value)
    assert lasts.hear([*two, refusal], 0, desk_here=True)
    assert {name: one and one.refused for name, one in lasts.apart()} == {
        "singer": None,
        "drummer": f"kick: {Reason.AT_CEILING.value}",
        "guitarist": None,
        "keys player": None,
    }
    assert not lasts.hear([Row(0, "reminder", what="15 min to the curfew")], 0, desk_here=True)


def test_the_bytes_of_a_message_that_means_nothing_stay_in_the_journal() -> None:
    night = Evening(*demo())
    said = []
    for pedal in (1, 0):
        night.do(Unmapped(pedal=pedal, said="B3 42 7F"))
        last = night.told.last
        assert last is not None
        said.append((last.who, last.what, last.refused))
    assert said == [
        ("vocal pedal", "sent something unknown", Reason.UNKNOWN.value),
        ("drum pedal", "sent something unknown", Reason.UNKNOWN.value),
    ]
    # They are two listeners' pedals.
    assert {name: last.who for name, last in night.told.lasts if last} == {"singer": "vocal pedal"}


def test_a_clock_that_is_set_changes_nothing_of_how_long_ago_something_was() -> None:
    night = evening()
    night.want(Nudge(column=None, by=-100), 0)
    notice = Notice("reminder", "15 min to the curfew", night.now - 60 * SECOND)
    night.now += 5 * SECOND
    for ahead in (0, 3_600_000, -3_600_000):
        night.wall_ms = WALL_MS + ahead
        board = night.board(notice=notice)
        assert board["last"] is not None and board["notice"] is not None
        assert board["now"] - board["last"]["at"] == 5_000
        assert board["now"] - board["notice"]["at"] == 65_000


# -- lamps ---------------------------------------------------------------------------------------------


def test_lamps_say_in_words_what_is_wrong() -> None:
    night = evening()
    known = Known(
        pedals_here=[0],
        met={"vocal pedal"},
        wants={"keys pedal": "KP", "vocal pedal": "VP", "lights": "DMX"},
        journal="the disk is full",
        clients=2,
        devices_here=["keys rig"],
    )
    said = {one["name"]: (one["state"], one["says"]) for one in lamps(night.plan, night.state, known)}
    assert said == {
        "desk": ("ok", "here"),
        "drum pedal": ("ok", "here"),
        "vocal pedal": ("wrong", "is gone, waiting for `VP`"),
        "keys pedal": ("wait", "is not here yet, waiting for `KP`"),
        "stage laptop": ("ok", "here"),
        "track player": ("ok", "here"),
        "keys rig": ("ok", "here"),
        "lights": ("wait", "is not here yet, waiting for `DMX`"),
        "journal": ("wrong", "the disk is full"),
        "page": ("ok", "open on 2 screens"),
    }
    away = replace(night.state, desk_here=False)
    silent = lamps(night.plan, away, Known(desk_silent=True, wants={"desk": "10.0.0.9:1"}))[0]
    assert (silent["state"], silent["says"]) == ("wrong", "does not answer, waiting for `10.0.0.9:1`")


# -- the map ------------------------------------------------------------------------------------------


def test_a_map_says_each_level_once_and_loses_none() -> None:
    scene = scene_map(*demo())
    board = map_board(scene, WALL_MS)
    for one, told in zip(scene["listeners"], board["listeners"], strict=True):
        for row, short in zip(one["rows"], told["rows"], strict=True):
            starts = [at for at, _ in short["runs"]]
            ends = [*starts[1:], len(row["levels"])]
            spread = [level for (at, level), end in zip(short["runs"], ends, strict=True) for _ in range(at, end)]
            assert spread == row["levels"]
    assert len(json.dumps(board)) < len(json.dumps(scene))


@pytest.mark.parametrize(("over", "fits"), [(0, True), (1, False), (10_000, False)])
def test_a_map_that_is_too_big_says_so(over: int, fits: bool) -> None:
    levels = [at % 2 for at in range(CHANGES_MAX + over)]
    assert len(runs(levels)) == len(levels)
    scene = {
        "stops": [],
        "listeners": [{"name": "a", "own": None, "rows": [{"input": "b", "levels": levels}]}],
        "jumps": [],
        "jump": 600,
        "limit": 2400,
    }
    board = map_board(scene, 0)  # type: ignore[arg-type]
    assert ("too_big" not in board) is fits
    assert fits or board == {"now": 0, "too_big": CHANGES_MAX + over}


def test_told_is_shown_as_it_is() -> None:
    night = evening()
    notice = Notice("trouble", "x", night.now - SECOND)
    board = night.picture.board(night.state, night.moment, SetClock(), Told(None, notice, ()))
    shown = {"kind": "trouble", "text": "x", "at": board["now"] - 1_000}
    assert (board["last"], board["notice"], board["lamps"]) == (None, shown, ())
