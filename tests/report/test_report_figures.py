"""The figures of a night: levels by a second pass of the tests' own, percentiles by the statistics module and NumPy,
counts by SQL, the clock by the tz database (zoneinfo)."""

from __future__ import annotations

import sqlite3
import statistics
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.effects import Left, Reason
from stagectl.core.levels import OFF, Level, Off
from stagectl.journal.read import open_read, rows
from stagectl.report.as_json import as_json
from stagectl.report.build import build
from stagectl.report.figures import CEILINGS, LEFT_BEYOND, Report
from stagectl.report.gather import BOUNDS, SLOW_MAX, STEPS_KEPT
from stagectl.report.page import page
from stagectl.report.tally import Tally, percentile
from stagectl.report.wall import Wall
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row
from stagectl.story.sweeps import WAITS

from .html import Page, outside, overlaps
from .made import BEGUN_US, DEMO, END, HEAD, HERE, MINUTE, SECOND, arrival, change, demo_rows, written


def told(path: Path, show: Path | None = None) -> tuple[Report, Wall]:
    loaded = None if show is None else load_show(show)
    with closing(open_read(path)) as connection:
        return build(connection, loaded, None if loaded is None else compile_show(loaded))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("demo") / "n.night", demo_rows())


@pytest.fixture(scope="module")
def story(demo: Path) -> list[Row]:
    with closing(open_read(demo)) as connection:
        return [row for _, _, row in rows(connection)]


# -- levels -----------------------------------------------------------------------------------------------


def songs_of(story: Sequence[Row]) -> list[str]:
    """The song at each row."""
    out, song = [], "base"
    for row in story:
        if row.kind == "arrival" and row.song is not None:
            song = row.song
        out.append(song)
    return out


def level_when_left(story: Sequence[Row], song: str, listener: str, input_: str) -> Level | None:
    """A send at the end of a song's last visit, by looking backwards from there."""
    at_song = songs_of(story)
    last = max(at for at, name in enumerate(at_song) if name == song)
    for row in reversed(story[: last + 1]):
        if row.kind == "change" and (row.listener, row.input) == (listener, input_):
            return row.after if row.who == "desk" else row.sent
    return None


def test_levels_are_those_of_a_second_pass(demo: Path, story: list[Row]) -> None:
    report, _ = told(demo)
    sends = {(row.listener, row.input) for row in story if row.kind == "change"}
    seen = 0
    for mix in report.mixes:
        for name, cells in mix.inputs.items():
            for song, cell in zip(report.songs, cells, strict=True):
                assert cell.level == level_when_left(story, song.name, mix.listener, name), (mix.listener, name, song)
                seen += 1
        for name in mix.silent:
            sends.discard((mix.listener, name))
            assert {level_when_left(story, song.name, mix.listener, name) for song in report.songs} <= {OFF, None}
    assert seen == sum(len(mix.inputs) for mix in report.mixes) * len(report.songs) > 300
    assert {(mix.listener, name) for mix in report.mixes for name in mix.inputs} == sends


def test_nudges_are_those_of_a_second_pass(demo: Path, story: list[Row]) -> None:
    report, _ = told(demo)
    by_foot = {"nudge", "nudge rest", "ride", "clear nudges", "undo", "hand"}
    moved = 0
    for mix in report.mixes:
        for name, cells in mix.inputs.items():
            for song, cell in zip(report.songs, cells, strict=True):
                some = [
                    row
                    for row, here in zip(story, songs_of(story), strict=True)
                    if row.kind == "change" and here == song.name and row.what in by_foot
                    if (row.listener, row.input) == (mix.listener, name)
                ]
                known = [(row.before, row.after) for row in some]
                ways = [high - low for low, high in known if isinstance(high, int) and isinstance(low, int)]
                off = any(isinstance(level, Off) for pair in known for level in pair)
                assert cell.net == (None if off else sum(ways))
                assert (cell.ups, cell.downs) == (sum(way > 0 for way in ways), sum(way < 0 for way in ways))
                assert cell.hands == sum(row.what == "hand" for row in some)
                moved += cell.moved
    assert moved >= 5


