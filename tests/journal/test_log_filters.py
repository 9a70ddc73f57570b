"""Questions to a journal: what they find is what a naive look at every row finds, and what SQLite says by itself."""

from __future__ import annotations

import re
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import JournalError
from stagectl.journal import headings as headings_
from stagectl.journal import query
from stagectl.journal.headings import Headings
from stagectl.journal.query import WAITING_MAX, Asking, Last, Wanted, end_of, fetch, last, names, top_of, unknown
from stagectl.journal.read import open_read, rows
from stagectl.journal.since import note, since
from stagectl.journal.write import Journal
from stagectl.story.rows import Row

from .made_nights import LISTENERS, PEDALS, SONGS, Batch, Written, batches, naive, wanted
from .nights import CHANGE, NIGHT, PRESS, WALL

MINUTE_US = 60_000_000
HOUR_NS = 3_600_000_000_000


@contextmanager
def kept(night: list[Batch]) -> Iterator[sqlite3.Connection]:
    """A journal of a night, being read."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "n.night"
        with Journal.create(path, NIGHT) as journal:
            for some, wall_us in night:
                journal.write(some, wall_us)
        with closing(open_read(path)) as connection:
            yield connection


@given(batches(WALL), st.lists(wanted(WALL), min_size=1, max_size=8), st.sampled_from((1, 7, 10_000)))
def test_a_question_finds_what_a_look_at_every_row_finds(night: list[Batch], asked: list[Wanted], at_once: int) -> None:
    with kept(night) as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(query, "AT_ONCE", at_once)
        everything = list(rows(connection))
        for one in asked:
            assert list(Asking(connection, one).rows()) == naive(everything, one)
            assert set(unknown(connection, one)) == {
                part
                for part in ("listener", "song", "pedal")
                if (name := getattr(one, part)) is not None and not naive(everything, Wanted(**{part: name}))
            }


OURS = {
    "listener": "SELECT id FROM story WHERE CASE WHEN kind = 'change' THEN listener WHEN kind IN ('press', 'refusal') "
    "THEN CASE WHEN who LIKE 'page for %' THEN substr(who, 10) ELSE who END END IS ? ORDER BY id",
    "song": "SELECT id FROM (SELECT *, (SELECT song FROM story AS a WHERE a.kind = 'arrival' AND a.id <= story.id "
    "ORDER BY a.id DESC LIMIT 1) AS inside FROM story) WHERE inside IS ? ORDER BY id",
    "pedal": "WITH p AS (SELECT ? AS name) SELECT id FROM story, p WHERE pedal = name OR (kind IN ('link', 'layer', "
    "'count') AND who = name) OR press IN (SELECT press FROM story WHERE kind = 'press' AND pedal = name) ORDER BY id",
    "slow_us": "SELECT id FROM story WHERE kind IN ('press', 'track') AND number > ? ORDER BY id",
    "since_us": "SELECT id FROM story WHERE wall >= ? ORDER BY id",
    "since_at": "SELECT id FROM story WHERE at >= ? ORDER BY id",
}
"""The same questions as one statement each, for SQLite itself to answer."""


@given(batches(WALL), wanted(WALL))
def test_sqlite_itself_gives_the_same_answers(night: list[Batch], asked: Wanted) -> None:
    with kept(night) as connection:
        for part, statement in OURS.items():
            value = getattr(asked, part)
            if value is not None:
                told = [number for number, _, _ in Asking(connection, Wanted(**{part: value})).rows()]
                assert told == [number for (number,) in connection.execute(statement, (value,))]


@given(batches(WALL, most=15), wanted(WALL), st.integers(1, 2**40))
def test_what_lies_between_two_numbers_is_never_walked_through(night: list[Batch], asked: Wanted, apart: int) -> None:
    """A forged journal numbers its rows as it likes: the answers are the same, and soon there."""
    left = 0

    def counted(*question: Any) -> list[Any]:
        nonlocal left
        left -= 1
        assert left >= 0, "one question too many"
        return fetch(*question)

    with kept(night) as connection, pytest.MonkeyPatch.context() as patch:
        path = connection.execute("PRAGMA database_list").fetchone()[2]
        with closing(sqlite3.connect(path, isolation_level=None)) as writer:
            writer.execute("UPDATE story SET id = -id")
            writer.execute("UPDATE story SET id = -id * ?", (apart,))
        everything = list(rows(connection))
        # The top, the runs of song and pedal; then for each row one that reads it and one that finds the next.
        left = 3 + 2 * (len(everything) + 1)
        patch.setattr(query, "fetch", counted)
        assert list(Asking(connection, asked).rows()) == naive(everything, asked)


@given(batches(WALL, most=15), wanted(WALL), st.data())
def test_a_night_that_is_followed_tells_the_same(night: list[Batch], asked: Wanted, data: st.DataObject) -> None:
    """However the reader's looks fall between the writer's presses, every row is told once and in order."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "n.night"
        with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
            asking = Asking(connection, asked, follow=True)
            told: list[Written] = []
            for some, wall_us in night:
                journal.write(some, wall_us)
                if data.draw(st.booleans()):
                    told += asking.rows()
            told += asking.rows()
            assert told == naive(list(rows(connection)), asked)
            assert list(asking.rows()) == []


