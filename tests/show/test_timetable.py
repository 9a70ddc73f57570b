"""The night by the clock on the wall: against published changes of the clocks, against programs that know them too, and
against a night that is looked for the simple way."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from needs import needs

from stagectl.show.clock_values import ClockText, DateText, SpanText, ZoneText, zones
from stagectl.show.reminders import COUNTDOWN, due, night_text, reminders, stepped_text
from stagectl.show.timetable import OVER_NS, REMIND, Clocks, Entry, TimetableModel, apart, local, night_of, on, times

LISBON, BERLIN, NEW_YORK = "Europe/Lisbon", "Europe/Berlin", "America/New_York"
MINUTE = timedelta(minutes=1)
OVER = timedelta(microseconds=OVER_NS // 1000)


def table(**entries: Any) -> TimetableModel:
    """A timetable from what its file says; `load_in` stands for `load in`."""
    return TimetableModel.model_validate({name.replace("_", " "): typed for name, typed in entries.items()})


def clocks(night: tuple[Entry, ...]) -> list[str]:
    return [f"{entry.name} {entry.at:%d %H:%M %z}" for entry in night]


# -- changes of the clocks ------------------------------------------------------------------------------------


def test_the_examples_of_rfc_5545() -> None:
    """RFC 5545, 3.3.5, gives these two: a time that does not exist, and one that comes twice."""
    at, change = local(date(2007, 3, 11), 2 * 60 + 30, ZoneInfo(NEW_YORK))
    assert (at.isoformat(), change) == ("2007-03-11T03:30:00-04:00", Clocks.MISSING)
    at, change = local(date(2007, 11, 4), 60 + 30, ZoneInfo(NEW_YORK))
    assert (at.isoformat(), change) == ("2007-11-04T01:30:00-04:00", Clocks.TWICE)


def sunday(year: int, month: int, which: int) -> date:
    """The first (1), second (2) … or last (-1) Sunday of a month."""
    days = (date(year, month, 1) + timedelta(days=day) for day in range(31))
    return [day for day in days if day.month == month and day.weekday() == 6][which - (which > 0)]


@pytest.mark.parametrize("year", range(2008, 2031))
def test_the_changes_that_the_law_says(year: int) -> None:
    """Directive 2000/84/EC, articles 2 and 3: the last Sunday of March and of October, at 1:00 UTC. 15 U.S.C. § 260a:
    the second Sunday of March and the first of November, at 2:00 by the clocks."""
    for zone, hours in ((LISBON, 0), (BERLIN, 1)):
        here = ZoneInfo(zone)
        forward, back = sunday(year, 3, -1), sunday(year, 10, -1)
        # Put forward, the clocks leave out the hour after 1:00 UTC; put back, they have that hour before it again.
        for minutes in (0, 30, 59):
            assert local(forward, (hours + 1) * 60 + minutes, here)[1] is Clocks.MISSING
            at, change = local(back, (hours + 1) * 60 + minutes, here)
            assert change is Clocks.TWICE
            assert at.astimezone(UTC) == datetime(year, 10, back.day, 0, minutes, tzinfo=UTC)
        for day in (forward, back):
            assert [local(day, hour * 60, here)[1] for hour in (hours, hours + 2)] == [None, None]
    here, forward, back = ZoneInfo(NEW_YORK), sunday(year, 3, 2), sunday(year, 11, 1)
    assert [local(forward, at, here)[1] for at in (119, 120, 179, 180)] == [None, Clocks.MISSING, Clocks.MISSING, None]
    assert [local(back, at, here)[1] for at in (59, 60, 119, 120)] == [None, Clocks.TWICE, Clocks.TWICE, None]


CHANGED = st.builds(
    lambda year, month, days: date(year, month, 1) + timedelta(days=days),
    st.integers(2015, 2030),
    st.sampled_from((3, 4, 9, 10, 11)),
    st.integers(0, 30),
)
"""Dates in the months in which clocks are changed."""

DAYS = st.dates(date(2015, 1, 1), date(2030, 12, 31)) | CHANGED

ZONES = st.sampled_from(
    (
        LISBON,
        BERLIN,
        NEW_YORK,
        "Africa/Casablanca",
        "America/St_Johns",
        "America/Havana",
        "Asia/Kathmandu",
        "Asia/Tehran",
        "Australia/Lord_Howe",
        "Pacific/Chatham",
        "UTC",
    )
)
SMALL_HOURS = st.integers(0, 4 * 60)
MINUTES = SMALL_HOURS | st.integers(0, 24 * 60 - 1)


def asked(zone: str, lines: list[str], form: str) -> tuple[list[str], list[str]]:
    """What GNU date makes of some dates: its answers, and those that it refuses."""
    run = subprocess.run(
        ["date", "-f", "-", form],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": os.environ["PATH"], "LC_ALL": "C", "TZ": zone},
    )
    return run.stdout.splitlines(), [line.split("'")[1] for line in run.stderr.splitlines()]


@pytest.mark.slow
@given(zone=ZONES, some=st.lists(st.tuples(DAYS, MINUTES), min_size=20, max_size=60, unique=True))
def test_a_time_is_what_gnu_date_makes_of_it(zone: str, some: list[tuple[date, int]]) -> None:
    """GNU date reads local times by the C library, and refuses those that do not exist."""
    needs("date")
    walls = [f"{day} {minutes // 60:02d}:{minutes % 60:02d}" for day, minutes in some]
    found = [local(day, minutes, ZoneInfo(zone)) for day, minutes in some]
    said, refused = asked(zone, walls, "+%s")
    assert refused == [wall for wall, (_, change) in zip(walls, found, strict=True) if change is Clocks.MISSING]
    sound = [(wall, at, change) for wall, (at, change) in zip(walls, found, strict=True) if wall not in refused]
    stamps = [round(at.timestamp()) for _, at, _ in sound]
    # Of a time that comes twice it may mean either.
    twice = [change is Clocks.TWICE for _, _, change in sound]
    assert [one for one, is_twice in zip(stamps, twice, strict=True) if not is_twice] == [
        int(one) for one, is_twice in zip(said, twice, strict=True) if not is_twice
    ]
    back, _ = asked(zone, [f"@{stamp}" for stamp in stamps], "+%Y-%m-%d %H:%M")
    assert back == [wall for wall, _, _ in sound]
    # The first of the two: the same clock comes again, half an hour or an hour later.
    for (wall, _, _), stamp, is_twice in zip(sound, stamps, twice, strict=True):
        if is_twice:
            again, _ = asked(zone, [f"@{stamp + s}" for s in (-3600, -1800, 1800, 3600)], "+%Y-%m-%d %H:%M")
            assert wall in again[2:] and wall not in again[:2]


@given(zone=ZONES, day=DAYS, minutes=MINUTES)
def test_dateutil_finds_the_same_times_missing_and_twice(zone: str, day: date, minutes: int) -> None:
    """dateutil reads the zones' files by code of its own."""
    tz: Any = pytest.importorskip("dateutil.tz")
    wall = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)  # noqa: DTZ001 - what it asks for
    here = tz.gettz(zone)
    at, change = local(day, minutes, ZoneInfo(zone))
    assert (change is Clocks.MISSING) is not tz.datetime_exists(wall, here)
    assert (change is Clocks.TWICE) is tz.datetime_ambiguous(wall, here)
    if change is not Clocks.MISSING:
        assert at.astimezone(UTC) == wall.replace(tzinfo=here).astimezone(UTC)


