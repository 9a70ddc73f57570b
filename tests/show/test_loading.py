"""All faults of all files come at once, in order; and no file holds the loader up."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Final

import pytest
from demo_copies import RIG, SETLIST, Copy

from stagectl.errors import FileFaults
from stagectl.show.faults import FAULTS_MAX
from stagectl.show.load import Loading, load_profile, load_show
from stagectl.show.mapping import MappingModel
from stagectl.show.rig import RigModel
from stagectl.show.yamltext import BYTES_MAX


@pytest.fixture
def nine(tmp_path: Path) -> Copy:
    return Copy(tmp_path, "nine-songs")


def test_many_faults_of_five_files_come_at_once_in_order(nine: Copy) -> None:
    nine.plant(SETLIST, "fade: 1.5 ", "fade: soon #!")
    nine.plant(SETLIST, "    snare: -24\n", "    snair: -24 #!\n")
    nine.plant(SETLIST, "singer: {tracks: up 2}", "singer: {tracks: upp 2} #!")
    nine.plant(SETLIST, "- {to: keys rig, message: strings}", "- {to: keys rig, message: string} #!")
    nine.plant(SETLIST, "drummer: {click: -3}", "drummer: {click: 3} #!")
    nine.plant(RIG, "  - {name: kick, socket: 1}", "  - {name: kick, socket: first} #!")
    nine.plant(RIG, "    ceilings: {click: -1}", "    ceilings: {clik: -1} #!")
    nine.plant(RIG, "    mix: 5\n", "    mix: 4 #!\n")
    nine.plant("control-change.yaml", "  channel: 16  ", "  chanel: 16 #! #")
    nine.plant("two-switch.yaml", "    hold: back", "    hold: bakc #!")
    nine.plant("two-switch.yaml", "press: {nudge: click, by: +1}", "press: {nudge: clack, by: +1} #!")
    nine.plant("switch-and-treadle.yaml", "    hold: undo", "    hold: undo\n    hold: next #!")
    found = nine.faults()
    assert [(file, line) for file, line, _ in found] == nine.all_marks()
    assert len(found) == 12


def test_a_broken_rig_does_not_hide_what_is_wrong_in_the_setlist_nor_the_reverse(nine: Copy) -> None:
    nine.plant(RIG, "  - {name: kick, socket: 1}", "  - {name: kick, socket: 0} #!")
    nine.plant(SETLIST, "everyone: {keys: up 3}", "everyone: {keyz: up 3} #!")
    assert [says for _, _, says in nine.faults()] == [
        "`keyz` is not an input or a group of this rig; did you mean `keys`?",
        "`socket`: `0` is not a whole number from 1 to 1,024",
    ]
    nine.plant(SETLIST, "rig: rig.yaml", "rig: rig.yaml\nfade : x #!")
    nine.plant(SETLIST, "fade: 1.5 ", "# ")
    assert [says for _, _, says in nine.faults()] == [
        "`fade`: `x` is not a time from 0 to 60 s, such as `2`, `2.5 s` or `250 ms`",
        "`keyz` is not an input or a group of this rig; did you mean `keys`?",
        "`socket`: `0` is not a whole number from 1 to 1,024",
    ]
    assert [(file, line) for file, line, _ in nine.faults()] == nine.all_marks()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("  - {name: kick, socket: 1}", "  - {name: [], socket: 1}"),
        ("  - {name: kick, socket: 1}", "  - {nmae: kick, socket: 1}"),
        ("  - {name: kick, socket: 1}", "  - kick"),
        ("    own input: lead vocal", "    own: lead vocal"),
        ("ceiling: 0  ", "ceiling: loud #"),
        ("    ceilings: {click: -12}", "    ceilings: {click: low}"),
        ("  port: desk", "  prot: desk"),
        ("    port: keys rig\n", "    port: \n"),
        ("      organ: {program: 16, channel: 3}", "      organ: {program: 16, channel: 33}"),
        ("    stop: {realtime: stop}", "    stop: {realtime: halt}"),
        ("  - name: singer\n    mix: 1\n", "  - name: singer\n    mix: one\n"),
        ("  - name: singer\n    mix: 1\n", "  - mix: 1\n"),
        ("desk:\n  profile: control-change\n  port: desk\n  link: din\n", ""),
    ],
)
def test_one_fault_of_a_rig_brings_no_other_faults_with_it(old: str, new: str, nine: Copy) -> None:
    """Names that the broken part may have held are not said to be unknown."""
    nine.plant(RIG, old, new)
    assert [file for file, _, _ in nine.faults()] == [RIG]


def test_lines_are_right_behind_a_part_that_could_not_be_used(nine: Copy) -> None:
    nine.plant(RIG, "  - {name: kick, socket: 1}", "  - {name: kick, socket: 0} #!")
    nine.plant(RIG, "  - {name: hi-hat, socket: 3}", "  - {name: hi-hat} #!")
    nine.plant(RIG, "  - {name: click, socket: 15}", "  - {name: click, socket: 14} #!")
    nine.plant(SETLIST, "  - name: Slow Tram Home", "  - nane: Slow Tram Home #!")
    nine.plant(SETLIST, "      - name: half time\n", "      - name: half time\n        speed: 2 #!\n")
    nine.plant(SETLIST, "  - name: Goodnight, Harbour", "  - name: Ten Past Never #!")
    nine.plant(SETLIST, "everyone: {guitar vocal: up 4,", "everyone: {guitar vocals: up 4, #!\n     ")
    found = nine.faults()
    assert [(file, line) for file, line, _ in found] == nine.all_marks()


def test_slips_in_several_files_are_found_in_one_go(nine: Copy) -> None:
    nine.plant("control-change.yaml", "over: midi", "over:midi\n#!")
    nine.plant("two-switch.yaml", "    press: next", "\tpress: next #!")
    nine.plant("switch-and-treadle.yaml", "    hold: undo", "    hold: 'undo #!")
    nine.plant(SETLIST, "everyone: {keys: up 3}", "everyone: {keyz: up 3} #!")
    found = nine.faults()
    assert [file for file, _, _ in found] == [file for file, _ in nine.all_marks()]
    assert len(found) == 4


def test_faults_are_bounded(nine: Copy) -> None:
    rows = "".join(f"    thing {at}: up 1\n" for at in range(FAULTS_MAX + 1))
    nine.plant(SETLIST, "venues:\n", f"venues:\n  far away:\n   singer:\n{rows}")
    found = nine.faults()
    assert len(found) == FAULTS_MAX + 1
    assert found[-1][2] == "there are more faults; mend these first"
    nine.plant(SETLIST, "    thing 0: up 1\n", "")
    assert len(nine.faults()) == FAULTS_MAX


MUCH: Final = 12_000
"""Entries of which each is wrong: were each compared with all before it, they would take many times as long."""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("venues:\n", "venues:\n  far away:\n   singer: {" + "".join(f"{at}: x, " for at in range(MUCH)) + "}\n"),
        ("venues:\n", "venues:\n  far away:\n   singer: {" + "".join(f"{at}: 1, " for at in range(MUCH)) + "}\n"),
        ("title: nine songs\n", "title: nine songs\n" + "".join(f"key {at}: 1\n" for at in range(MUCH))),
        ("songs:\n", "songs:\n" + "".join(f"  - name: song {at}\n" for at in range(MUCH // 2))),
        ("fade: 1.5 ", f"fade: {'1' * 3_000_000} "),
        ("    lead vocal: -3\n", f"    lead vocal: -{'1' * 3_000_000}\n"),
        ("title: nine songs", f"title: {'x' * 3_000_000}"),
    ],
    ids=["values", "names", "keys", "songs", "time", "level", "name"],
)
def test_a_file_with_very_much_wrong_is_told_in_time(old: str, new: str, nine: Copy) -> None:
    nine.plant(SETLIST, old, new)
    began = time.process_time()
    found = nine.faults()
    assert time.process_time() - began < 4
    assert 1 <= len(found) <= FAULTS_MAX + 1
    assert all(len(says) < 1_000 for _, _, says in found)


# -- files that are no files ------------------------------------------------------------------------------


def _faults(path: Path) -> list[str]:
    with pytest.raises(FileFaults) as found:
        load_show(path)
    return [str(fault) for fault in found.value.faults]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert _faults(tmp_path / "none.yaml") == [f"{tmp_path}/none.yaml: there is no such file or folder"]
    assert _faults(tmp_path) == [f"{tmp_path}/setlist.yaml: there is no such file"]


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "setlist.yaml")
    assert _faults(tmp_path) == [f"{tmp_path}/setlist.yaml: it is a named pipe, and no file"]


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no endless file here")
def test_an_endless_file_is_not_read() -> None:
    assert _faults(Path("/dev/zero")) == ["/dev/zero: it is a device, and no file"]


def test_a_rig_that_is_a_pipe_or_a_folder_is_not_read(nine: Copy) -> None:
    (nine.folder / RIG).unlink()
    os.mkfifo(nine.folder / RIG)
    assert nine.faults()[0][2] == "`rig.yaml` beside setlist.yaml is not a file"
    (nine.folder / RIG).unlink()
    (nine.folder / RIG).mkdir()
    assert nine.faults()[0][2] == "`rig.yaml` beside setlist.yaml is not a file"


def test_a_tempo_file_that_is_a_pipe_is_not_waited_for(nine: Copy) -> None:
    nine.plant(SETLIST, "    tempo: 100\n    metre: 6/8\n", "    tempo file: band.mid\n")
    os.mkfifo(nine.folder / "band.mid")
    [(file, _, says)] = nine.faults()
    assert (file, says) == (SETLIST, "`band.mid`: it is a named pipe, and no file")


def test_no_more_is_read_than_the_bound(nine: Copy) -> None:
    with (nine.folder / SETLIST).open("ab") as file:
        file.truncate(50_000_000)
    began = time.process_time()
    assert nine.faults() == [(SETLIST, 0, f"the file has more than {BYTES_MAX:,} bytes, the most that is read")]
    assert time.process_time() - began < 2


@pytest.mark.parametrize("name", ["x" * 200, "é" * 200, "\U0001f3b8" * 200, "../rig", "a/b", "..", ".", "con", "a\\b"])
def test_a_name_that_cannot_be_a_file_is_a_fault(name: str, nine: Copy) -> None:
    nine.plant(RIG, "mapping: two-switch\n", f"mapping: '{name}' #!\n")
    nine.plant(RIG, "profile: control-change", f"profile: '{name}' #!")
    found = nine.faults()
    assert [(file, line) for file, line, _ in found] == nine.all_marks()
    assert all("nor one that ships with the program" in says for _, _, says in found)


@pytest.mark.parametrize("name", ["x" * 200, "\U0001f3b8" * 200, "rig\\0.yaml", "rigs", "."])
def test_a_rig_that_cannot_be_a_file_is_a_fault(name: str, nine: Copy) -> None:
    nine.plant(SETLIST, "rig: rig.yaml", f'rig: "{name}" #!')
    found = nine.faults()
    assert [(file, line) for file, line, _ in found] == nine.all_marks()


def test_only_what_looks_like_a_rig_is_offered_for_one_that_is_missing(nine: Copy) -> None:
    nine.plant("presses.yaml", "", "presses: []\n")
    raw = (nine.folder / RIG).read_text("utf-8")
    (nine.folder / RIG).unlink()
    assert [says for _, _, says in nine.faults()] == ["there is no file `rig.yaml` beside setlist.yaml"]
    nine.plant("quintet.yaml", "", raw)
    assert [says for _, _, says in nine.faults()] == [
        "there is no file `rig.yaml` beside setlist.yaml; did you mean `quintet.yaml`?"
    ]


def test_a_rig_in_another_folder_is_found_with_its_mappings_beside_it(nine: Copy) -> None:
    other = nine.folder.parent / "elsewhere"
    other.mkdir()
    for path in nine.folder.glob("*.yaml"):
        if path.name != SETLIST:
            path.rename(other / path.name)
    nine.plant(SETLIST, "rig: rig.yaml", "rig: ../elsewhere/rig.yaml")
    assert nine.faults() == []
    assert load_show(nine.folder).sources["mapping two-switch"].path.name == "two-switch.yaml"


def test_a_mapping_that_two_pedals_use_is_read_once(nine: Copy) -> None:
    nine.plant(RIG, "mapping: switch-and-treadle", "mapping: two-switch")
    nine.plant("two-switch.yaml", "    hold: back", "    hold: bakc #!")
    assert [(file, line) for file, line, _ in nine.faults()] == nine.all_marks()


def test_a_fault_says_its_place_as_file_and_line(nine: Copy) -> None:
    nine.plant(RIG, "  link: din", "  link: wifi #!")
    line = nine.marked(RIG)[0]
    assert _faults(nine.folder) == [f"{nine.folder}/rig.yaml:{line}: `link`: `wifi` is not `din` or `usb`"]


def test_a_file_by_itself_is_a_model_or_nothing(nine: Copy) -> None:
    loading = Loading()
    assert isinstance(loading.read(nine.folder / RIG, RigModel, "rig"), RigModel)
    assert loading.faults == []
    assert loading.read(nine.folder / RIG, MappingModel, "mapping") is None
    assert loading.faults != []


def test_a_profile_by_name_or_by_path(nine: Copy) -> None:
    assert load_profile("control-change") == load_profile(str(nine.folder / "control-change.yaml"))
    with pytest.raises(FileFaults, match="no desk profile of that name; did you mean `control-change`"):
        load_profile("control-chnge")
    nine.plant("control-change.yaml", "over: midi", "over: radio")
    with pytest.raises(FileFaults, match="`over`: `radio` is not `midi` or `osc`"):
        load_profile(str(nine.folder / "control-change.yaml"))


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        (RIG, "rig"),
        ("two-switch.yaml", "mapping"),
        ("control-change.yaml", "profile"),
        ("presses.yaml", "script"),
    ],
)
def test_a_file_of_another_kind_is_told_in_one_line(file: str, kind: str, nine: Copy) -> None:
    nine.plant("presses.yaml", "", "presses: []\n")
    path = nine.folder / file
    assert _faults(path) == [f"{path}: this looks like a {kind}; give the setlist or its folder"]


def test_a_mapping_and_a_profile_may_be_named_with_their_ending(nine: Copy) -> None:
    nine.plant(RIG, "mapping: two-switch\n", "mapping: two-switch.yaml\n")
    nine.plant(RIG, "profile: control-change", "profile: control-change.yaml")
    assert nine.faults() == []
    nine.plant(RIG, "mapping: two-switch.yaml\n", "mapping: two-swich.yaml #!\n")
    assert [says for _, _, says in nine.faults()] == [
        "there is no mapping `two-swich.yaml` beside rig.yaml, nor one that ships with the program; did you mean "
        "`two-switch`?"
    ]


def test_the_names_of_files_beside_the_rig_are_offered(nine: Copy) -> None:
    nine.plant("drum-pads.yaml", "", (nine.folder / "two-switch.yaml").read_text("utf-8"))
    nine.plant("our-board.yaml", "", (nine.folder / "control-change.yaml").read_text("utf-8"))
    nine.plant(RIG, "mapping: two-switch\n", "mapping: drum-pad\n")
    nine.plant(RIG, "profile: control-change", "profile: our-bord")
    says = [says for _, _, says in nine.faults()]
    assert [one.rpartition("; ")[2] for one in says] == ["did you mean `our-board`?", "did you mean `drum-pads`?"]
    nine.plant(RIG, "mapping: drum-pad\n", "mapping: qqq\n")
    known = nine.faults()[1][2]
    assert "`drum-pads`" in known
    assert "rig`" not in known
    assert "our-board" not in known


def test_a_profile_whose_ending_was_left_out(nine: Copy, monkeypatch: pytest.MonkeyPatch) -> None:
    nine.plant("our-board.yaml", "", (nine.folder / "control-change.yaml").read_text("utf-8"))
    with pytest.raises(FileFaults, match=r"/our-board: there is no such file; did you mean `our-board\.yaml`\?"):
        load_profile(str(nine.folder / "our-board"))
    with pytest.raises(FileFaults, match=r"/our-desk: there is no such file; the name of a profile of your own ends"):
        load_profile(str(nine.folder / "our-desk"))
    monkeypatch.chdir(nine.folder)
    with pytest.raises(FileFaults, match=r"^our-board: there is no such file; did you mean `our-board\.yaml`\?"):
        load_profile("our-board")


def test_a_number_that_suits_no_rig_is_a_fault_of_the_profile_itself(nine: Copy) -> None:
    nine.plant("control-change.yaml", "    channel: {first: 1, per mix: 1}             #", "    channel: 0 #! #")
    path = nine.folder / "control-change.yaml"
    assert nine.faults() == [(path.name, nine.marked(path.name)[0], "`channel`: channel 0 is outside 1 to 16")]
    with pytest.raises(FileFaults, match=r"control-change\.yaml:[0-9]+: `channel`: channel 0 is outside 1 to 16"):
        load_profile(str(path))


def test_a_number_that_suits_some_rig_is_no_fault_of_the_profile(nine: Copy) -> None:
    nine.plant(
        "control-change.yaml",
        "    channel: {first: 1, per mix: 1}             #",
        "    channel: {first: 0, per mix: 1} #",
    )
    load_profile(str(nine.folder / "control-change.yaml"))
    assert {file for file, _, _ in nine.faults()} == {RIG}
