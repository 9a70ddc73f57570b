"""A night that is taken up with edited files: what hands at the desk have moved is still there.

By the same night taken up with the files as they were: an edit that moves no level makes no difference to anything that
was wished for, nor to what the desk is told when it comes back.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from click.testing import CliRunner
from depth import examples
from desk_and_feet import DeskAndFeet, begun, ended, over
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from nights import ROOT

from stagectl.cli.main import main
from stagectl.core.levels import OFF
from stagectl.core.state import State, Wishes
from stagectl.journal.read import open_read, rows
from stagectl.story.rows import as_json
from stagectl.story.words import lines

GUITAR = ("singer", "fiddle")
"""A level that no foot of this show moves."""


@pytest.fixture(autouse=True)
def _own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tmp_path_factory.mktemp("nights")
    monkeypatch.setenv("STATE_DIRECTORY", str(root / "state"))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: root / "spare")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT / "setlists" / "three-songs", tmp_path / "show"))


def edit(folder: Path, old: str, new: str, name: str = "setlist.yaml") -> None:
    file = folder / name
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def in_the_first_song(folder: Path) -> DeskAndFeet:
    """A night whose first song has come to rest at the desk."""
    night = DeskAndFeet(folder, begun(folder, folder / "a.night"))
    night.comes()
    night.press("on")
    night.waits(10)
    return night


def killed_then(folder: Path, night: DeskAndFeet, *edits: tuple[str, str]) -> DeskAndFeet:
    """The process is killed, files are edited, and the night is taken up at the same desk."""
    ended(night)
    for old, new in edits:
        edit(folder, old, new)
    return DeskAndFeet(folder, begun(folder, night.path), night.desk)


def wished(state: State) -> tuple[Any, ...]:
    """What was wished for and what follows from it. Presses of the desk's own have no numbers in a translated night."""
    undo = [(one.who, _bare(one.before), _bare(one.after), one.hand) for one in state.undo]
    return _bare(state.wishes), undo, state.wanted, state.steps, state.left, state.recalled


def _bare(wishes: Wishes) -> Wishes:
    bare = (
        {send: replace(one, trail=tuple(replace(gave, press=None) for gave in one.trail)) for send, one in kept.items()}
        for kept in wishes.nudges
    )
    return wishes.nudged(tuple(map(MappingProxyType, bare)))


def replays(path: Path) -> None:
    """What the journal tells is what its events lead to."""
    result = CliRunner().invoke(main, ["replay", str(path)])
    assert result.exit_code == 0, result.output


def test_a_hand_stays_where_only_the_fade_was_edited(folder: Path) -> None:
    night = in_the_first_song(folder)
    night.hand(GUITAR, -1_600)
    night.hand(("fiddler", "voice"), OFF)
    stood = dict(night.desk)
    on = killed_then(folder, night, ("fade: 1\n", "fade: 2\n"))
    taken = on.of.taken_up
    assert taken is not None and taken.changed and not taken.edits
    assert len(taken.warnings()) == 1
    on.comes()
    assert on.desk == stood and not on.told
    assert stood[on.plan.sends_by_name[GUITAR]] == -1_600
    # The next song keeps it, as it does without an edit.
    on.press("on")
    on.waits(10)
    assert on.desk[on.plan.sends_by_name[GUITAR]] == -1_800
    ended(on)
    replays(on.path)


def test_what_an_edit_does_move_is_said_and_nothing_else(folder: Path) -> None:
    night = in_the_first_song(folder)
    night.hand(GUITAR, -1_600)
    night.hand(("singer", "stomp"), -2_100)
    on = killed_then(folder, night, ("accordion: -12, stomp: -18}", "accordion: -13, stomp: -16}"))
    taken = on.of.taken_up
    assert taken is not None
    # 3 dB below the file's own level, as the hand left it.
    assert [line.split("  ")[-1] for line in lines(taken.edits)] == [
        "the edited files: singer: accordion -12 dB → -13 dB",
        "the edited files: singer: stomp -21 dB → -19 dB",
    ]
    on.comes()
    assert on.desk[on.plan.sends_by_name[GUITAR]] == -1_600
    assert on.desk[on.plan.sends_by_name["singer", "stomp"]] == -1_900
    ended(on)
    replays(on.path)


def test_the_clock_on_the_wall_was_not_set(folder: Path) -> None:
    """Between two lines of one night as much time passes by both clocks, by a plain reader."""
    night = DeskAndFeet(folder, begun(folder, folder / "a.night"))
    night.comes()
    night.press("on")
    on = killed_then(folder, night, ("stomp: -18}", "stomp: -16}"))
    on.comes()
    over(on)
    with closing(sqlite3.connect(night.path)) as journal:
        kinds = [kind for (kind,) in journal.execute("SELECT kind FROM story ORDER BY id")]
        apart = journal.execute("SELECT max(wall - at / 1000) - min(wall - at / 1000) FROM story").fetchone()
        again = kinds.index("resumed")
        assert kinds[again - 1] == "link" and kinds[again + 1] == "change"
        assert apart[0] < 1_000_000


