"""The scene map: what a played night comes to, stop by stop, and its jumps as numpy finds them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from stagectl.core.actions import Next, Recall
from stagectl.core.events import Wanted
from stagectl.core.levels import shown
from stagectl.core.plan import MS
from stagectl.rehearse.room import Room
from stagectl.sheet.scene_map import MARKED, SceneMap, scene_map
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

from .made import DEMO, feet, written

VENUES = (None, "Tidewater Hall", "The Brick Cellar")


def map_of(folder: Path, venue: str | None = None) -> SceneMap:
    show = load_show(folder)
    return scene_map(show, compile_show(show, venue))


@pytest.mark.parametrize("venue", VENUES)
def test_each_level_is_what_a_played_night_comes_to(venue: str | None) -> None:
    show = load_show(DEMO)
    compiled = compile_show(show, venue)
    found, plan = scene_map(show, compiled), compiled.plan
    room = Room(show, compiled)
    room.open()
    for stop in range(len(plan.stops)):
        # Before the first press the desk is told nothing; a recall tells it the base.
        room.do(Wanted(action=Next() if stop else Recall(), who="keys"), stop * 500 * MS)
        assert room.state.place.stop == stop
        for at, listener in enumerate(found["listeners"]):
            for row in listener["rows"]:
                column = plan.whole if row["input"] == "whole mix" else plan.inputs.index(row["input"])
                assert row["levels"][stop] == shown(room.state.wanted[plan.send(at, column)])


def test_stops_are_those_of_the_setlist_in_order() -> None:
    found = map_of(DEMO)
    songs = load_show(DEMO).setlist.songs
    expected = [(None, None, 0, "0")]
    for number, song in enumerate(songs, 1):
        expected.append((song.name, None, number, str(number)))  # type: ignore[arg-type]
        expected += [
            (song.name, part.name, number, f"{number}.{at}")  # type: ignore[misc]
            for at, part in enumerate(song.sections, 1)
        ]
    assert [(one["song"], one["section"], one["number"], one["label"]) for one in found["stops"]] == expected
    assert [one["name"] for one in found["listeners"]] == [one.name for one in load_show(DEMO).rig.listeners]
    assert found["listeners"][1]["own"] == "kick"


@pytest.mark.parametrize("venue", VENUES)
def test_jumps_are_those_that_numpy_finds(venue: str | None) -> None:
    """numpy: differences along each row, with `off` as not a number, which no comparison holds for."""
    found = map_of(DEMO, venue)
    expected = set()
    for listener in found["listeners"]:
        rows = [[level if isinstance(level, int) else np.nan for level in row["levels"]] for row in listener["rows"]]
        steps = np.diff(np.array(rows, dtype=float), axis=1)
        for row, stop in zip(*np.nonzero(np.abs(steps) >= MARKED), strict=True):
            name = listener["rows"][row]["input"]
            expected.add((listener["name"], name, int(stop) + 1, int(steps[row, stop])))
    told = [(one["listener"], one["input"], one["stop"], one["by"]) for one in found["jumps"]]
    assert len(expected) >= 10
    assert set(told) == expected and len(told) == len(expected)
    assert [one["stop"] for one in found["jumps"]] == sorted(one["stop"] for one in found["jumps"])


def test_it_is_json_and_says_its_bounds(tmp_path: Path) -> None:
    found = map_of(feet(tmp_path), "Upper Barn")
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert (found["jump"], found["limit"]) == (600, 2_400)
    # The venue's shift counts: -15 dB, down 7.
    (drum,) = [row for row in found["listeners"][1]["rows"] if row["input"] == "drum"]
    assert drum["levels"] == [-2_200] * 4


def small(folder: Path, limits: dict[str, int], after: int | str) -> SceneMap:
    rig = {
        "inputs": [{"name": "fiddle", "socket": 1}],
        "listeners": [{"name": "fiddler", "mix": 1}],
        "desk": {"profile": "control-change", "port": "desk"},
        "limits": limits,
    }
    songs = [{"name": "First", "levels": {"fiddler": {"fiddle": after}}}]
    setlist = {"title": "a", "rig": "rig.yaml", "base": {"fiddler": {"fiddle": -20}}, "songs": songs}
    return map_of(written(folder, rig=rig, setlist=setlist))


@pytest.mark.parametrize(
    ("limits", "after", "jumps"),
    [
        ({}, -14.01, []),
        ({}, -14, [600]),
        ({}, -26, [-600]),
        ({}, "off", []),
        ({"jump": 4}, -16, [400]),
        ({"jump": 4}, -16.01, []),
        ({"jump": 30}, -14, [600]),
    ],
)
def test_at_and_around_the_bound(tmp_path: Path, limits: dict[str, int], after: int | str, jumps: list[int]) -> None:
    assert [one["by"] for one in small(tmp_path, limits, after)["jumps"]] == jumps