# -- nights ---------------------------------------------------------------------------------------------------

USUAL = table(load_in="16:00", line_check="18:30", doors="19:30", set="21:00", curfew="22:45", zone=LISBON)
LATE = table(doors="22:00", set="23:30", curfew="1:00", zone=BERLIN)


def test_a_time_that_is_earlier_is_on_the_next_day() -> None:
    assert clocks(on(LATE, date(2026, 11, 27), ZoneInfo(BERLIN))) == [
        "doors 27 22:00 +0100",
        "set 27 23:30 +0100",
        "curfew 28 01:00 +0100",
    ]


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        ({"set": "22:00", "curfew": "24:00"}, ["set 27 22:00", "curfew 28 00:00"]),
        ({"set": "22:00", "curfew": "0:00"}, ["set 27 22:00", "curfew 28 00:00"]),
        ({"set": "24:00", "curfew": "0:30"}, ["set 28 00:00", "curfew 28 00:30"]),
        ({"doors": "20:00", "set": "20:00"}, ["doors 27 20:00", "set 27 20:00"]),
        ({"set": "0:30", "curfew": "2:00"}, ["set 27 00:30", "curfew 27 02:00"]),
        (
            {"load in": "9:00", "doors": "20:00", "curfew": "9:00"},
            ["load in 27 09:00", "doors 27 20:00", "curfew 28 09:00"],
        ),
        ({}, []),
    ],
)
def test_the_order_of_a_night(entries: Mapping[str, str], says: list[str]) -> None:
    night = on(TimetableModel.model_validate(entries), date(2026, 11, 27), UTC)
    assert [f"{entry.name} {entry.at:%d %H:%M}" for entry in night] == says