def test_a_first_byte_that_leaves_after_its_press_was_written_is_told_when_it_has(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    presses = [PRESS._replace(press=press, number=None) for press in range(1, 5)]
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
        asking = Asking(connection, Wanted(slow_us=5_000), follow=True)
        journal.write(presses, WALL)
        assert list(asking.rows()) == []
        with closing(sqlite3.connect(path, isolation_level=None)) as writer:
            writer.executemany("UPDATE story SET number = ? WHERE id = ?", [(5_001, 1), (5_000, 2), (9_000, 4)])
        assert [number for number, _, _ in asking.rows()] == [1, 4]
        assert list(asking.rows()) == []
        journal.write([PRESS._replace(press=5, number=7_000)], WALL)
        assert [row.press for _, _, row in asking.rows()] == [5]


def test_a_song_that_is_followed_goes_on_from_look_to_look(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    arrivals = [Row(0, "arrival", press, song=song) for press, song in enumerate(("Kettle", "Tram", "Kettle"))]
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
        asking = Asking(connection, Wanted(song="Kettle"), follow=True)
        told = []
        for row in (PRESS, arrivals[0], PRESS, CHANGE, arrivals[1], PRESS, CHANGE, arrivals[2], CHANGE):
            journal.write([row], WALL)
            told += [number for number, _, _ in asking.rows()]
        assert told == [2, 3, 4, 8, 9]


def test_a_press_that_is_written_in_two_parts_is_told_whole(tmp_path: Path) -> None:
    """After a fault, rows that were held may be written a part at a time."""
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
        asking = Asking(connection, Wanted(pedal="left"), follow=True)
        told: list[Written] = []
        for rows_ in ([PRESS, CHANGE], [CHANGE], [CHANGE, CHANGE._replace(press=2)], [CHANGE._replace(press=2)]):
            journal.write(rows_, WALL)
            told += asking.rows()
        assert [row for _, _, row in told] == [PRESS, CHANGE, CHANGE, CHANGE]


def test_presses_that_are_waited_for_are_bounded(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
        asking = Asking(connection, Wanted(slow_us=0, listener="singer"), follow=True)
        journal.write([PRESS._replace(press=press) for press in range(1, WAITING_MAX + 3)], WALL)
        journal.write([PRESS._replace(press=9_999, who="drummer")], WALL)
        assert list(asking.rows()) == []
        with closing(sqlite3.connect(path, isolation_level=None)) as writer:
            writer.execute("UPDATE story SET number = 1")
        late = [row.press for _, _, row in asking.rows()]
        assert late == list(range(3, WAITING_MAX + 3))


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (Wanted(listener="siner"), {"listener": "there is no listener `siner` in this night; did you mean `singer`?"}),
        (Wanted(song="Kettel"), {"song": "there is no song `Kettel` in this night; did you mean `Kettle`?"}),
        (Wanted(pedal="x"), {"pedal": "there is no pedal `x` in this night; known: `left`"}),
        (Wanted(listener="bassist"), {}),
        (
            Wanted(listener="x", pedal="left"),
            {"listener": "there is no listener `x` in this night; known: `bassist`, `singer`"},
        ),
    ],
)
def test_a_name_that_is_not_there(asked: Wanted, says: dict[str, str]) -> None:
    """A pedal that belongs to nobody presses in its own name, and is no listener."""
    night = [
        PRESS,
        Row(0, "arrival", 1, song="Kettle"),
        CHANGE._replace(listener="bassist"),
        PRESS._replace(press=2, who="left"),
    ]
    with kept([Batch(tuple(night), WALL)]) as connection:
        assert unknown(connection, asked) == says


def test_the_names_of_a_night() -> None:
    songs = [Row(at, "arrival", at, song=SONGS[at % 3]) for at in range(30)]
    with kept([Batch(tuple(songs), WALL)]) as connection:
        assert names(connection, "song") == sorted(SONGS)
        assert names(connection, "pedal") == names(connection, "listener") == []


def test_the_end_of_a_night() -> None:
    with kept([Batch((PRESS,), WALL)]) as connection:
        assert end_of(connection) is None
    with kept([Batch((PRESS,), WALL), Batch((Row(9, "end"),), WALL + 5)]) as connection:
        assert end_of(connection) == WALL + 5
    with kept([]) as connection:
        assert end_of(connection) is None


# The night began at 20:30:00.123456 in its own zone, which is 19:30 UTC.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("21:40", Wanted(since_us=WALL - 123_456 + 70 * MINUTE_US)),
        ("20:30", Wanted(since_us=WALL - 123_456)),
        ("19:31", Wanted(since_us=WALL - 123_456 - 59 * MINUTE_US)),
        ("19:30", Wanted(since_us=WALL - 123_456 - 60 * MINUTE_US)),
        ("8:31", Wanted(since_us=WALL - 123_456 - 719 * MINUTE_US)),
        ("8:30", Wanted(since_us=WALL - 123_456 + 720 * MINUTE_US)),
        ("0:05", Wanted(since_us=WALL - 123_456 + 215 * MINUTE_US)),
        ("24:00", Wanted(since_at=24 * 60_000_000_000)),
        ("1:12:30", Wanted(since_at=HOUR_NS + 12 * 60_000_000_000 + 30_000_000_000)),
        ("0:07.250", Wanted(since_at=7_250_000_000)),
        ("12:03.5", Wanted(since_at=723_500_000_000)),
        ("100:00:00.001", Wanted(since_at=100 * HOUR_NS + 1_000_000)),
        ("10 min ago", Wanted(since_us=1_000_000_000_000_000 - 10 * MINUTE_US)),
        (" 90s ", Wanted(since_us=1_000_000_000_000_000 - 90_000_000)),
        ("2 h", Wanted(since_us=1_000_000_000_000_000 - 120 * MINUTE_US)),
    ],
)
def test_since_when(text: str, expected: Wanted) -> None:
    assert since(text, NIGHT, 1_000_000_000_000_000) == expected


