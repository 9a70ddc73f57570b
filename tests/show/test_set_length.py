"""How long a set takes, and what `check` says of it and of the curfew."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from stagectl.cli.check import command
from stagectl.show.advice import advice_on
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.set_length import UNSAID_NS, SetLength, gaps_of, length_text, lengths_of, set_length, set_to_go
from stagectl.show.timetable import TimetableModel

S = 10**9
MIN = 60 * S

LENGTHS = st.lists(st.none() | st.integers(0, 20 * MIN), min_size=1, max_size=12)
GAPS = st.integers(0, 120 * S)


def test_three_songs_and_the_gaps_between_them() -> None:
    assert set_length([3 * MIN, 4 * MIN, 5 * MIN], 20 * S) == SetLength(12 * MIN + 40 * S, 3, 0, 40 * S)
    assert set_length([3 * MIN, None, None], 20 * S) == SetLength(11 * MIN + 40 * S, 3, 2, 40 * S)
    assert set_length([3 * MIN], 20 * S) == SetLength(3 * MIN, 1, 0, 0)
    assert set_length([], 20 * S) == SetLength(0, 0, 0, 0)
    assert set_length([MIN, MIN, MIN], [5 * S, 20 * S]).ns == 3 * MIN + 25 * S


@given(lengths=LENGTHS, gap=GAPS)
def test_the_set_is_as_long_as_one_who_plays_it_takes(lengths: list[int | None], gap: int) -> None:
    """Song after song, by a watch that is read at the end."""
    watch = 0
    for at, length in enumerate(lengths):
        watch += (gap if at else 0) + (240 * S if length is None else length)
    assert set_length(lengths, gap).ns == watch == set_to_go(lengths, gap, -1, 0)
    assert (set_length(lengths, gap).minutes - 1) * MIN < watch <= set_length(lengths, gap).minutes * MIN


@given(lengths=LENGTHS, gap=GAPS, data=st.data())
def test_what_is_to_go_and_what_is_past_are_the_set(lengths: list[int | None], gap: int, data: st.DataObject) -> None:
    song = data.draw(st.integers(0, len(lengths) - 1))
    here = UNSAID_NS if lengths[song] is None else lengths[song]
    assert here is not None
    since = data.draw(st.integers(0, here))
    past = set_length(lengths[:song], gap).ns + (gap if song else 0) + since
    assert past + set_to_go(lengths, gap, song, since) == set_length(lengths, gap).ns
    assert set_to_go(lengths, gap, song, here + since) == set_to_go(lengths, gap, song, here)


TAKES = "the set takes about 52 min, with 4 min between songs"
SHORT = "the set takes about 14 min, with 40 s between songs"
LONG = SetLength(51 * MIN + 40 * S, 13, 0, 4 * MIN)


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        ({}, TAKES),
        ({"doors": "19:30"}, TAKES),
        ({"set": "21:00"}, f"{TAKES}; from 21:00 it ends at 21:52"),
        (
            {"set": "21:00", "curfew": "22:45"},
            f"{TAKES}; from 21:00 it ends at 21:52, 53 min before the curfew",
        ),
        (
            {"set": "21:00", "curfew": "21:52"},
            f"{TAKES}; from 21:00 it ends at 21:52, just at the curfew",
        ),
        (
            {"set": "21:00", "curfew": "21:30"},
            f"{TAKES}; from 21:00 it ends at 21:52, 22 min past the curfew",
        ),
        (
            {"set": "23:30", "curfew": "1:40"},
            f"{TAKES}; from 23:30 it ends at 0:22, 1 h 18 min before the curfew",
        ),
        (
            {"curfew": "0:30"},
            f"{TAKES}; to end before the curfew at 0:30 it has to begin by 23:38",
        ),
        # In the night of 28 March 2026 the clocks go from 2:00 to 3:00, and in that of 24 October from 3:00 to 2:00.
        (
            {"set": "1:30", "curfew": "3:30", "date": "2026-03-29", "zone": "Europe/Berlin"},
            f"{TAKES}; from 1:30 it ends at 3:22, 8 min before the curfew",
        ),
        (
            {"set": "1:30", "curfew": "3:30", "date": "2026-10-25", "zone": "Europe/Berlin"},
            f"{TAKES}; from 1:30 it ends at 2:22, 2 h 8 min before the curfew",
        ),
    ],
)
def test_the_set_s_length_in_words(entries: dict[str, str], says: str) -> None:
    assert length_text(LONG, TimetableModel.model_validate(entries)) == says


def test_songs_without_a_length_are_said() -> None:
    some = "3 of 13 songs say no length and count as 4:00"
    assert length_text(LONG._replace(unsaid=3), None) == f"{TAKES}; {some}"
    assert LONG._replace(unsaid=1).assumed == "1 of 13 songs says no length and counts as 4:00"
    assert SetLength(4 * MIN, 1, 1, 0).assumed == "the one song says no length and counts as 4:00"


@given(
    minutes=st.integers(1, 23 * 60),
    extra=st.integers(0, 59),
    begins=st.integers(0, 1439),
    to_curfew=st.integers(0, 1439),
)
def test_it_is_past_the_curfew_exactly_where_it_really_is(
    minutes: int, extra: int, begins: int, to_curfew: int
) -> None:
    """Whole minutes are said, but half a minute too much is too much."""
    ends = (begins + to_curfew) % 1440
    model = TimetableModel.model_validate(
        {"set": f"{begins // 60}:{begins % 60:02d}", "curfew": f"{ends // 60}:{ends % 60:02d}"}
    )
    is_past = minutes * 60 + extra > to_curfew * 60
    assert ("past the curfew" in length_text(SetLength(minutes * MIN + extra * S, 9, 0, 0), model)) is is_past


# -- in a show ------------------------------------------------------------------------------------------------

RIG = """\
inputs: [{name: voice, socket: 1}]
listeners: [{name: ada, mix: 1}]
desk: {profile: control-change, port: desk}
players: [{name: box, port: box, start: {program: cue, channel: 1}, stop: {program: 0, channel: 2}}]
"""

SETLIST = """\
title: duo
rig: rig.yaml
base: {ada: {voice: -6}}
venues: {Fish Dock: {}, Old Mill: {}}
gap: 30
timetable:
  set: 21:00
  curfew: 21:30