def test_an_undo_that_goes_back_to_a_song_is_no_nudge(tmp_path: Path) -> None:
    undone = [
        HERE,
        arrival(SECOND, "one"),
        change(SECOND, -600),
        arrival(MINUTE, "two", press=2),
        change(MINUTE, -900, -600)._replace(press=2),
        Row(2 * MINUTE, "press", 3, "singer", "undo"),
        arrival(2 * MINUTE, "one", press=3),
        change(2 * MINUTE, -600, -900, "undo")._replace(press=3),
        Row(3 * MINUTE, "press", 4, "singer", "undo"),
        change(3 * MINUTE, -650, -600, "undo")._replace(press=4),
        END,
    ]
    report, _ = told(written(tmp_path / "n.night", undone))
    one, two = report.mixes[0].inputs["lead vocal"]
    assert (one.level, one.ups, one.downs, one.net) == (-650, 0, 1, -50)
    assert (two.level, two.moved) == (-900, False)
    assert [(song.name, song.visits) for song in report.songs] == [("one", 2), ("two", 1)]


def moves(
    tmp_path: Path, *some: tuple[str, Mapping[str, tuple[Level, Level]]]
) -> dict[str, tuple[int, int, int | None]]:
    """What the report says that was moved of the singer's mix, ups, downs and in all, where presses did this."""
    rows = [HERE, arrival(SECOND, "one"), *(change(SECOND, -600, input=name) for name in ("voice", "bass"))]
    for number, (what, by) in enumerate(some, 2):
        at = number * MINUTE
        rows.append(Row(at, "press", number, "singer", what))
        rows += [
            change(at, after, before, what, input=name)._replace(press=number) for name, (before, after) in by.items()
        ]
    report, _ = told(written(tmp_path / "n.night", [*rows, END]))
    cells = {name: cells[-1] for name, cells in report.mixes[0].inputs.items()}
    return {name: (one.ups, one.downs, one.net) for name, one in cells.items() if one.moved}


def test_an_undone_hush_is_no_nudge_and_an_undone_nudge_as_big_is_one(tmp_path: Path) -> None:
    down, back = {"voice": (-600, -2600), "bass": (-600, -2600)}, {"voice": (-2600, -600), "bass": (-2600, -600)}
    for hush in (("hush", down), ("undo", back)), (("hush", down), ("hush", back)):
        assert moves(tmp_path, *hush) == {}
        (tmp_path / "n.night").unlink()
    louder, again = {"voice": (-600, 1400)}, {"voice": (1400, -600)}
    assert moves(tmp_path, ("hand", louder), ("undo", again), ("hush", down)) == {"voice": (1, 1, 0)}
    (tmp_path / "n.night").unlink()
    # The last that fits was taken back: the hush first, then the hand from before it.
    further, less = {"voice": (-2600, -4600)}, {"voice": (-4600, -2600)}
    hand = ("hand", {"voice": (-600, -2600)})
    assert moves(tmp_path, hand, ("hush", further), ("undo", less), ("undo", {"voice": (-2600, -600)})) == {
        "voice": (1, 1, 0)
    }
    (tmp_path / "n.night").unlink()
    # A hush that has ended is not taken back: what came before it is.
    assert moves(tmp_path, ("nudge", louder), ("hush", again), ("hush", louder), ("undo", again)) == {
        "voice": (1, 1, 0)
    }
    (tmp_path / "n.night").unlink()
    # In another song the mix has other sends, and the hush is what went as far the other way.
    assert moves(tmp_path, ("hush", down), ("undo", {"voice": (-2900, -900)})) == {}
    (tmp_path / "n.night").unlink()
    assert moves(tmp_path, ("hush", down), ("undo", {"voice": (-2900, -1000)})) == {"voice": (1, 0, 1900)}