@pytest.mark.parametrize(
    "text", ["", "24:60", "21:60", "9", "1:72:00", "1:02:72", "3:72.5", "ten min", "-5 min", "21:4", "5 days"]
)
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(ValueError, match=r"time|minutes"):
        since(text, NIGHT, WALL)


BEGUN_US = WALL - WALL % MINUTE_US


def quiet_at(minute: int) -> Last:
    """The last row of a night that went on for so many minutes and was over then."""
    return Last(BEGUN_US + minute * MINUTE_US, minute * 60_000_000_000, ends=True)


@pytest.mark.parametrize(
    ("text", "last", "now_min", "into_s"),
    [
        # The night went from 20:30 to 23:30 and was over: by the clock nothing would be left from 0:44 on.
        ("0:44", quiet_at(180), 180, 44),
        ("4:05", quiet_at(180), 180, 245),
        ("23:31", quiet_at(180), 180, 1_411),
        ("23:30", quiet_at(180), 180, None),
        ("21:40", quiet_at(180), 180, None),
        # It was over after 44 s, or went on to after midnight.
        ("0:44", Last(BEGUN_US + 44_000_000, 44_000_000_000, ends=True), 1, 44),
        ("0:45", Last(BEGUN_US + 44_000_000, 44_000_000_000, ends=True), 1, None),
        ("0:44", quiet_at(255), 255, None),
        # It goes on: a pause without a row is of the night, until it is too long for one.
        ("23:45", Last(BEGUN_US + 180 * MINUTE_US, 180 * 60_000_000_000, ends=False), 200, None),
        ("23:55", Last(BEGUN_US + 180 * MINUTE_US, 180 * 60_000_000_000, ends=False), 200, 1_435),
        ("0:44", Last(BEGUN_US + 180 * MINUTE_US, 180 * 60_000_000_000, ends=False), 9_999, 44),
        # Before its beginning, at doors, it is the clock, as it was without an end; also where it lasted so long.
        ("19:40", quiet_at(180), 180, None),
        ("18:00", quiet_at(1_200), 1_200, None),
        ("8:31", quiet_at(180), 180, None),
        ("0:44", None, 180, None),
    ],
)
def test_a_clock_time_that_the_night_had_not_come_to_is_one_into_it(
    text: str, last: Last | None, now_min: int, into_s: int | None
) -> None:
    found = since(text, NIGHT, BEGUN_US + now_min * MINUTE_US, last)
    if into_s is None:
        assert found == since(text, NIGHT, 0) and note(text, found) is None
    else:
        assert found == Wanted(since_at=into_s * 1_000_000_000)
        assert f"had not come to {text} on the wall" in str(note(text, found))


