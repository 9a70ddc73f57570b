"""The zone of a night, from this machine or the timetable into the journal's head, and what is told of a night over a
change of the clocks.

Outside judges: the C library, which reads the time zone database by itself (`time.localtime`, `time.strftime` after
`tzset`), and zoneinfo."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple
from zoneinfo import ZoneInfo, available_timezones

import pytest
from click.testing import CliRunner

import stagectl.live.record as record_
from stagectl.cli.main import main
from stagectl.journal.read import night, open_read
from stagectl.journal.schema import Night
from stagectl.journal.since import since
from stagectl.journal.write import Journal
from stagectl.journal.zone import clock, zone_of
from stagectl.live.clock import local_zone
from stagectl.live.own_zone import own_zone
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row
from stagectl.where import shipped
from stagectl.zones import IN_PLACE_OF, kept_zone, zone_named

DEMO = shipped("setlists") / "three-songs"
MINUTE = 60
HOUR = 3_600

ZONES = ("Europe/Berlin", "America/St_Johns")


def changes(zone: str) -> list[int]:
    """The minutes at which its clocks are changed between November 2025 and April 2027, s since 1970, by the C library
    (`TZ` has to name it)."""
    begin = int(datetime(2025, 11, 15, tzinfo=UTC).timestamp())
    some = range(begin, begin + 500 * 24 * HOUR, 30 * MINUTE)
    return [
        next(at for at in range(one, one + 30 * MINUTE + 1, MINUTE) if ahead(at) != ahead(one))
        for one in some
        if ahead(one) != ahead(one + 30 * MINUTE)
    ]


def ahead(at: int) -> int:
    return time.localtime(at).tm_gmtoff


Machine = Callable[[str | None], None]


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Iterator[Machine]:
    """Gives this machine a `TZ`; None: none at all."""

    def tz(value: str | None) -> None:
        monkeypatch.delenv("TZ", raising=False) if value is None else monkeypatch.setenv("TZ", value)
        time.tzset()

    yield tz
    monkeypatch.undo()
    time.tzset()


def head_of(
    tmp_path: Path, at: int, monkeypatch: pytest.MonkeyPatch, show: Path = DEMO, venue: str | None = None
) -> Night:
    """The head of the journal of a night that is begun at a wall time, as the daemon begins it."""
    clocks = SimpleNamespace(time_ns=lambda: at * 10**9, monotonic_ns=time.monotonic_ns)
    monkeypatch.setattr(record_, "time", clocks)
    loaded = load_show(show)
    plan = compile_show(loaded, venue).plan
    path = tmp_path / f"{at}.night"
    path.unlink(missing_ok=True)
    begun = record_.record(loaded, plan, venue, path, fresh=True, tell=lambda _: None, warn=lambda _: None)
    begun.recorder.close()
    with closing(open_read(path)) as connection:
        return night(connection)


def show_with(folder: Path, timetable: str) -> Path:
    """The demo with another timetable."""
    show = Path(shutil.copytree(DEMO, folder))
    text = (show / "setlist.yaml").read_text("utf-8")
    assert "timetable" not in text
    (show / "setlist.yaml").write_text(f"{text}\n{timetable}\n", "utf-8")
    return show


STEP = 10 * MINUTE


class Played(NamedTuple):
    """A night of eight hours around a change of the clocks, with a row every ten minutes, and when these were."""

    path: Path
    head: Night
    ats: list[int]


def played(tmp_path: Path, head: Night, begun: int) -> Played:
    path = tmp_path / "played.night"
    ats = list(range(begun, begun + 8 * HOUR, STEP))
    with closing(Journal.create(path, head)) as out:
        for at in ats:
            out.write([Row((at - begun) * 10**9, "reminder", what=f"at {at}")], at * 10**6)
        out.write([Row(8 * HOUR * 10**9, "end")], (begun + 8 * HOUR) * 10**6)
    return Played(path, head, ats)


def log(path: Path, *flags: str) -> list[str]:
    run = CliRunner().invoke(main, ["log", "--journal", str(path), *flags], catch_exceptions=False)
    assert run.exit_code == 0, run.output
    return run.stdout.splitlines()


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("names", ["machine", "timetable"])
@pytest.mark.parametrize("change", range(3))
def test_a_night_over_a_change_of_the_clocks_is_told_by_the_clock_that_counts(
    tmp_path: Path, machine: Machine, monkeypatch: pytest.MonkeyPatch, zone: str, names: str, change: int
) -> None:
    machine(zone)
    changed = changes(zone)[change]
    begun = changed - 3 * HOUR
    show = DEMO
    if names == "timetable":
        # The machine has another zone, and the timetable's counts.
        machine("Asia/Tokyo")
        show = show_with(tmp_path / "show", f"timetable: {{zone: {zone}, set: 21:00}}")
    head = head_of(tmp_path, begun, monkeypatch, show)
    machine(zone)
    assert (head.zone, head.zone_offset) == (zone, ahead(begun))
    path, _, ats = played(tmp_path, head, begun)
    machine("UTC")
    heading, *lines, _ = log(path)
    texts = csv.DictReader(io.StringIO("\n".join(log(path, "--csv"))))
    told = [datetime.fromisoformat(line["time"]) for line in texts][:-1]
    machine(zone)
    assert heading.endswith(time.strftime("%Y-%m-%d %H:%M %Z", time.localtime(begun)))

    shown = [re.match(r"(\S+)(?: ([A-Z]+))? +\d+:\d\d", line) for line in lines]
    assert all(shown), lines
    clocks = [(one[1], one[2]) for one in shown if one is not None]
    assert [one for one, _ in clocks] == [time.strftime("%H:%M:%S", time.localtime(at)) for at in ats]
    # Every mark is the right one; what has none is of the clocks in the heading, and nothing is told twice alike.
    for (_, mark), at in zip(clocks, ats, strict=True):
        assert mark in (None, time.strftime("%Z", time.localtime(at)))
        assert mark is not None or ahead(at) == ahead(begun)
    assert len(set(clocks)) == len(clocks)
    by = ahead(changed) - ahead(begun)
    twice = [at for at in ats if by < 0 and abs(at - changed + STEP / 2) < -by]
    assert all(mark is not None for (_, mark), at in zip(clocks, ats, strict=True) if at in twice)
    assert all(mark is None for (_, mark), at in zip(clocks, ats, strict=True) if at < changed - HOUR)
    assert len(twice) == (12 if by < 0 else 0)

    judge = ZoneInfo(zone)
    assert told == [datetime.fromtimestamp(at, UTC) for at in ats]
    assert [one.utcoffset() for one in told] == [datetime.fromtimestamp(at, judge).utcoffset() for at in ats]


@pytest.mark.parametrize("zone", ZONES)
def test_a_report_without_the_show_says_which_half_past_one_it_was(
    tmp_path: Path, machine: Machine, monkeypatch: pytest.MonkeyPatch, zone: str
) -> None:
    machine(zone)
    changed = next(at for at in changes(zone) if ahead(at) < ahead(at - 1))
    head = head_of(tmp_path, changed - 3 * HOUR, monkeypatch)
    path, _, ats = played(tmp_path, head, changed - 3 * HOUR)
    from stagectl.report.build import build

    with closing(open_read(path)) as connection:
        _, wall = build(connection)
    for at in ats:
        said = time.strftime("%H:%M %Z", time.localtime(at)).removeprefix("0")
        assert wall.text((at - ats[0]) * 10**9).removesuffix(" next day") == said
    run = CliRunner().invoke(main, ["report", str(path), "--json"], catch_exceptions=False)
    begun = datetime.fromisoformat(json.loads(run.stdout)["begun"])
    assert begun.utcoffset() == timedelta(seconds=ahead(ats[0]))


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("change", range(3))
def test_since_takes_the_first_time_at_which_the_clock_shows_it_or_later(
    machine: Machine, zone: str, change: int
) -> None:
    """Judged by asking the C library minute by minute, from an hour before the night on."""
    machine(zone)
    changed = changes(zone)[change]
    for begun in (changed - 3 * HOUR, changed + 10 * MINUTE):
        head = Night(setlist="x", program="0", begun_us=begun * 10**6, zone=zone, zone_offset=ahead(begun))
        first: dict[tuple[int, int], int] = {}
        for at in range(begun - HOUR, begun + 6 * HOUR, MINUTE):
            here = time.localtime(at)
            first.setdefault((here.tm_hour, here.tm_min), at)
            if at == changed and ahead(at) > ahead(at - 1):
                for minute in range(MINUTE):
                    # The hour that is left out; St. John's is half an hour off UTC, and whole hours by its own clock.
                    first.setdefault((here.tm_hour - 1, minute), at)
        for (hour, minute), at in first.items():
            assert since(f"{hour}:{minute:02d}", head, 0).since_us == at * 10**6, (hour, minute)


# -- where there is no name --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "tz",
    [
        "CET-1CEST,M3.5.0,M10.5.0/3",
        "NST3:30NDT,M3.2.0,M11.1.0",
        "<+03>-3",
        "Nowhere/There",
        "Nonsense",
        "",
        ":",
        "/etc/passwd",
        "../../etc/passwd",
        "a/" * 3_000,
        "Europe/\udce9",
        "Europe",
        "Japan",
    ],
)
def test_without_a_name_to_keep_the_head_has_an_offset_as_ever(
    tmp_path: Path, machine: Machine, monkeypatch: pytest.MonkeyPatch, tz: str
) -> None:
    """A rule (POSIX.1-2024, 8.3), what is no zone, and one whose name may be an abbreviation, and has no changes."""
    machine(tz)
    at = int(datetime(2026, 10, 24, 21, 30, tzinfo=UTC).timestamp())
    assert own_zone(at) is None
    head = head_of(tmp_path, at, monkeypatch)
    here = time.localtime(at)
    assert (head.zone, head.zone_offset) == (here.tm_zone or "UTC", here.tm_gmtoff)
    shown = clock(head)
    assert [shown((at + hour * HOUR) * 10**6) for hour in range(8)] == [
        f"{datetime.fromtimestamp(at + hour * HOUR + here.tm_gmtoff, UTC):%H:%M:%S}" for hour in range(8)
    ]


@pytest.mark.parametrize(
    "name", ["CET", "EST", "WET", "UTC", "CEST", "Cuba", "", "+03", "Half Tide/Nowhere", "right/UTC"]
)
def test_older_nights_are_told_by_their_offset(name: str) -> None:
    """Also where what the clocks were called is a zone of the database."""
    begun = int(datetime(2026, 3, 28, 22, tzinfo=UTC).timestamp())
    head = Night(setlist="x", program="0", begun_us=begun * 10**6, zone=name, zone_offset=HOUR)
    zone = zone_of(head)
    for hour in range(30):
        at = datetime.fromtimestamp(begun + hour * HOUR, UTC)
        assert at.astimezone(zone).utcoffset() == timedelta(hours=1)
        assert clock(head)((begun + hour * HOUR) * 10**6) == f"{at + timedelta(hours=1):%H:%M:%S}"


def test_a_zone_that_was_not_at_the_night_s_offset_does_not_count() -> None:
    head = Night(setlist="x", program="0", begun_us=1_793_000_000_000_000, zone="Europe/Berlin", zone_offset=3 * HOUR)
    assert zone_of(head).utcoffset(None) == timedelta(hours=3)
    assert zone_of(replace(head, begun_us=-1)).utcoffset(None) == timedelta(hours=3)
    assert zone_of(replace(head, zone_offset=99 * HOUR)) is UTC


# -- the machine's files -----------------------------------------------------------------------------------


def at_root(tmp_path: Path, link: str | None, written: str | bytes | None) -> Path:
    """A folder with an `etc` in it."""
    (tmp_path / "etc").mkdir()
    if link is not None:
        (tmp_path / "etc" / "localtime").symlink_to(link)
    if written is not None:
        text = written.encode() if isinstance(written, str) else written
        (tmp_path / "etc" / "timezone").write_bytes(text)
    return tmp_path


BERLIN = "/usr/share/zoneinfo/Europe/Berlin"


@pytest.mark.parametrize(
    ("link", "written", "key"),
    [
        (BERLIN, None, "Europe/Berlin"),
        ("../usr/share/zoneinfo/Europe/Berlin", "America/St_Johns\n", "Europe/Berlin"),
        ("/var/db/timezone/zoneinfo/Europe/Berlin", None, "Europe/Berlin"),
        ("/usr/share/zoneinfo/posix/Europe/Berlin", None, "Europe/Berlin"),
        (None, "Europe/Berlin", "Europe/Berlin"),
        (None, "# where we live\n\nEurope/Berlin # and work\n", "Europe/Berlin"),
        ("/nowhere/at/all", "Europe/Berlin\n", "Europe/Berlin"),
        ("localtime", "Europe/Berlin\n", "Europe/Berlin"),
        # Out of date: an hour ahead all year is right on that evening alone.
        (None, "Africa/Lagos\n", None),
        (None, "America/St_Johns\n", None),
        (None, b"\xff\xfe\x00", None),
        (None, "", None),
        (None, None, None),
    ],
)
def test_the_name_is_found_where_systems_keep_it(
    tmp_path: Path,
    machine: Machine,
    monkeypatch: pytest.MonkeyPatch,
    link: str | None,
    written: str | None,
    key: str | None,
) -> None:
    """`TZ` makes the C library's clocks those of Berlin, and is hidden from the reader."""
    machine("Europe/Berlin")
    monkeypatch.delenv("TZ")
    begun = datetime(2027, 3, 27, 21, 30, tzinfo=UTC).timestamp()
    found = own_zone(begun, at_root(tmp_path, link, written))
    assert (None if found is None else found.key) == key