def test_moves_to_off_and_from_it_have_no_sum(tmp_path: Path) -> None:
    """However far the level went while it had a number."""
    found = moves(
        tmp_path,
        ("nudge", {"voice": (OFF, -4000)}),
        ("ride", {"voice": (-4000, -2900)}),
        ("nudge", {"voice": (-2900, OFF)}),
    )
    assert found == {"voice": (2, 1, None)}
    report, wall = told(tmp_path / "n.night")
    assert "voice, one: 2 up, 1 down, off among them" in page(report, wall)
    (voice,) = (cells for name, cells in as_json(report, wall)["listeners"][0]["inputs"].items() if name == "voice")
    assert (voice[-1]["db"], voice[-1]["moved_db"], voice[-1]["ups"]) == ("off", None, 2)


@pytest.mark.parametrize("why", LEFT_BEYOND)
def test_what_a_hand_left_beyond_a_bound_is_told_there(tmp_path: Path, why: str) -> None:
    hand = change(2 * MINUTE, -100, -600, "hand", who="desk")._replace(after=500, detail=why)
    away = hand._replace(at=3 * MINUTE, detail=Left.MEANWHILE.value)
    report, wall = told(written(tmp_path / "n.night", [HERE, arrival(SECOND, "one"), hand, away, END]))
    assert [one.what for one in report.left] == [("lead vocal in the mix of singer", why, "one")]
    shown = page(report, wall)
    assert "Levels that hands at the desk left beyond a bound" in shown and "no hand at the desk left" not in shown
    assert "no foot asked for more than there was" in shown.lower()
    assert as_json(report, wall)["left_beyond_a_bound"][0]["reason"] == why
    assert list(overlaps(Page(shown))) == []


def test_the_ways_to_leave_a_level_beyond_a_bound_are_those_of_the_core() -> None:
    assert set(LEFT_BEYOND) == {left.value for left in Left} - {Left.MEANWHILE.value}


def test_a_level_above_its_ceiling_is_marked_too(tmp_path: Path) -> None:
    """The rig's ceiling is 0 dB for every send of the singer but the click."""
    hand = change(2 * MINUTE, 0, -600, "hand", who="desk")._replace(after=500, detail=LEFT_BEYOND[0])
    rows = [HERE, arrival(SECOND, "Slow Tram Home"), change(SECOND, -600), hand, END]
    report, _ = told(written(tmp_path / "n.night", rows), DEMO)
    cell = report.mixes[0].inputs["lead vocal"][-1]
    assert (cell.level, cell.at_ceiling) == (500, True)


def test_what_edited_files_have_moved_no_foot_has(tmp_path: Path) -> None:
    """When a night goes on by them."""
    assert moves(tmp_path, ("edit", {"voice": (-600, -900)}), ("nudge", {"bass": (-600, -700)})) == {
        "bass": (0, 1, -100)
    }