@pytest.mark.parametrize(
    ("text", "last", "now_min", "at_min"),
    [
        # The night went from 20:30 to 23:30. As the log shows it, a time on the wall has its seconds.
        ("21:40:30", quiet_at(180), 180, 70.5),
        ("20:00:00", quiet_at(180), 180, -30),
        ("1:12:30", quiet_at(180), 180, None),
        ("2:59:59", quiet_at(180), 180, None),
        # Neither had it lasted so long, nor had it come to that on the wall.
        ("4:00:00", quiet_at(180), 180, None),
        ("4:00:00", quiet_at(451), 451, None),
        # It goes on, and may yet last so long.
        ("3:10:00", Last(BEGUN_US + 180 * MINUTE_US, 180 * 60_000_000_000, ends=False), 200, None),
        ("21:40:30", None, 180, None),
    ],
)
def test_a_time_with_seconds_that_the_night_did_not_last_is_one_on_the_wall(
    text: str, last: Last | None, now_min: int, at_min: float | None
) -> None:
    found = since(text, NIGHT, BEGUN_US + now_min * MINUTE_US, last)
    if at_min is None:
        assert found.since_us is None and found.since_at is not None and note(text, found) is None
    else:
        assert found == Wanted(since_us=BEGUN_US + round(at_min * MINUTE_US))
        assert f"did not last {text}: it is taken as the time on the wall" in str(note(text, found))


def test_a_night_that_lasts_longer_than_a_day_may_have_come_to_any_time() -> None:
    """20:30 to the afternoon: half past nine is that of the morning, also before its beginning."""
    assert since("9:30", NIGHT, 0, quiet_at(20 * 60)) == Wanted(since_us=BEGUN_US + 13 * 60 * MINUTE_US)
    assert since("9:30", NIGHT, 0, quiet_at(12 * 60)) == Wanted(since_us=BEGUN_US - 11 * 60 * MINUTE_US)


def test_so_long_ago_counts_from_the_last_row_of_a_night_that_is_over_or_was_broken_off() -> None:
    at = Last(BEGUN_US + 90 * MINUTE_US, 90 * 60_000_000_000, ends=False)
    for row, now_min, from_min in ((at, 9_999, 80), (at, 100, 90), (at._replace(ends=True), 100, 80), (None, 100, 90)):
        found = since("10 min", NIGHT, BEGUN_US + now_min * MINUTE_US, row)
        assert found == Wanted(since_us=BEGUN_US + from_min * MINUTE_US)


# Clocks were put back from 3:00 CEST to 2:00 CET at 2026-10-25T01:00Z, which is 1,792,890,000 s (`date -u -d`).
@pytest.mark.parametrize(
    ("text", "after_min"),
    [
        ("2:30", -30),
        ("2:30 CEST", -30),
        ("2:30 CET", 30),
        ("02:30:00 cet", 30),
        ("1:45 CEST", -75),
        ("23:00 CET", 21 * 60),
        ("12:00 CEST", -15 * 60),
    ],
)
def test_of_a_time_that_comes_twice_it_may_say_which(text: str, after_min: int) -> None:
    back_us = 1_792_890_000_000_000
    night = replace(NIGHT, begun_us=back_us - 90 * MINUTE_US, zone="Europe/Berlin", zone_offset=7_200)
    last = Last(back_us + 60 * MINUTE_US, 150 * 60_000_000_000, ends=True)
    found = since(text, night, back_us, last)
    assert found == Wanted(since_us=back_us + after_min * MINUTE_US) and note(text, found) is None


def test_clocks_that_are_called_otherwise_are_said() -> None:
    night = replace(NIGHT, zone="Europe/Berlin")
    for text, says in (
        ("21:40 CTE", "no clock of the night shows `CTE` then; did you mean `CET`?"),
        ("9:30 pm", "`pm`"),
    ):
        with pytest.raises(ValueError, match=re.escape(says)):
            since(text, night, WALL, quiet_at(180))
    fixed = replace(NIGHT, zone="CET")
    assert since("21:40 CET", fixed, WALL, quiet_at(9)) == Wanted(since_us=BEGUN_US + 70 * MINUTE_US)


