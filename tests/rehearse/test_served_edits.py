"""A rehearsal that goes on by edited files: where it was, with what was wished for, and with a desk that follows."""

from __future__ import annotations

import os
import random
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from stagectl.core.actions import FallBack, GoTo, Hush, Next, Nudge, Recall, StartCue
from stagectl.core.events import Event, Moved, Wanted
from stagectl.core.levels import Off
from stagectl.core.plan import MS
from stagectl.rehearse.carry import Carried, carry
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.room import FirstOfLevel, Moment, Room
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.edits import BESIDE_MAX, Edits, look
from stagectl.show.load import load_show
from stagectl.story.rows import Row, stop_names

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"
SECOND = 1_000_000_000


def room_of(folder: Path) -> Room:
    show = load_show(folder)
    room = Room(show, compile_show(show))
    room.open()
    return room


def carried(old: Room, folder: Path, now: int = 20 * SECOND) -> Carried:
    show = load_show(folder)
    return carry(old, show, compile_show(show), now)


def told(moments: list[Moment]) -> list[Moment]:
    """What people and the desk are told; lamps are told anew each time."""
    return [one for one in moments if isinstance(one, Row | FirstOfLevel)]


def wanted(action: object, listener: int | None = None) -> Event:
    return Wanted(action=action, who="page", listener=listener)  # type: ignore[arg-type]


def copied(to: Path) -> Path:
    """The demo, without what makes most of a night's steps: the length of its fades and rises."""
    folder = Path(shutil.copytree(DEMO, to))
    path = folder / "setlist.yaml"
    path.write_text(re.sub(r"fade: [1-9][\d.]*", "fade: 0.2", path.read_text("utf-8")), "utf-8")
    with (folder / "rig.yaml").open("a", encoding="utf-8") as rig:
        rig.write("\nlimits: {rise: 1000}\n")
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return copied(tmp_path / "show")


def edit(folder: Path, *pairs: tuple[str, str], file: str = "setlist.yaml") -> None:
    path = folder / file
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text, "utf-8")


def in_song(folder: Path, stop: int = 3) -> Room:
    """A rehearsal at a stop (3: Slow Tram Home), where the singer has nudged and the drummer is hushed."""
    room = room_of(folder)
    room.do(wanted(GoTo(stop=stop)), SECOND)
    room.do(wanted(Nudge(by=100), 0), 6 * SECOND)
    room.do(wanted(Hush(), 1), 7 * SECOND)
    room.wait(20 * SECOND)
    return room


def test_the_night_stays_where_it_is_and_only_what_was_edited_moves(folder: Path) -> None:
    old = in_song(folder)
    edit(folder, ("acoustic: up 4, kick: off, snare: off", "acoustic: up 6, kick: off, snare: off"))
    new, moments, said = carried(old, folder)
    assert said == []
    assert new.state.place == old.state.place
    assert new.state.nudges == old.state.nudges
    assert new.state.hushed == old.state.hushed
    rows = [one for one in moments if isinstance(one, Row)]
    assert [(row.kind, row.listener, row.input, row.before, row.after, row.who) for row in rows] == [
        ("change", "singer", "acoustic", -1_000, -800, "edited files")
    ]
    moments += new.wait(30 * SECOND)
    assert {one.packet[:2] for one in moments if isinstance(one, FirstOfLevel)} == {b"\xb0\x18"}
    assert new.differences() == []
    assert new.level(new.plan.send(0, 8)) == new.plan.in_steps(new.plan.send(0, 8), -800)