timetables:
  Fish Dock:
    curfew: 21:10
  Old Mill: {set: 20:00}
songs:
  - {name: Seven Gates, length: 6:00}
  - {name: Morning Mist, cue: {player: box, number: 1}, length: 3:00, then: {next song starts after: 10 s}}
  - {name: The Ferry Waltz, cue: {player: box, number: 2}}
"""


def duo(folder: Path, setlist: str = SETLIST) -> Path:
    (folder / "rig.yaml").write_text(RIG)
    (folder / "setlist.yaml").write_text(setlist)
    return folder


def warned(folder: Path) -> list[tuple[int, str]]:
    show = load_show(folder)
    found = advice_on(show, compile_show(show).plan)
    return [(one.line, one.text) for one in found if one.file.endswith("setlist.yaml")]


def check(folder: Path, *arguments: str) -> list[str]:
    run = CliRunner().invoke(command, [str(folder), *arguments])
    assert run.exit_code == 0, run.output
    return [line for line in run.output.splitlines() if "the set takes" in line]


def test_lengths_come_from_the_songs_and_their_tracks(tmp_path: Path) -> None:
    show = load_show(duo(tmp_path))
    plan = compile_show(show).plan
    assert lengths_of(show, plan) == [6 * MIN, 3 * MIN, None]
    assert gaps_of(show, plan) == [30 * S, 10 * S], "a track that starts the next by itself says how long it waits"


def test_check_says_how_long_it_takes_at_each_venue(tmp_path: Path) -> None:
    folder = duo(tmp_path)
    takes = f"{SHORT}; from "
    assumed = "; 1 of 3 songs says no length and counts as 4:00"
    assert check(folder)[0] == f"  {takes}21:00 it ends at 21:14, 16 min before the curfew{assumed}"
    there = check(folder, "--venue", "Fish Dock")
    assert there[0] == f"  {takes}21:00 it ends at 21:14, 4 min past the curfew{assumed}"
    assert (
        check(folder, "--venue", "Old Mill")[0]
        == f"  {takes}20:00 it ends at 20:14, 1 h 16 min before the curfew{assumed}"
    )


def test_a_set_past_the_curfew_is_warned_of_where_the_curfew_stands(tmp_path: Path) -> None:
    says = (
        f"{SHORT}: from 21:00 it ends at 21:14, 4 min past the curfew (at `Fish Dock`); "
        "1 of 3 songs says no length and counts as 4:00"
    )
    assert warned(duo(tmp_path)) == [(11, says)]


def test_a_curfew_of_all_is_warned_of_there_for_each_venue_that_begins_later(tmp_path: Path) -> None:
    late = SETLIST.replace("{set: 20:00}", "{set: 21:20}").replace("curfew: 21:10", "doors: 19:00")
    assert [(line, text.split(";")[0]) for line, text in warned(duo(tmp_path, late))] == [
        (
            8,
            f"{SHORT}: from 21:20 it ends at 21:34, 4 min past the curfew (at `Old Mill`)",
        )
    ]


@pytest.mark.parametrize(
    ("venues", "at"),
    [
        ("Fish Dock: {}, Old Mill: {}", "(without a venue)"),
        ("Fish Dock: {}, Old Mill: {}, Net Loft: {}", "(without a venue, at `Net Loft`)"),
    ],
)
def test_a_curfew_of_all_says_where_it_counts_where_venues_have_their_own(tmp_path: Path, venues: str, at: str) -> None:
    early = SETLIST.replace("curfew: 21:30", "curfew: 21:10").replace("curfew: 21:10\n  Old", "curfew: 22:10\n  Old")
    early = early.replace("Fish Dock: {}, Old Mill: {}", venues)
    (warning,) = warned(duo(tmp_path, early))
    assert warning[0] == 8
    assert warning[1].split(";")[0] == f"{SHORT}: from 21:00 it ends at 21:14, 4 min past the curfew {at}"
    # What is warned of at a venue is what its summary says.
    for venue in venues.replace(": {}", "").split(", "):
        assert ("past the curfew" in check(tmp_path, "--venue", venue)[0]) is (f"at `{venue}`" in warning[1])


def test_a_curfew_of_all_says_no_more_where_no_venue_has_its_own(tmp_path: Path) -> None:
    alone = re.sub(r"timetables:\n(  .*\n)+", "", SETLIST.replace("curfew: 21:30", "curfew: 21:10"))
    ((_, text),) = warned(duo(tmp_path, alone))
    assert text.split(";")[0] == f"{SHORT}: from 21:00 it ends at 21:14, 4 min past the curfew"


def test_a_venue_without_a_curfew_takes_it_away(tmp_path: Path) -> None:
    free = SETLIST.replace("curfew: 21:10", "curfew:")
    assert warned(duo(tmp_path, free)) == []
    assert check(tmp_path, "--venue", "Fish Dock")[0].startswith(f"  {SHORT}; from 21:00 it ends at 21:14;")


def test_without_a_timetable_and_lengths_nothing_is_said(tmp_path: Path) -> None:
    bare = "title: duo\nrig: rig.yaml\nbase: {ada: {voice: -6}}\nsongs: [{name: Seven Gates}]\n"
    assert check(duo(tmp_path, bare)) == []
    assert warned(tmp_path) == []


def test_a_night_in_which_clocks_are_changed_is_warned_of(tmp_path: Path) -> None:
    changed = SETLIST.replace("timetable:\n", "timetable:\n  zone: Europe/Berlin\n  date: 2026-03-28\n").replace(
        "  curfew: 21:30\n", "  curfew: 2:30\n  also:\n    - {at: 2:15, say: van leaves}\n"
    )
    found = warned(duo(tmp_path, changed))
    assert (
        10,
        "`curfew`: 2:30 on 2026-03-29 does not exist, as clocks are put forward then; it counts as 3:30",
    ) in found
    assert (
        12,
        "`van leaves`: 2:15 on 2026-03-29 does not exist, as clocks are put forward then; it counts as 3:15",
    ) in found
    back = changed.replace("2026-03-28", "2026-10-24")
    assert (
        10,
        "`curfew`: 2:30 on 2026-10-25 comes twice, as clocks are put back then; the first is meant",
    ) in warned(duo(tmp_path, back))