def test_what_an_edit_turns_off_stays_off_and_the_hand_counts_in_the_next_song(folder: Path) -> None:
    night = in_the_first_song(folder)
    night.hand(GUITAR, -1_600)
    on = killed_then(folder, night, ("singer: {fiddle: up 2}", "singer: {fiddle: off}"))
    send = on.plan.sends_by_name[GUITAR]
    on.comes()
    assert on.desk[send] is OFF
    on.press("on")
    on.waits(10)
    assert on.desk[send] == -1_800
    ended(on)
    replays(on.path)


def test_a_hand_above_the_ceiling_is_left_there(folder: Path) -> None:
    night = in_the_first_song(folder)
    night.hand(("accordionist", "voice"), 200)
    stood = dict(night.desk)
    on = killed_then(folder, night, ("fade: 1\n", "fade: 2\n"))
    on.comes()
    assert on.desk == stood and not on.told
    ended(on)
    replays(on.path)


def test_a_hand_that_moves_while_nothing_runs_is_adopted_after_an_edit_too(folder: Path) -> None:
    night = in_the_first_song(folder)
    send = night.plan.sends_by_name[GUITAR]
    ended(night)
    night.desk[send] = -2_000
    edit(folder, "fade: 1\n", "fade: 2\n")
    on = DeskAndFeet(folder, begun(folder, night.path), night.desk)
    on.comes()
    assert on.desk[send] == -2_000 and not on.told
    assert on.state.undo[-1].hand == send
    ended(on)
    replays(on.path)


def test_a_hand_that_the_process_did_not_see_come_to_rest_is_adopted(folder: Path) -> None:
    night = in_the_first_song(folder)
    send = night.plan.sends_by_name[GUITAR]
    night.hand(GUITAR, -2_000, rests=False)
    assert night.state.touches
    on = killed_then(folder, night, ("fade: 1\n", "fade: 2\n"))
    on.comes()
    assert on.desk[send] == -2_000 and not on.told and on.state.undo[-1].hand == send
    ended(on)
    replays(on.path)


def test_what_is_not_in_the_new_files_is_left_out_and_said(folder: Path) -> None:
    night = in_the_first_song(folder)
    night.hand(("singer", "stomp"), -2_100)
    night.hand(GUITAR, -1_600)
    ended(night)
    edit(folder, "name: stomp", "name: boards", "rig.yaml")
    setlist = folder / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("stomp:", "boards:"))
    on = DeskAndFeet(folder, begun(folder, night.path), night.desk)
    taken = on.of.taken_up
    assert taken is not None
    said = "hands at the desk had moved what is not in the new files any more: stomp in the mix of singer"
    assert said in taken.warnings()
    on.comes()
    assert on.desk[on.plan.sends_by_name[GUITAR]] == -1_600
    ended(on)
    replays(on.path)


def test_other_sockets_are_other_faders(folder: Path) -> None:
    """What the desk has at them is no hand of anybody's, and what a hand has put goes along to the new ones."""
    night = in_the_first_song(folder)
    night.hand(GUITAR, -1_600)
    ended(night)
    edit(folder, "name: fiddle, socket: 2", "name: fiddle, socket: 12", "rig.yaml")
    edit(folder, "phantom: [2, 3]", "phantom: [12, 3]", "rig.yaml")
    on = DeskAndFeet(folder, begun(folder, night.path), night.desk)
    send = on.plan.sends_by_name[GUITAR]
    on.desk[send] = OFF
    undone = len(on.state.undo)
    on.comes()
    assert on.desk[send] == -1_600 and len(on.state.undo) == undone
    ended(on)


def test_another_set_is_rehearsed_with_the_hands_of_that_night(folder: Path) -> None:
    """What was is what the journal tells, and hands are on both sides."""
    night = in_the_first_song(folder)
    # As high as a foot may go; so the next press was refused.
    night.hand(("fiddler", "fiddle"), 0)
    night.press("more")
    night.hand(GUITAR, -1_600)
    ended(night)
    other = Path(shutil.copytree(folder, folder.parent / "other"))
    replayed = CliRunner().invoke(main, ["replay", str(night.path), "--setlist", str(other)])
    assert "nothing would have been different; 2 hands at the desk went along" in replayed.output
    edit(other, "fiddler: {own: -4,", "fiddler: {own: -6,")
    told = json.loads(CliRunner().invoke(main, ["replay", str(night.path), "--setlist", str(other), "--json"]).output)
    assert (told["hands"], told["hands left out"]) == (2, [])
    was = [row for pair in told["differ"] for row in pair["was"]]
    with closing(open_read(night.path)) as connection:
        kept = [as_json(row) for _, _, row in rows(connection)]
    assert was and all(row in kept for row in was)
    assert [row["kind"] for row in was][-1] == "refusal"
    # A show without what a hand moved says so.
    edit(other, "name: fiddle, socket", "name: viola, socket", "rig.yaml")
    edit(other, "own input: fiddle", "own input: viola", "rig.yaml")
    setlist = other / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("fiddle:", "viola:"))
    gone = CliRunner().invoke(main, ["replay", str(night.path), "--setlist", str(other)])
    says = "2 hands at the desk went along, but what they moved is not in this show: fiddle in the mix of fiddler and"
    assert f"{says} 1 more" in gone.output