def test_a_song_that_was_passed_through_has_no_column(tmp_path: Path) -> None:
    some = [HERE, arrival(SECOND, "one"), arrival(MINUTE, "two"), arrival(MINUTE + SECOND // 2, "three"), END]
    report, _ = told(written(tmp_path / "n.night", some))
    assert [song.name for song in report.songs] == ["one", "three"]
    assert report.passed == ["two"]


def test_more_songs_listeners_and_inputs_than_are_drawn_are_counted(tmp_path: Path) -> None:
    many = [arrival(at * MINUTE, f"song {at}") for at in range(63)]
    first = [change(SECOND, -100, listener=f"player {at}") for at in range(29)]
    first += [change(SECOND, -100, listener="player 0", input=f"input {at}") for at in range(70)]
    # Of the inputs of one mix, those that feet moved are drawn before the others.
    first.append(change(2 * SECOND, -50, -100, "nudge", listener="player 0", input="input 69"))
    report, _ = told(written(tmp_path / "n.night", [HERE, many[0], *first, *many[1:], END]))
    assert (len(report.songs), report.more_songs) == (60, 3)
    assert (len(report.mixes), report.more_listeners) == (24, 5)
    assert (len(report.mixes[0].inputs), report.mixes[0].more_inputs) == (64, 7)
    assert "input 69" in report.mixes[0].inputs and "input 68" not in report.mixes[0].inputs


def test_arrivals_that_go_back_in_time_take_no_time(tmp_path: Path) -> None:
    some = [HERE, arrival(2 * MINUTE, "one"), arrival(MINUTE, "two"), arrival(3 * MINUTE, "three"), END]
    report, _ = told(written(tmp_path / "n.night", some))
    assert [(song.name, song.began, song.stayed) for song in report.songs] == [
        ("two", 2 * MINUTE, MINUTE),
        ("three", 3 * MINUTE, 67 * MINUTE),
    ]


# -- counts, percentiles ----------------------------------------------------------------------------------


def test_counts_are_those_of_sql(demo: Path) -> None:
    report, _ = told(demo)
    with closing(sqlite3.connect(demo)) as connection:
        assert dict(connection.execute("SELECT kind, count(*) FROM story GROUP BY kind")) == report.counts
        question = "SELECT detail, count(*) FROM story WHERE kind = 'refusal' AND detail <> ? GROUP BY detail"
        by_reason = dict(connection.execute(question, (WAITS,)))
        # Those of a sweep count once; here they are counted apart (`test_nights_command.py`).
        assert {one.reason: one.times for one in report.refusals if one.reason != WAITS} == by_reason
        marks = ", ".join("?" * len(CEILINGS))
        question = f"SELECT count(*) FROM story WHERE kind = 'refusal' AND detail IN ({marks})"
        assert connection.execute(question, CEILINGS).fetchone() == (sum(one.times for one in report.held),)
        delays = [one for (one,) in connection.execute("SELECT number FROM story WHERE kind = 'press'")]
    delay = report.delay
    assert delay.count == len(delays) == sum(delay.bars)
    assert delay.p50 == pytest.approx(statistics.median(delays))
    assert delay.p99 == pytest.approx(statistics.quantiles(delays, n=100, method="inclusive")[98])
    assert delay.longest == max(delays)
    assert [one.us for one in delay.slow] == sorted(delays, reverse=True)[:SLOW_MAX]
    edges = pairwise([-1, *BOUNDS, 10**12])
    assert list(delay.bars) == [sum(low < one <= high for one in delays) for low, high in edges]


def test_a_press_at_the_end_of_a_bar_belongs_to_it(tmp_path: Path) -> None:
    some = [
        Row(at * SECOND, "press", at, "singer", "next", number=us) for at, us in enumerate((0, 100, 101, 500, 100_001))
    ]
    report, _ = told(written(tmp_path / "n.night", some))
    assert list(report.delay.bars) == [2, 1, 1, 0, 0, 0, 0, 0, 0, 0, 1]


@given(st.lists(st.integers(0, 10**7), min_size=1, max_size=200), st.floats(0, 1))
def test_percentiles_are_those_of_numpy(values: list[int], part: float) -> None:
    assert percentile(sorted(values), part) == pytest.approx(float(np.percentile(values, 100 * part)), abs=1e-6)


def test_no_values_have_no_percentile() -> None:
    with pytest.raises(ValueError, match="no percentile"):
        percentile([], 0.5)


def test_the_reasons_of_a_bound_are_reasons_of_the_core() -> None:
    assert set(CEILINGS) < {reason.value for reason in Reason}


@given(st.lists(st.integers(0, 9), max_size=60))
def test_a_tally_counts_what_it_has_room_for_and_the_rest_together(some: list[int]) -> None:
    tally = Tally(most=4)
    for at, what in enumerate(some):
        tally.add((str(what),), at)
    known = list(dict.fromkeys(some))[:4]
    assert {one.what[0]: (one.times, one.first, one.last) for one in tally.most()} == {
        str(what): (some.count(what), some.index(what), len(some) - 1 - some[::-1].index(what)) for what in known
    }
    assert tally.others == sum(what not in known for what in some)
    assert tally.total == len(some)


# -- connections ------------------------------------------------------------------------------------------


def test_gaps_are_from_gone_to_here(tmp_path: Path) -> None:
    def link(at: int, who: str, what: str) -> Row:
        return Row(at, "link", who=who, what=what)

    some = [
        link(0, "desk", "here"),
        link(MINUTE, "desk", "gone"),
        link(MINUTE, "desk", "gone"),
        link(2 * MINUTE, "desk", "here"),
        link(3 * MINUTE, "pedal", "here"),
        link(4 * MINUTE, "pedal", "gone"),
        link(5 * MINUTE, "player", "gone"),
        Row(10 * MINUTE, "end"),
    ]
    report, _ = told(written(tmp_path / "n.night", some))
    desk, pedal, player = report.links
    assert (desk.first, desk.lost, desk.away, desk.gaps) == (0, 1, MINUTE, ((MINUTE, 2 * MINUTE),))
    assert (pedal.first, pedal.lost, pedal.away, pedal.gaps) == (3 * MINUTE, 1, 6 * MINUTE, ((4 * MINUTE, None),))
    assert (player.first, player.lost) == (None, 0)


def test_what_was_lost_is_drawn_first_and_counted_beyond_what_is_drawn(tmp_path: Path) -> None:
    def link(at: int, who: str, what: str) -> Row:
        return Row(at, "link", who=who, what=what)

    pedals = [f"pedal {number}" for number in range(20)]
    some = [link(0, name, "here") for name in (*pedals, "desk")]
    gone = [link(MINUTE, "desk", "gone"), link(MINUTE, pedals[18], "gone")]
    report, wall = told(written(tmp_path / "n.night", [*some, *gone, END]))
    assert [one.name for one in report.links] == [pedals[18], "desk", *pedals[:14]]
    assert (report.lost, report.more_links) == (2, 5)
    every = [link(MINUTE, name, "gone") for name in (*pedals, "desk")]
    report, wall = told(written(tmp_path / "m.night", [*some, *every, END]))
    assert (len(report.links), report.lost) == (16, 21)
    assert "<dt>connections lost</dt><dd>21</dd>" in page(report, wall)


def test_rows_that_were_lost_are_said(tmp_path: Path) -> None:
    lost = Row(MINUTE, "link", who="journal", what="missing 812 rows")
    report, _ = told(written(tmp_path / "n.night", [HERE, lost, END]))
    assert "812 lines of the night could not be kept and are missing" in report.notes
    assert [link.name for link in report.links] == ["desk"]


# -- the clock --------------------------------------------------------------------------------------------


def test_times_go_over_midnight(tmp_path: Path) -> None:
    some = [HERE, arrival(2 * 60 * MINUTE, "late one"), change(2 * 60 * MINUTE, -600), Row(27 * 60 * MINUTE, "end")]
    head = replace(HEAD, begun_us=BEGUN_US + 2 * 3_600_000_000)
    _, wall = told(written(tmp_path / "n.night", some, head))
    assert wall.text(0) == "23:00"
    assert wall.text(59 * MINUTE + 59 * SECOND, seconds=True) == "23:59:59"
    assert wall.text(60 * MINUTE) == "0:00 next day"
    assert wall.text(27 * 60 * MINUTE) == "2:00 2026-11-27"


def lisbon(folder: Path, date: str) -> Path:
    """The demo with a zone and a date in its timetable, and a set over the change of the clocks."""
    for path in DEMO.glob("*.yaml"):
        text = path.read_text("utf-8")
        if path.name == "setlist.yaml":
            # What is in the demo from its timetable on ends with the timetables of venues.
            head, rest = text[: text.index("timetable:")], text[text.index("timetables:") :].split("\n", 2)[2]
            times = "  set: 23:30\n  curfew: 3:00\n"
            text = f"{head}timetable:\n  zone: Europe/Lisbon\n  date: {date}\n{times}{rest}"
        (folder / path.name).write_text(text + "\n", "utf-8")
    return folder


@pytest.mark.parametrize(("date", "utc"), [("2026-10-24", "2026-10-24T22:00"), ("2026-03-28", "2026-03-28T23:00")])
def test_times_go_over_a_change_of_the_clocks(tmp_path: Path, date: str, utc: str) -> None:
    """Judged by zoneinfo: clocks in Lisbon are put back on 2026-10-25 and forward on 2026-03-29, at 1:00 UTC."""
    begun = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    head = replace(HEAD, begun_us=int(begun.timestamp()) * 10**6, zone="WEST", zone_offset=3600)
    some = [HERE, arrival(30 * MINUTE, "Slow Tram Home"), Row(300 * MINUTE, "end")]
    (tmp_path / "show").mkdir()
    report, wall = told(written(tmp_path / "n.night", some, head), lisbon(tmp_path / "show", date))
    zone = ZoneInfo("Europe/Lisbon")
    for minutes in range(0, 301, 10):
        there = (begun + timedelta(minutes=minutes)).astimezone(zone)
        next_day = " next day" if there.date() > begun.astimezone(zone).date() else ""
        assert wall.text(minutes * MINUTE) == f"{there.hour}:{there:%M} {there.tzname()}{next_day}"
    found = Page(page(report, wall))
    assert list(overlaps(found)) == [] and outside(found) == []
    marks = {mark.name: mark.at for mark in report.times.marks}
    # Three and a half hours on the wall are one more, or one less, in truth.
    assert marks["curfew"] - marks["set"] == timedelta(hours=4.5 if date == "2026-10-24" else 2.5)


@pytest.mark.parametrize("by", [3_600_000_000, -7_200_000_000, 40 * 365 * 86_400_000_000])
def test_a_clock_that_was_set_is_said_and_moves_no_order(tmp_path: Path, by: int) -> None:
    some = [HERE, arrival(MINUTE, "one"), Row(10 * MINUTE, "reminder", what="x"), arrival(20 * MINUTE, "two"), END]
    report, wall = told(written(tmp_path / "n.night", some, set_back=[(5 * MINUTE, by)]))
    assert report.times.steps == ((10 * MINUTE, by),)
    assert [song.began for song in report.songs] == [MINUTE, 20 * MINUTE]
    assert wall.at(20 * MINUTE) == datetime(2026, 11, 25, 20, 20, tzinfo=UTC) + timedelta(microseconds=by)


HOUR_US: Final = 3_600_000_000


def walls(path: Path) -> list[tuple[int, int]]:
    """The time of each row and the clock on the wall beside it, by SQL: ns of the night, µs since 1970."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT at, wall FROM story ORDER BY id").fetchall()


def test_a_night_that_was_slept_in_is_told_by_the_times_of_its_rows(tmp_path: Path) -> None:
    """The lid was closed twice: the monotonic clock stood still, the one on the wall went on."""
    some = [HERE, arrival(MINUTE, "one"), arrival(10 * MINUTE, "two"), arrival(35 * MINUTE, "three"), END]
    slept = [(5 * MINUTE, HOUR_US // 4), (30 * MINUTE, HOUR_US)]
    path = written(tmp_path / "n.night", some, set_back=slept)
    report, wall = told(path)
    assert report.times.steps == ((10 * MINUTE, HOUR_US // 4), (35 * MINUTE, 3 * HOUR_US // 4))
    for at, us in walls(path):
        assert wall.at(at) == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)
        assert wall.ns(wall.at(at)) == at
    assert [wall.text(song.began) for song in report.songs] == ["21:01", "21:25", "22:35"]
    # What was planned while the machine slept stands where it woke.
    assert wall.ns(datetime(2026, 11, 25, 21, 0, tzinfo=UTC)) == 35 * MINUTE
    shown = page(report, wall)
    assert (
        "was set 45 min 0 s forward, or this machine slept; times of day before that are by the clock as it stood then."
        in shown
    )
    assert list(overlaps(Page(shown))) == []


@pytest.mark.parametrize(("by", "moves"), [(12 * HOUR_US, False), (12 * HOUR_US + 2_000_000, True), (-HOUR_US, True)])
def test_a_clock_that_no_sleep_explains_was_wrong_before(tmp_path: Path, by: int, moves: bool) -> None:
    some = [HERE, arrival(MINUTE, "one"), arrival(20 * MINUTE, "two"), END]
    _, wall = told(written(tmp_path / "n.night", some, set_back=[(5 * MINUTE, by)]))
    began = datetime(2026, 11, 25, 20, 1, tzinfo=UTC)
    assert wall.at(MINUTE) == began + timedelta(microseconds=by if moves else 0)
    assert wall.at(20 * MINUTE) == began + timedelta(minutes=19, microseconds=by)


def test_a_clock_that_is_set_again_and_again_is_bounded(tmp_path: Path) -> None:
    some = [Row(at * MINUTE, "reminder", what="x") for at in range(50)]
    back = [(at * MINUTE, at * 5_000_000) for at in range(50)]
    report, _ = told(written(tmp_path / "n.night", some, set_back=back))
    assert len(report.times.steps) == STEPS_KEPT


def test_songs_stand_against_the_timetable(demo: Path) -> None:
    """The set is at 20:45 and the first songs' lengths are those of the setlist, by hand."""
    report, wall = told(demo, DEMO)
    first, second = report.songs[:2]
    assert first.planned == datetime(2026, 11, 25, 19, 45, tzinfo=UTC)
    assert wall.text(first.began) == "21:00"
    assert first.planned is not None and second.planned is not None and second.planned > first.planned
    assert [mark.name for mark in report.times.marks] == ["load in", "line check", "doors", "set", "curfew"]


def test_levels_at_their_ceiling_are_marked_with_the_show(demo: Path) -> None:
    without, _ = told(demo)
    assert not any(cell.at_ceiling for mix in without.mixes for cells in mix.inputs.values() for cell in cells)
    report, _ = told(demo, DEMO)
    lead = report.mixes[0].inputs["lead vocal"]
    # The rig's ceiling is 0 dB for every send of the singer but the click.
    assert [cell.at_ceiling for cell in lead] == [cell.level == 0 for cell in lead]
    assert any(cell.at_ceiling for cell in lead)


def test_a_whole_mix_that_the_show_lets_be_is_at_no_ceiling_of_the_show(tmp_path: Path) -> None:
    """Read from the desk at the level that is the ceiling of this listener's sends, and above that, at 0 dB."""
    head = replace(HEAD, setlist="three songs", venue=None)
    for number, level in enumerate((-300, 0)):
        read = [
            change(SECOND, level, what="read", listener="accordionist", input=name) for name in ("voice", "whole mix")
        ]
        path = written(tmp_path / f"{number}.night", [HERE, *read, arrival(MINUTE, "Seven Gates"), END], head)
        report, _ = told(path, DEMO.parent / "three-songs")
        (mix,) = report.mixes
        at_ceiling = {name: any(cell.at_ceiling for cell in cells) for name, cells in mix.inputs.items()}
        assert at_ceiling == {"voice": True, "whole mix": False}


def test_the_ears_are_those_that_log_tells(demo: Path) -> None:
    import json

    from click.testing import CliRunner

    from stagectl.cli.main import main

    run = CliRunner().invoke(main, ["log", "--ears", str(DEMO), "--journal", str(demo), "--json"])
    mine = CliRunner().invoke(main, ["report", str(demo), "--setlist", str(DEMO), "--json"])
    assert json.loads(mine.stdout)["ears"] == json.loads(run.stdout)