@pytest.mark.parametrize(
    ("at", "day"),
    [("20:45", 27), ("15:30", 27), ("12:00", 27), ("0:30", 28), ("5:00", 28), ("6:59", 28), ("7:01", 28), ("8:29", 28)],
)
def test_a_reminder_of_one_s_own_is_at_the_time_nearest_to_the_night(at: str, day: int) -> None:
    """The night lasts from 16:00 to 1:00, so half past eight is as far from its end as from its beginning."""
    model = table(load_in="16:00", curfew="1:00", also=[{"at": at, "say": "in-ears on"}])
    own = on(model, date(2026, 11, 27), UTC)[-1]
    assert (own.own, own.name, own.at.day, own.at.hour) == (True, "in-ears on", day, int(at.split(":")[0]))


def test_half_past_eight_is_the_border() -> None:
    days = []
    for at in ("8:30", "8:31"):
        model = table(load_in="16:00", curfew="1:00", also=[{"at": at, "say": "van leaves"}])
        days.append(on(model, date(2026, 11, 27), UTC)[-1].at.day)
    assert days == [28, 27]


def test_the_night_in_which_clocks_are_put_forward_is_an_hour_shorter() -> None:
    """29 March 2026, Berlin: 2:00 is followed by 3:00."""
    model = table(set="23:30", curfew="3:15", zone=BERLIN, date="2026-03-28")
    begins, ends = (entry.at for entry in night_of(model, datetime(2026, 3, 1, tzinfo=UTC)))
    assert apart(begins, ends) == timedelta(hours=2, minutes=45)
    assert ends - begins == timedelta(hours=3, minutes=45), "what Python makes of it by itself"


def test_the_night_in_which_clocks_are_put_back_is_an_hour_longer() -> None:
    model = table(set="23:30", curfew="3:15", zone=BERLIN, date="2026-10-24")
    begins, ends = (entry.at for entry in night_of(model, datetime(2026, 3, 1, tzinfo=UTC)))
    assert apart(begins, ends) == timedelta(hours=4, minutes=45)


@pytest.mark.parametrize(
    ("now", "day"),
    [
        ("2026-11-27T09:00", 27),
        ("2026-11-27T15:59", 27),
        ("2026-11-27T22:46", 27),
        ("2026-11-28T02:44", 27),
        ("2026-11-28T02:45", 28),
        ("2026-11-28T15:00", 28),
    ],
)
def test_the_running_or_the_next_night_is_meant(now: str, day: int) -> None:
    """It counts as running until four hours after the curfew at 22:45."""
    at = datetime.fromisoformat(now).replace(tzinfo=ZoneInfo(LISBON))
    assert {entry.at.day for entry in night_of(USUAL, at)} == {day}


def test_a_date_is_meant_whatever_day_it_is() -> None:
    model = USUAL.model_copy(update={"date_": date(2026, 11, 27)})
    nights = {night_of(model, datetime(year, 5, 1, tzinfo=UTC)) for year in (1970, 2026, 2090)}
    assert len(nights) == 1 and {entry.at.date() for entry in next(iter(nights))} == {date(2026, 11, 27)}