@pytest.mark.parametrize(("edited", "level"), [("lead vocal: up 12", -300), ("lead vocal: up 2", -400)])
def test_what_a_ceiling_held_stays_as_long_as_the_level_that_it_held(folder: Path, edited: str, level: int) -> None:
    """The song brings the voice to +9 dB, under a ceiling of 0 dB; a press of -3 dB is heard from there. Over another
    text it is worth what it says."""
    loud = "acoustic: up 4, lead vocal: up 12, kick: off, snare: off"
    edit(folder, ("acoustic: up 4, kick: off, snare: off", loud))
    old = room_of(folder)
    old.do(wanted(GoTo(stop=3)), SECOND)
    old.do(wanted(Nudge(by=-300), 0), 6 * SECOND)
    old.wait(20 * SECOND)
    voice = old.plan.inputs.index("lead vocal")
    assert old.state.wanted[voice] == -300
    edit(folder, ("lead vocal: up 12", edited), ("title: nine songs", "title: another title"))
    new, _, _ = carried(old, folder)
    assert new.state.wanted[voice] == level


def test_a_song_before_it_is_no_other_place(folder: Path) -> None:
    old = in_song(folder)
    edit(folder, ("  - name: Slow Tram Home\n", "  - name: A New One\n\n  - name: Slow Tram Home\n"))
    new, moments, said = carried(old, folder)
    assert (said, told(moments)) == ([], [])
    assert new.state.place.stop == old.state.place.stop + 1
    assert stop_names(new.plan, new.state.place.stop) == ("Slow Tram Home", None)
    assert new.state.wanted == old.state.wanted


def test_listeners_and_inputs_in_another_order_keep_what_is_theirs(folder: Path) -> None:
    old = in_song(folder)
    kick, snare = "  - {name: kick, socket: 1}\n", "  - {name: snare, socket: 2}\n"
    edit(folder, (kick + snare, snare + kick), file="rig.yaml")
    new, moments, _ = carried(old, folder)
    assert told(moments) == []
    for listener in range(5):
        for column, there in ((0, 1), (1, 0), (10, 10)):
            assert new.state.wanted[new.plan.send(listener, there)] == old.state.wanted[old.plan.send(listener, column)]
    assert new.state.nudges[0].keys() == old.state.nudges[0].keys()


def test_a_place_that_is_gone_is_said(folder: Path) -> None:
    old = in_song(folder, stop=2)
    assert stop_names(old.plan, 2) == ("Lanterns at Low Tide", "last chorus")
    edit(folder, ("name: last chorus\n", "name: final chorus\n"))
    new, _, said = carried(old, folder)
    assert stop_names(new.plan, new.state.place.stop) == ("Lanterns at Low Tide", None)
    gone = "`Lanterns at Low Tide, last chorus` is gone from the setlist: the night is at `Lanterns at Low Tide`"
    assert said == [gone]


def test_a_lower_ceiling_holds_a_nudge_at_once(folder: Path) -> None:
    old = room_of(folder)
    old.do(wanted(GoTo(stop=1)), SECOND)
    old.do(wanted(Nudge(by=300), 0), 6 * SECOND)
    old.wait(20 * SECOND)
    edit(folder, ("ceilings: {click: -12}", "ceilings: {click: -12, lead vocal: -2}"), file="rig.yaml")
    new, moments, _ = carried(old, folder)
    moments += new.wait(40 * SECOND)
    vocal = new.plan.send(0, 10)
    assert (old.state.wanted[vocal], new.state.wanted[vocal]) == (0, -200)
    level = new.level(vocal)
    assert isinstance(level, int)
    assert level <= -200
    # Nothing has wound up: the whole of a press down is heard.
    new.do(wanted(Nudge(by=-100), 0), 41 * SECOND)
    assert new.state.wanted[vocal] == -300


def test_the_track_runs_on_to_where_its_section_is_now(folder: Path) -> None:
    old = room_of(folder)
    old.do(wanted(Next()), SECOND)
    old.wait(5 * SECOND)
    edit(folder, ("at: bar 9             #", "at: bar 5             #"))
    new, _, _ = carried(old, folder, 5 * SECOND)
    assert new.state.track == replace(old.state.track, due=13_500 * MS) if old.state.track else False
    rows = [one for one in new.wait(15 * SECOND) if isinstance(one, Row)]
    # Four bars of 96 in 4/4 are 10 s, after one of 2.5 s to count in.
    assert [(row.at, row.section) for row in rows if row.kind == "arrival"] == [(13_500 * MS, "last chorus")]


