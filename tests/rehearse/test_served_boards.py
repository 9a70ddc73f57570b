"""The boards of a rehearsal that goes on by edited files: what they have told of the night, they tell on."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest
from msgspec.structs import replace

from stagectl.core.actions import GoTo, Nudge
from stagectl.core.events import Wanted
from stagectl.live.going import Going
from stagectl.rehearse.boards import Boards
from stagectl.rehearse.carry import carry
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.room import Moment, Room
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

DEMO: Final = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"
SECOND: Final = 1_000_000_000
SLOW_TRAM_HOME: Final = 3
CLOCKS: Final = ("now", "at")
"""What boards say of the time at which they are made."""


class Night:
    """A rehearsal in a folder, with its boards; its clock, the monotonic one and that on the wall all begin at 0."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        show = load_show(folder)
        compiled = compile_show(show)
        self._seen: list[Moment] = []
        self.boards = Boards(show, compiled, None)
        self.drive = Drive(Room(show, compiled), 0, self._seen.extend)
        self.shown: dict[str, dict[str, Any]] = {}

    def do(self, action: object, at: int, listener: int | None = None) -> None:
        self.drive.want(at, Wanted(action=action, who="page", listener=listener))  # type: ignore[arg-type]
        self.look(at)

    def look(self, at: int) -> dict[str, dict[str, Any]]:
        """Every board at a time."""
        self.drive.go_on(at)
        self.boards.hear(self._seen, self.drive.room.state)
        self._seen.clear()
        self.shown |= {name: dict(board) for name, board in self.boards.changed(self.drive, at, at // 1_000_000)}
        return {name: {key: is_ for key, is_ in one.items() if key not in CLOCKS} for name, one in self.shown.items()}

    def take(self, at: int) -> None:
        """The folder's files are taken up."""
        show = load_show(self._folder)
        compiled = compile_show(show)
        carried = carry(self.drive.room, show, compiled, at)
        boards = Boards(show, compiled, None)
        boards.go_on_from(self.boards, carried.room.state)
        self.boards = boards
        self.drive.take(at, carried.room)
        self._seen.extend(carried.moments)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "show"))


@pytest.fixture
def night(folder: Path) -> Night:
    """In Slow Tram Home since 1 s, where the singer has nudged at 6 s."""
    made = Night(folder)
    made.do(GoTo(stop=SLOW_TRAM_HOME), SECOND)
    made.do(Nudge(by=100), 6 * SECOND, 0)
    return made


def edit(folder: Path, change: Callable[[str], str]) -> None:
    path = folder / "setlist.yaml"
    text = path.read_text("utf-8")
    assert change(text) != text
    path.write_text(change(text), "utf-8")


def test_a_comment_changes_nothing_that_is_shown(folder: Path, night: Night) -> None:
    before = night.look(20 * SECOND)
    edit(folder, lambda text: text + "# A comment.\n")
    night.take(20 * SECOND)
    night.shown.clear()
    after = night.look(20 * SECOND)
    assert before["timeline"]["began"] == 1_000
    assert before["stage"]["clock"]["song_began"] == 1_000
    assert before["stage"]["last"]["what"] == "nudge"
    # Lamps are told anew: that is nobody's press, and no step.
    assert after.pop("wire")["sums"] == before.pop("wire")["sums"]
    after["feet"].pop("pedals")
    before["feet"].pop("pedals")
    assert after == before


def test_the_messages_of_before_are_shown_further(folder: Path, night: Night) -> None:
    before = night.look(20 * SECOND)["wire"]
    edit(folder, lambda text: text + "# A comment.\n")
    night.take(20 * SECOND)
    after = night.look(21 * SECOND)["wire"]
    told = after["count"] - before["count"]
    assert told > 0
    assert after["messages"][:-told] == before["messages"][told:]


def test_the_clock_follows_the_song_to_another_number(folder: Path, night: Night) -> None:
    edit(folder, lambda text: text.replace("  - name: Slow Tram Home\n", "  - name: New\n\n  - name: Slow Tram Home\n"))
    night.look(20 * SECOND)
    night.take(20 * SECOND)
    board = night.look(25 * SECOND)["timeline"]
    assert (board["place"]["song"], board["place"]["number"], board["began"]) == ("Slow Tram Home", 3, 1_000)


def test_a_song_that_is_gone_is_not_the_one_that_stands_there_now(folder: Path, night: Night) -> None:
    edit(folder, lambda text: text.replace("- name: Slow Tram Home\n", "- name: Something Else\n"))
    night.look(20 * SECOND)
    night.take(20 * SECOND)
    board = night.look(25 * SECOND)["timeline"]
    assert (board["place"]["song"], board["began"]) == ("Something Else", 20_000)


def test_what_moved_last_stays_marked_on_the_levels_that_are_still_there(folder: Path, night: Night) -> None:
    before = night.look(20 * SECOND)["room"]
    rig = folder / "rig.yaml"
    kick, snare = "  - {name: kick, socket: 1}\n", "  - {name: snare, socket: 2}\n"
    text = rig.read_text("utf-8")
    assert kick + snare in text
    rig.write_text(text.replace(kick + snare, snare).replace(snare, snare + kick), "utf-8")
    night.do(Nudge(by=100, column=0), 20 * SECOND, 1)
    moved = night.look(21 * SECOND)["room"]
    night.take(22 * SECOND)
    after = night.look(22 * SECOND)["room"]
    width = len(before["inputs"])
    assert [one[0] for one in moved["moved"]] == [width]
    assert [one[:3] for one in after["moved"]] == [[width + 1, *moved["moved"][0][1:3]]]


def test_a_treadle_stands_where_it_stood_whatever_its_pedals_number_is(folder: Path, night: Night) -> None:
    key = (1, 1)
    pedal = night.drive.room.plan.pedals[1]
    assert pedal.controls[1].turns
    night.drive.turn(8 * SECOND, key, 101)
    rig = folder / "rig.yaml"
    text = rig.read_text("utf-8")
    first, second = text.index("  - name: drum pedal"), text.index("  - name: vocal pedal")
    third = text.index("  - name: keys pedal")
    rig.write_text(text[:first] + text[second:third] + text[first:second] + text[third:], "utf-8")
    night.look(20 * SECOND)
    night.take(20 * SECOND)
    assert night.drive.room.plan.pedals[0].name == pedal.name
    board = night.look(21 * SECOND)["feet"]
    assert [[one["value"] for one in box["controls"]] for box in board["pedals"]][:2] == [[None, 101], [None, None]]


def test_the_set_is_counted_down_further(folder: Path, night: Night) -> None:
    """Where the song has no track, what is to go of the set follows from when it began."""
    room = night.drive.room
    night.drive.go_on(20 * SECOND)
    going = Going(load_show(folder), room.plan)
    going.look(replace(room.state, now=SECOND))
    further = Going(load_show(folder), room.plan)
    further.go_on_from(going, room.state)
    for at in (20, 60, 200):
        assert further.to_go(room.state, at * SECOND) == going.to_go(room.state, at * SECOND) is not None