def test_the_zone_is_that_of_the_time_where_the_timetable_has_none() -> None:
    night = night_of(table(set="21:00"), datetime(2026, 7, 1, 12, tzinfo=ZoneInfo(NEW_YORK)))
    assert clocks(night) == ["set 01 21:00 -0400"]
    with pytest.raises(ValueError, match="without a time zone"):
        night_of(table(set="21:00"), datetime(2026, 7, 1, 12))  # noqa: DTZ001 - that is what is wrong with it


ENTRIES = ("load in", "line check", "doors", "set", "curfew")


@st.composite
def timetables(draw: st.DrawFn) -> TimetableModel:
    """Times in the order of a night, from any time on and over no more than a day."""
    begins = draw(st.integers(0, 24 * 60 - 1))
    later = sorted(draw(st.lists(st.integers(0, 24 * 60), min_size=5, max_size=5)))
    later = [one - later[0] for one in later]
    some = draw(st.sets(st.sampled_from(range(5))))
    typed: dict[str, Any] = {}
    for at in sorted(some):
        clock = (begins + later[at]) % (24 * 60)
        typed[ENTRIES[at]] = f"{clock // 60}:{clock % 60:02d}"
    also = st.fixed_dictionaries(
        {"at": st.builds("{}:{:02d}".format, st.integers(0, 23), st.integers(0, 59)), "say": st.just("strings")}
    )
    typed["also"] = draw(st.lists(also, max_size=3))
    typed["remind"] = [f"{minutes} min" for minutes in draw(st.lists(st.integers(1, 720), max_size=4))]
    return TimetableModel.model_validate(typed)


@given(model=timetables(), zone=ZONES, day=DAYS, minutes=st.integers(0, 24 * 60))
def test_the_night_that_is_meant_is_the_one_found_the_simple_way(
    model: TimetableModel, zone: str, day: date, minutes: int
) -> None:
    """Every night of a week is looked at: the last that has begun and is not over, else the first to come."""
    here = ZoneInfo(zone)
    now = local(day, minutes, here)[0]
    nights = [on(model, day + timedelta(days=days), here) for days in range(-3, 5)]
    if not nights[0]:
        assert night_of(model, now) == ()
        return
    begun = [night for night in nights if min(times(night)) <= now.astimezone(UTC)]
    running = [night for night in begun[-1:] if now.astimezone(UTC) < max(times(night)) + OVER]
    coming = [night for night in nights if night not in begun]
    assert night_of(model, now) == (running or coming)[0]


@given(model=timetables(), day=DAYS)
def test_a_night_keeps_the_clocks_that_were_given_and_their_order(model: TimetableModel, day: date) -> None:
    night = [entry for entry in on(model, day, UTC) if not entry.own]
    assert {entry.name: entry.at.hour * 60 + entry.at.minute for entry in night} == dict(model.times)
    assert all(before.at <= after.at for before, after in pairwise(night))
    assert not night or night[-1].at - night[0].at <= timedelta(days=1)
    for entry in on(model, day, UTC):
        if entry.own and night:
            # None of the same clock is nearer to the night.
            assert entry.at - night[-1].at <= timedelta(hours=12) and night[0].at - entry.at <= timedelta(hours=12)


# -- reminders ------------------------------------------------------------------------------------------------


def said(model: TimetableModel, begins: str) -> list[str]:
    zone = model.here
    assert zone is not None
    night = night_of(model, datetime.fromisoformat(begins).replace(tzinfo=zone))
    return [f"{one.at.astimezone(zone):%H:%M} {one.text}" for one in reminders(model, night)]


def test_what_is_said_of_a_night_and_when() -> None:
    model = table(
        doors="19:30",
        set="21:00",
        curfew="22:45",
        zone=LISBON,
        remind=["10 min"],
        also=[{"at": "20:45", "say": "in-ears on"}],
    )
    assert said(model, "2026-11-27T12:00") == [
        "19:20 doors in 10 min",
        "19:30 it is 19:30: doors",
        "20:00 set in 1 h",
        "20:30 set in 30 min",
        "20:45 in-ears on",
        "20:45 set in 15 min",
        "20:50 set in 10 min",
        "20:55 set in 5 min",
        "20:59 set in 1 min",
        "21:00 it is 21:00: set",
        "21:45 curfew in 1 h",
        "22:15 curfew in 30 min",
        "22:30 curfew in 15 min",
        "22:35 curfew in 10 min",
        "22:40 curfew in 5 min",
        "22:44 curfew in 1 min",
        "22:45 it is 22:45: curfew",
    ]