TRACKS = {
    "rig.yaml": """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: osc-decibels, host: '127.0.0.1:9000'}
players: [{name: box, port: box, start: [{program: cue, channel: 1}], stop: [{program: 0, channel: 1}]}]
""",
    "setlist.yaml": """
title: two tracks
rig: rig.yaml
base: {singer: {voice: -10}}
songs:
  - {name: Seven Gates, cue: {player: box, number: 1}, length: 0:10, then: {next song starts after: 60 s}}
  - {name: The Ferry Waltz, cue: {player: box, number: 2}, length: 0:10, levels: {singer: {voice: -8}}}
""",
}


def test_a_track_that_is_about_to_start_by_itself_starts(tmp_path: Path) -> None:
    """A minute after the end of the one before: the files were edited in that minute."""
    for name, text in TRACKS.items():
        (tmp_path / name).write_text(text, "utf-8")
    old = room_of(tmp_path)
    old.do(wanted(Next()), SECOND)
    old.wait(20 * SECOND)
    assert old.state.starts == 71 * SECOND
    edit(tmp_path, ("voice: -8", "voice: -9"))
    new, _, said = carried(old, tmp_path, 21 * SECOND)
    assert said == []
    new.wait(72 * SECOND)
    assert new.state.track is not None and new.state.track.number == 2


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copied(tmp_path_factory.mktemp("quick") / "show")


@settings(max_examples=6)
@given(st.integers(0, 10**6))
def test_the_same_files_move_nothing(quick: Path, seed: int) -> None:
    """Whatever was done before; and what is done after is the same as if nothing had been read."""
    chance = random.Random(seed)
    old = room_of(quick)
    at = SECOND
    for _ in range(chance.randint(0, 12)):
        at += chance.randint(1, 8_000) * MS
        old.do(_some(chance), at)
    old.settle()
    new, moments, said = carried(old, quick, at)
    assert (said, told(moments + new.settle())) == ([], [])
    assert new.state.wishes == old.state.wishes
    assert (new.state.wanted, new.state.asked, new.state.undo) == (old.state.wanted, old.state.asked, old.state.undo)
    # The lamps were told anew, which took the new one a moment.
    at = max(at, old.state.now, new.state.now)
    for number in range(6):
        event = _some(chance)
        if not isinstance(event, Moved):
            was = [one for one in old.do(event, at + number * 9 * SECOND) if isinstance(one, Row)]
            now = [one for one in new.do(event, at + number * 9 * SECOND) if isinstance(one, Row)]
            assert now == was


def _some(chance: random.Random) -> Event:
    whose = chance.randrange(5)
    return chance.choice(
        (
            wanted(Next()),
            wanted(GoTo(stop=chance.randrange(12))),
            wanted(Nudge(by=chance.choice((-300, 100, 300)), column=chance.randrange(16)), whose),
            wanted(Hush(), whose),
            wanted(Recall(scene=0)),
            wanted(FallBack()),
            wanted(StartCue()),
            Moved(pedal=1, control=1, value=chance.randrange(128)),
        )
    )


def test_a_desk_that_answers_is_taken_over_without_a_hand(folder: Path) -> None:
    """It is read again, and says what it was told: nothing of that is news."""
    edit(
        folder,
        ("  profile: control-change\n  port: desk\n  link: din", "  profile: osc-decibels\n  host: 127.0.0.1:9000"),
        file="rig.yaml",
    )
    old = in_song(folder)
    assert old.plan.answers.reads
    new, moments, _ = carried(old, folder)
    moments += new.wait(40 * SECOND)
    assert told(moments) == []
    assert new.state.desk_here
    assert new.state.asked == old.state.asked


