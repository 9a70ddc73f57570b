"""Times that are typed with a point, where a colon may be meant."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.time_fit import time_advice

RIG = """\
inputs: [{name: a, socket: 1}]
listeners: [{name: ann, mix: 1}]
desk: {profile: osc-decibels, host: 127.0.0.1:9000}
players: [{name: box, port: box, start: {mmc: play}, stop: {mmc: stop}}]
"""


def told(folder: Path, length: str | None, *places: str) -> list[tuple[int, str]]:
    """Line and sentence of each warning of a song. `places`: of its sections, from line 8 on, each in a line."""
    rows = ["title: t", "rig: rig.yaml", "base: {ann: {a: -6}}", "songs:", "  - name: S"]
    rows += ["    cue: {player: box, number: 1}", "    length: " + length if length else "    notes: none"]
    rows += [] if not places else ["    sections:"]
    rows += [f"      - {{name: s{at}, at: {place}}}" for at, place in enumerate(places)]
    (folder / "rig.yaml").write_text(RIG, "utf-8")
    (folder / "setlist.yaml").write_text("\n".join(rows) + "\n", "utf-8")
    show = load_show(folder)
    return sorted((one.line, one.text) for one in time_advice(show, compile_show(show).plan))


def test_a_length_with_a_point_is_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, "4.30") == [(7, "`4.30` says no unit, so it is 4.3 s; did you mean `4:30`?")]
    assert told(tmp_path, '"0.45"') == [(7, "`0.45` says no unit, so it is 0.45 s; did you mean `0:45`?")]


def test_a_place_of_a_section_with_a_point_is_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, "4:30", "1.40", "2:15") == [(9, "`1.40` says no unit, so it is 1.4 s; did you mean `1:40`?")]
    assert told(tmp_path, None, "0:30", "40.50") == [
        (10, "`40.50` says no unit, so it is 40.5 s; did you mean `40:50`?")
    ]
    assert [line for line, _ in told(tmp_path, "4.30", "1.40", "2.15")] == [7, 9, 10]


@pytest.mark.parametrize(
    "length",
    ["4:30", "4.30 s", "4.30s", "4300 ms", "4.3", "4.300", "270", "0:04.30", "0.00"],
)
def test_what_says_its_unit_or_has_other_decimals_is_not(length: str, tmp_path: Path) -> None:
    assert told(tmp_path, length) == []


@pytest.mark.parametrize(
    ("length", "places"),
    [
        # No minute has 75 seconds, and no track is longer than an hour.
        ("4.75", ()),
        ("214.30", ()),
        # Behind the track's end, or the next section.
        ("3:40", ("12.50", "40.50")),
        ("3:40", ("3.40",)),
        (None, ("2.50", "0:30")),
        (None, ("2.50", "8 s")),
    ],
)
def test_what_can_only_be_seconds_is_not(length: str | None, places: tuple[str, ...], tmp_path: Path) -> None:
    assert told(tmp_path, length, *places) == []


@given(st.integers(0, 59), st.integers(0, 59))
def test_every_time_on_a_clock_is_told_from_its_seconds(
    tmp_path_factory: pytest.TempPathFactory, minutes: int, seconds: int
) -> None:
    folder, said = tmp_path_factory.mktemp("clock"), f"did you mean `{minutes}:{seconds:02d}`?"
    assert told(folder, f"{minutes}:{seconds:02d}") == []
    warned = told(folder, f"{minutes}.{seconds:02d}")
    assert [line for line, _ in warned] == [7] * (minutes + seconds > 0)
    assert all(text.endswith(said) for _, text in warned)