def test_without_a_word_about_it_people_are_reminded_at_the_usual_times() -> None:
    assert said(table(load_in="16:00", zone=LISBON), "2026-11-27T12:00") == [
        "15:30 load-in in 30 min",
        "15:45 load-in in 15 min",
        "15:55 load-in in 5 min",
        "16:00 it is 16:00: load-in",
    ]
    assert tuple(TimetableModel().remind) == REMIND


def test_a_countdown_over_a_change_of_the_clocks_counts_what_is_left() -> None:
    """29 March 2026, Berlin: an hour before 3:15 the clocks show 1:15."""
    model = table(set="23:30", curfew="3:15", zone=BERLIN, date="2026-03-28", remind=[])
    found = [line for line in said(model, "2026-03-01T12:00") if "curfew in" in line]
    assert found[:3] == ["01:15 curfew in 1 h", "01:45 curfew in 30 min", "03:00 curfew in 15 min"]


@given(model=timetables(), zone=ZONES, day=DAYS)
def test_reminders_are_all_there_once_and_in_order(model: TimetableModel, zone: str, day: date) -> None:
    night = on(model, day, ZoneInfo(zone))
    some = reminders(model, night)
    for entry in night:
        wanted = {0} if entry.own else {0, *model.remind, *(COUNTDOWN if entry.name in ("set", "curfew") else ())}
        mine = [one.before for one in some if one.entry is entry]
        assert sorted(mine) == sorted(wanted)
    assert all(one.at + timedelta(microseconds=one.before // 1000) == one.entry.at.astimezone(UTC) for one in some)
    assert all(before.at <= after.at for before, after in pairwise(some))
    assert len({one.key for one in some if not one.entry.own}) == sum(not one.entry.own for one in some)


@given(model=timetables(), cuts=st.lists(st.integers(-100, 3000), max_size=6))
def test_whatever_the_looks_each_reminder_is_due_in_one_of_them(model: TimetableModel, cuts: list[int]) -> None:
    some = reminders(model, on(model, date(2026, 11, 27), UTC))
    edges = [
        datetime(2026, 11, 25, tzinfo=UTC),
        *sorted(datetime(2026, 11, 27, tzinfo=UTC) + cut * MINUTE for cut in cuts),
    ]
    found = [one for after, until in pairwise(edges) for one in due(some, after, until)]
    assert tuple(found) + due(some, edges[-1]) == some


@pytest.mark.parametrize(
    ("late", "to_go", "says"),
    [
        (0, None, "curfew in 15 min"),
        (4, None, "curfew in 15 min"),
        (20, None, "curfew in 15 min"),
        (40, None, "curfew in 14 min"),
        (13 * 60 + 30, None, "curfew in 1 min 30 s"),
        (16 * 60, None, "curfew was at 22:45"),
        (0, 11 * 60 + 20, "curfew in 15 min; about 12 min of the set to go"),
        (0, 15 * 60, "curfew in 15 min; about 15 min of the set to go"),
        (0, 21 * 60 + 30, "curfew in 15 min; about 22 min of the set to go, 7 min too long"),
        (0, 40, "curfew in 15 min; less than a minute of the set to go"),
        (0, 75 * 60, "curfew in 15 min; about 1 h 15 min of the set to go, 1 h too long"),
    ],
)
def test_a_countdown_says_what_is_left_when_it_comes(late: float, to_go: int | None, says: str) -> None:
    night = night_of(USUAL, datetime(2026, 11, 27, 12, tzinfo=UTC))
    one = next(one for one in reminders(USUAL, night) if one.text == "curfew in 15 min")
    assert one.text_at(one.at + timedelta(seconds=late), None if to_go is None else to_go * 10**9) == says


def test_only_the_curfew_speaks_of_what_is_to_go() -> None:
    night = night_of(USUAL, datetime(2026, 11, 27, 12, tzinfo=UTC))
    found = {one.text_at(one.at, 10**9) for one in reminders(USUAL, night) if one.entry.name != "curfew"}
    assert not any("to go" in text for text in found)


def test_a_night_in_a_line() -> None:
    assert night_text(night_of(LATE, datetime(2026, 11, 27, 12, tzinfo=UTC))) == "doors 22:00, set 23:30, curfew 1:00"


@pytest.mark.parametrize(
    ("by_s", "says"),
    [
        (1.4, "forward by 1 s"),
        (-3600, "back by 1 h"),
        (3725, "forward by 1 h 2 min"),
        (-40 * 86_400, "back by 40 days"),
        (86_400, "forward by 24 h"),
    ],
)
def test_a_step_in_words(by_s: float, says: str) -> None:
    assert stepped_text(by_s) == f"the computer's clock was set {says}"


# -- values ---------------------------------------------------------------------------------------------------


@given(st.integers(0, 24 * 60))
def test_a_time_of_day_comes_back(minutes: int) -> None:
    assert ClockText().parse(ClockText().written(minutes)) == minutes


@given(st.integers(1, 12 * 3600))
def test_a_length_of_time_comes_back(seconds: int) -> None:
    span = SpanText(10**9, 12 * 3600 * 10**9, none="no")
    assert span.parse(span.written(seconds * 10**9)) == seconds * 10**9
    assert span.parse(span.written(0)) == 0


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)))
def test_a_date_comes_back(day: date) -> None:
    assert DateText().parse(DateText().written(day)) == day


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [("0:00", 0), ("9:05", 545), ("09:05", 545), ("23:59", 1439), ("24:00", 1440), (" 7:30 ", 450)],
)
def test_times_of_day(typed: str, minutes: int) -> None:
    assert ClockText().parse(typed) == minutes


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("9:30 pm", "21:30"),
        ("12 am", "0:00"),
        ("12:15 p.m.", "12:15"),
        ("21.00", "21:00"),
        ("21h30", "21:30"),
        ("21h", "21:00"),
        ("25:00", None),
        ("13 pm", None),
        ("24:01", None),
        ("9", None),
        ("2100", None),
        ("21:60", None),
        ("-1:00", None),
        ("21:00:00", None),
        ("", None),
        (None, None),
        (["21:00"], None),
    ],
)
def test_what_is_no_time_of_day(typed: object, meant: str | None) -> None:
    with pytest.raises(ValueError, match="is not a time of day from 0:00 to 24:00") as found:
        ClockText().parse(typed)
    assert str(found.value).endswith("such as `21:00`" if meant is None else f"; did you mean `{meant}`?")


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("Lisbon", "; did you mean `Europe/Lisbon`?"),
        ("new york", "; did you mean `America/New_York`?"),
        ("Europe/Lisabon", "; did you mean `Europe/Lisbon`?"),
        ("europe/lisbon", "; did you mean `Europe/Lisbon`?"),
        ("utc", "; did you mean `UTC`?"),
        ("Londn", "; did you mean `Europe/London`?"),
        ("Europe", ", such as `Europe/Lisbon`"),
        ("PST", ", such as `Europe/Lisbon`"),
        ("GMT+1", ", such as `Europe/Lisbon`"),
        ("right/Europe/Lisbon", "; did you mean `Europe/Lisbon`?"),
        ("localtime", ", such as `Europe/Lisbon`"),
        ("+01:00", ", such as `Europe/Lisbon`"),
        ("UTC+1", ", such as `Europe/Lisbon`"),
        ("../Europe/Lisbon", "; did you mean `Europe/Lisbon`?"),
        ("/etc/passwd", ", such as `Europe/Lisbon`"),
        ("\0", ", such as `Europe/Lisbon`"),
        ("", ", such as `Europe/Lisbon`"),
    ],
)
def test_what_is_no_zone(typed: str, hint: str) -> None:
    with pytest.raises(ValueError, match="is not a time zone of the IANA database") as found:
        ZoneText().parse(typed)
    assert hint in str(found.value)


def test_every_zone_of_the_database_is_one() -> None:
    assert len(zones()) > 400
    assert [ZoneText().parse(name) for name in zones()] == list(zones())
    assert {LISBON, BERLIN, NEW_YORK, "UTC"} <= set(zones())