def test_what_can_be_no_clock_time_needs_no_note() -> None:
    for text in ("45:10", "0:00:44", "10 min"):
        assert note(text, since(text, NIGHT, WALL, quiet_at(180))) is None


_ABOVE = "SELECT max(id) FROM story WHERE kind = 'arrival' AND id <= ?"


@given(batches(WALL), wanted(WALL), st.sampled_from((1, 5, 10_000)))
def test_above_each_row_stands_its_arrival(night: list[Batch], asked: Wanted, at_once: int) -> None:
    """Which one that is SQLite says by itself; without the headings it is what was asked for."""
    with kept(night) as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(headings_, "AT_ONCE", at_once)
        found = list(Asking(connection, asked).rows())
        headed = list(Headings(connection).over(found))
        stands, added = None, []
        for number, _, row in headed:
            if row.kind == "arrival":
                assert number != stands
                stands = number
            assert connection.execute(_ABOVE, (number,)).fetchone() == (stands,)
            if (number, row) not in {(one, other) for one, _, other in found}:
                added.append(number)
        assert [one for one in headed if one[0] not in added] == found
        assert len(added) == len(set(added)) and all(number < headed[-1][0] for number in added)


@pytest.mark.parametrize(("column", "value"), [("id", "x"), ("id", 1e999), ("wall", "x"), ("at", b"x"), ("at", None)])
def test_a_number_that_is_none_is_said(column: str, value: object) -> None:
    """As any SQLite can write it into a table whose columns have no types (SQLite, "Datatypes In SQLite")."""
    night = [Batch((PRESS._replace(press=press),), WALL) for press in (1, 2)]
    with kept(night) as whole, closing(sqlite3.connect(":memory:")) as one:
        one.execute("CREATE TABLE story (id, wall, at, kind)")
        one.executemany("INSERT INTO story VALUES (?, ?, ?, ?)", whole.execute("SELECT id, wall, at, kind FROM story"))
        assert (top_of(one), last(one)) == (top_of(whole), last(whole)) == (2, Last(WALL, PRESS.at, False))
        one.execute(f"UPDATE story SET {column} = ? WHERE id = 2", (value,))
        with pytest.raises(JournalError, match="a row of `story` has no number or no time"):
            (top_of if column == "id" else last)(one)


def test_an_arrival_that_is_written_meanwhile_is_found(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as connection:
        headings = Headings(connection)
        for at, song in enumerate(("Slow Tram", "Kettle", "Kettle", "Slow Tram")):
            journal.write([Row(at, "arrival", at, song=song), PRESS._replace(press=at)], WALL)
            (*_, pressed) = rows(connection)
            above, _ = headings.over([pressed])
            assert (above[0], above[2].song) == (pressed[0] - 1, song)


def test_a_row_that_comes_late_stands_below_its_own_arrival() -> None:
    arrivals = [Row(at, "arrival", at, song=song) for at, song in enumerate(("Slow Tram", "Kettle"))]
    night = [Batch((arrivals[0], PRESS), WALL), Batch((arrivals[1], PRESS._replace(press=2)), WALL)]
    with kept(night) as connection:
        headings, everything = Headings(connection), list(rows(connection))
        songs = [[row.song for _, _, row in headings.over([everything[at]])] for at in (3, 1, 3)]
        assert songs == [["Kettle", None], ["Slow Tram", None], ["Kettle", None]]


@given(st.integers(0, 23), st.integers(0, 59), st.integers(0, 86_399), st.integers(-14 * 4, 14 * 4))
def test_a_clock_time_is_the_one_that_a_calendar_gives(hour: int, minute: int, begun_s: int, quarter: int) -> None:
    """`zoneinfo`-free arithmetic in whole minutes of the day: the one that is nearest to the night's beginning."""
    night = replace(NIGHT, begun_us=begun_s * 1_000_000 + 20_000 * 86_400_000_000, zone_offset=quarter * 900)
    found = since(f"{hour}:{minute:02d}", night, 0).since_us
    assert found is not None
    local_s = found // 1_000_000 + night.zone_offset
    assert (local_s % 86_400 == hour * 3_600 + minute * 60) and found % 1_000_000 == 0
    assert -12 * 3_600_000_000 <= found - night.begun_us < 12 * 3_600_000_000


def test_every_part_of_a_question_is_asked() -> None:
    assert set(query.CONDITIONS) | {"song", "pedal"} == set(Wanted._fields)
    assert {"singer", "left"} <= {*LISTENERS, *PEDALS}