def test_what_plays_presses_on_by_name(folder: Path) -> None:
    """In the middle of a script, the pedals of the rig change their places."""
    seen: list[Moment] = []
    drive = Drive(room_of(folder), 0, seen.extend)
    script = [one for one in read_script(folder / "presses.yaml", drive.room.plan) if one.at < 70 * SECOND]
    drive.play(0, "a script", script)
    drive.go_on(30 * SECOND)
    text = (folder / "rig.yaml").read_text("utf-8")
    first, second = text.index("  - name: drum pedal"), text.index("  - name: vocal pedal")
    third = text.index("  - name: keys pedal")
    (folder / "rig.yaml").write_text(text[:first] + text[second:third] + text[first:second] + text[third:], "utf-8")
    drive.take(30 * SECOND, carried(drive.room, folder, 30 * SECOND).room)
    drive.go_on(90 * SECOND)
    plain = Room(load_show(DEMO), compile_show(load_show(DEMO)))
    presses = read_script(DEMO / "presses.yaml", plain.plan)
    rows = [one for one in plain.play(one for one in presses if one.at < 70 * SECOND) if isinstance(one, Row)]

    def pressed(some: list[Row]) -> list[tuple[object, ...]]:
        return [(row.at, row.pedal, row.control, row.gesture, row.what) for row in some if row.kind == "press"]

    assert pressed([one for one in seen if isinstance(one, Row)]) == pressed(rows)


def test_off_stays_off(folder: Path) -> None:
    old = in_song(folder)
    new, _, _ = carried(old, folder)
    pairs = zip(old.state.asked, new.state.asked, strict=True)
    assert all(isinstance(now, Off) for was, now in pairs if isinstance(was, Off))


# -- noticing ---------------------------------------------------------------------------------------------


def test_a_file_is_read_once_it_has_come_to_rest(tmp_path: Path) -> None:
    path = tmp_path / "setlist.yaml"
    path.write_text("one")
    edits = Edits(look([str(path)], tmp_path))
    assert not edits.are_new(look([str(path)], tmp_path))
    path.write_text("")
    assert not edits.are_new(look([str(path)], tmp_path))
    path.write_text("one and two")
    assert not edits.are_new(look([str(path)], tmp_path))
    assert edits.are_new(look([str(path)], tmp_path))
    assert not edits.are_new(look([str(path)], tmp_path))


def test_a_save_that_replaces_the_file_is_noticed(tmp_path: Path) -> None:
    """As editors do that write beside it and rename (POSIX: rename); same size, same time."""
    path, other = tmp_path / "setlist.yaml", tmp_path / "other"
    path.write_text("one")
    stamp = path.stat()
    edits = Edits(look([str(path)], tmp_path))
    other.write_text("two")
    os.utime(other, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    other.rename(path)
    edits.are_new(look([str(path)], tmp_path))
    assert edits.are_new(look([str(path)], tmp_path))


def test_files_that_go_and_come_are_noticed_and_a_folder_that_is_away_is_borne(tmp_path: Path) -> None:
    path = tmp_path / "show" / "rig.yaml"
    path.parent.mkdir()
    path.write_text("one")
    edits = Edits(look([str(path)], path.parent))
    path.unlink()
    path.parent.rmdir()
    assert [edits.are_new(look([str(path)], path.parent)) for _ in range(3)] == [False, True, False]
    path.parent.mkdir()
    path.write_text("two")
    assert [edits.are_new(look([str(path)], path.parent)) for _ in range(3)] == [False, True, False]


def test_a_folder_of_a_thousand_files_is_looked_at_up_to_a_bound(tmp_path: Path) -> None:
    for at in range(BESIDE_MAX + 50):
        (tmp_path / f"{at}.yaml").touch()
    assert len(look([], tmp_path).stamps) == BESIDE_MAX