FEET = st.sampled_from(["on", "back", "more", "less", "hush", "undo", "clear"])
HANDS = st.tuples(
    st.sampled_from([(who, what) for who in ("singer", "fiddler") for what in ("voice", "fiddle", "whole mix")]),
    st.sampled_from([OFF, -6_000, -2_000, -1_234, -600, -300, 0, 300]),
    st.booleans(),
)
STEPS = st.lists(st.one_of(FEET, HANDS), max_size=12)

EDITS = (("title: three songs", "title: four songs"), ("title: four songs", "title: five songs"))
"""Nothing that a foot, a hand or a desk could notice."""


def with_undo(folder: Path) -> Path:
    """The demo with feet for `undo` and `clear nudges` as well, and a sum that hands can reach."""
    rig = folder / "rig.yaml"
    rig.write_text(rig.read_text() + "mix ceiling: -2\n")
    mapping = (ROOT / "mappings" / "pedals" / "osc-buttons.yaml").read_text()
    more = "".join(
        f"  {name}:\n    sends: {{osc: /{name}}}\n    press: {does}\n"
        for name, does in (("undo", "undo"), ("clear", "clear nudges"))
    )
    (folder / "osc-buttons.yaml").write_text(mapping + more)
    return folder


@settings(deadline=None, max_examples=examples(18))
@given(first=STEPS, then=STEPS)
@example(first=["on", "on", (("fiddler", "whole mix"), 300, False)], then=[])
@example(first=["on", (("fiddler", "whole mix"), 300, True)], then=[(("fiddler", "whole mix"), -600, True), "on"])
def test_an_edit_that_moves_no_level_makes_no_difference(
    tmp_path_factory: pytest.TempPathFactory, first: list[Any], then: list[Any]
) -> None:
    """Twice the same night: killed twice, once with edits in between and once without."""
    ends = []
    for edits in ((), EDITS):
        root = tmp_path_factory.mktemp("night")
        folder = with_undo(Path(shutil.copytree(ROOT / "setlists" / "three-songs", root / "show")))
        night = DeskAndFeet(folder, begun(folder, root / "a.night"))
        night.comes()
        states: list[tuple[Any, ...]] = []
        for at, steps in enumerate((first, then)):
            for step in steps:
                if isinstance(step, str):
                    night.press(step)
                else:
                    night.hand(step[0], step[1], rests=step[2])
            night.waits(5)
            night = killed_then(folder, night, *edits[at : at + 1])
            states.append((wished(night.state), dict(night.state.known.before)))
            night.comes()
            states.append((wished(night.state), night.desk.copy(), night.told.copy()))
        ended(night)
        replays(night.path)
        with closing(sqlite3.connect(night.path)) as journal:
            assert journal.execute("SELECT count(DISTINCT since) FROM files").fetchone() == (1 + len(edits),)
        ends.append(states)
    plain, edited = ends
    assert plain[1][1:] == edited[1][1:]
    for one, other in zip(plain, edited, strict=True):
        assert one[0] == other[0]
        assert one[1:] == other[1:] or len(one) == 2


@pytest.mark.parametrize("edits", [1, 2])
def test_no_press_has_the_number_of_another(folder: Path, edits: int) -> None:
    """Also where the desk has taken numbers before the edit that the new files know nothing of."""
    night = in_the_first_song(folder)
    for turn in range(edits):
        night.hand(GUITAR, -300 - 100 * turn)
        night.waits(2)
        night.press("on")
        night.waits(10)
        night = killed_then(folder, night, (f"fade: {turn + 1}\n", f"fade: {turn + 2}\n"))
        night.comes()
        night.press("on")
        night.waits(10)
    ended(night)
    with closing(sqlite3.connect(night.path)) as connection:
        numbers = [one for (one,) in connection.execute("SELECT press FROM story WHERE kind = 'press' ORDER BY id")]
        causes = connection.execute(
            "SELECT press FROM story WHERE kind = 'change' AND press IS NOT NULL GROUP BY press "
            "HAVING count(DISTINCT who || what) > 1"
        ).fetchall()
    assert len(numbers) == 1 + 2 * edits
    assert numbers == sorted(set(numbers))
    assert causes == []