def test_a_pipe_in_the_place_of_the_file_is_not_waited_for(tmp_path: Path, machine: Machine) -> None:
    machine(None)
    root = at_root(tmp_path, None, None)
    os.mkfifo(root / "etc" / "timezone")
    assert own_zone(0.0, root) is None


def test_times_beyond_any_calendar_have_no_zone(machine: Machine) -> None:
    machine("Europe/Berlin")
    assert [own_zone(at) for at in (-1e30, 1e30, 253_402_300_799.0)] == [None] * 3
    assert getattr(local_zone(), "key", None) == "Europe/Berlin"


def test_half_a_zone_s_file_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = Path(BERLIN).read_bytes()
    (tmp_path / "Half").mkdir()
    import zoneinfo

    was = zoneinfo.TZPATH
    zoneinfo.reset_tzpath([tmp_path])
    try:
        # Up to the rule at its end, whose missing line's end CPython 3.11 would look for without an end.
        for size in range(0, raw.rindex(b"\n", 0, -1), 31):
            (tmp_path / "Half" / f"T{size}").write_bytes(raw[:size])
            assert zone_named(f"Half/T{size}") is None
    finally:
        zoneinfo.reset_tzpath(was)


def test_names_without_a_stroke_that_have_changes_are_kept_as_their_zone() -> None:
    """Every such name of this machine's database, and its zone has the same offsets at every quarter of a day."""
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    days = [begin + timedelta(hours=6 * quarter) for quarter in range(4 * 366 * 2)]
    for name in sorted(one for one in available_timezones() if "/" not in one):
        zone = zone_named(name)
        if zone is None:
            continue
        offsets = [day.astimezone(zone).utcoffset() for day in days]
        kept = kept_zone(name)
        assert (kept is None) == (len(set(offsets)) == 1), name
        if kept is not None:
            assert kept.key == IN_PLACE_OF[name]
            assert [day.astimezone(kept).utcoffset() for day in days] == offsets, name


def test_what_clocks_are_called_says_how_far_they_are_from_utc() -> None:
    """Or what comes twice would not be told apart. The same time may have two names, one after the other."""
    some = [datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=5 * at) for at in range(150)]
    for name in available_timezones():
        zone = zone_named(name)
        if zone is not None:
            both = {(here.tzname(), here.utcoffset()) for day in some for here in (day.astimezone(zone),)}
            assert len({one for one, _ in both}) == len(both), name
