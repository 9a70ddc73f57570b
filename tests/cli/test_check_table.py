"""The table that `check` prints, and its notes."""

from __future__ import annotations

import re
from itertools import takewhile
from pathlib import Path

import pytest
from click.testing import CliRunner

from stagectl.cli.check import NOTES_MAX, WARNINGS_MAX, _some, command
from stagectl.core.plan import Plan
from stagectl.errors import Advice
from stagectl.show import advice
from stagectl.show.load import Show
from stagectl.where import shipped


def copy(folder: Path, **replaced: str) -> Path:
    """The nine songs with pieces replaced: in the rig, then in the setlist. What rises takes no time of its own."""
    for path in (shipped("setlists") / "nine-songs").glob("*.yaml"):
        text = path.read_text("utf-8")
        for old, new in replaced.items():
            text = text.replace(old, new)
        if path.name == "rig.yaml":
            text += "\nlimits: {rise: 1000}\n"
        if path.name != "presses.yaml":
            (folder / path.name).write_text(text, "utf-8")
    return folder


def check(*arguments: str) -> str:
    """What it prints about a sound show."""
    run = CliRunner().invoke(command, arguments)
    assert run.exit_code == 0, run.output
    return run.output


def rows(said: str) -> list[str]:
    """The rows of the table of changes, with its head."""
    changes = said[said.index("  changes, as the desk is told") :].splitlines()[1:]
    return list(takewhile(lambda line: line.startswith("    "), changes))


def notes(said: str) -> list[str]:
    return [line.removeprefix("  note: ") for line in said.splitlines() if line.startswith("  note: ")]


def test_the_table_of_the_demo() -> None:
    said = check(str(shipped("setlists") / "nine-songs"))
    head, everything, *changes = rows(said)
    assert "over a MIDI cable (31,250 baud, 320 µs a byte):" in said
    # Five listeners' sixteen inputs, three bytes each of 320 µs.
    assert everything.split() == ["everything,", "at", "the", "first", "press", "80", "240", "77", "ms", "cut"]
    assert len(changes) == 9 + 8
    # Numbers end where the words above them end, and every fade has its unit.
    for word in ("levels", "bytes", "on the wire", "fade"):
        end = head.index(word) + len(word)
        assert all(row[end - 1] != " " and row[end : end + 1] in ("", " ") for row in (everything, *changes)), word
    tram = next(row for row in changes if "Slow Tram Home" in row)
    assert re.search(r"\b17 +7 +51 +16 ms +3 s  guitar in the mix of guitarist: -5 dB → -11 dB$", tram)
    # From step to step 10.42 dB, of which 3 (60 ms at 50 dB a second) come at once, and then 1 at most each 20 ms:
    # eight more times; it is told last.
    held_up = (
        "guitar in the mix of keys player takes about 0.17 s to rise at 50 dB a second (`limits: rise`), not a cut"
    )
    assert notes(said) == [f"The Long Corridor, everything: {held_up}"]


def test_a_fade_that_the_wire_is_too_slow_for_is_noted(tmp_path: Path) -> None:
    folder = copy(tmp_path, **{"profile: control-change": "profile: nrpn", "fade: 0.5": "fade: 0.02"})
    said = notes(check(str(folder)))
    # Six levels of twelve bytes: 23 ms.
    assert said == [
        f"Nobody Rows Alone, {section}: telling 6 levels takes 23 ms on the wire, longer than the fade of 0.02 s, so "
        "all jump in one go; a fade of 0.1 s or more helps, or `link: usb` where the desk is on USB"
        for section in ("organ break", "out")
    ]
    usb = copy(tmp_path, **{"link: din": "link: usb", "fade: 0.5": "fade: 0.02"})
    assert notes(check(str(usb))) == []


def test_rises_that_a_slow_link_does_not_keep_up_with_are_noted(tmp_path: Path) -> None:
    """43 messages of ten bytes of 320 µs take 138 ms, so half a second is three frames of 3 dB. From the nudge floor,
    -40 dB, to -5 are 35 dB: 26 more, in nine rounds, each 20 ms behind the last message (134.4 ms) of the one before:
    2 · 166.7 + 134.4 + 9 · 154.4 = 1,857 ms."""
    names = [f"i{at}" for at in range(43)]
    inputs = ", ".join(f"{{name: {name}, socket: {at}}}" for at, name in enumerate(names, 1))
    (tmp_path / "rig.yaml").write_text(
        f"inputs: [{inputs}]\nlisteners: [{{name: ada, mix: 1}}]\nmix ceiling: 20\n"
        "desk: {profile: sysex-checksum, port: desk}\n"
    )
    down = ", ".join(f"{name}: down 1" for name in names[1:])
    songs = "  - name: one\n"
    for song, fade, i0 in (("two", 0.5, -27), ("three", 0.5, -5), ("four", 3, -27), ("five", 3, -5)):
        songs += f"  - {{name: {song}, fade: {fade}, levels: {{ada: {{i0: {i0}, {'' if i0 == -5 else down}}}}}}}\n"
    setlist = f"title: slow\nrig: rig.yaml\nfade: 0.5\nbase: {{ada: {{rest: -5}}}}\nsongs:\n{songs}"
    (tmp_path / "setlist.yaml").write_text(setlist)
    first, three = [note for note in notes(check(str(tmp_path))) if "to rise" in note]
    why = (
        "not its fade of 0.5 s: telling 43 levels takes 138 ms on the wire, and no message raises one by more than 3 "
        "dB or one step (`limits: rise`); fewer levels help, or `link: usb` where the desk is on USB"
    )
    begins = "the first press, where the desk begins with all `off`: i42 in the mix of ada"
    assert first == f"{begins} takes about 1.86 s to rise, {why}"
    # 22 dB, told first: nine of them in the fade; when the last frame is told, three; then alone on the wire, 1 dB each
    # 20 ms: 2 · 166.7 + 134.4 + 20 + 10 · 20 = 688 ms.
    assert three == f"three: i0 in the mix of ada takes about 0.69 s to rise, {why}"


def test_a_cut_that_is_none_is_noted(tmp_path: Path) -> None:
    folder = copy(tmp_path, **{"profile: control-change": "profile: nrpn", "fade: 3": "fade: 0\n    stored scene: 3"})
    slow, stored = notes(check(str(folder)))
    assert slow.startswith("Slow Tram Home: telling 80 levels takes 310 ms on the wire: the last of this cut comes")
    assert stored.startswith("Slow Tram Home recalls a scene that the desk itself stores: what is stored there may be")
    assert "told behind it (310 ms)" in stored


def test_several_songs_with_stored_scenes_share_a_note(tmp_path: Path) -> None:
    fades = {"fade: 3": "fade: 3\n    stored scene: 3", "fade: 4": "fade: 4\n    stored scene: 4"}
    (said,) = notes(check(str(copy(tmp_path, **fades))))
    assert said.startswith("2 songs recall scenes that the desk itself stores")
    assert "missed while the desk is away is not made up for later" in said


def test_a_long_set_is_told_by_its_longest_changes(tmp_path: Path) -> None:
    songs = "".join(f"  - {{name: s {at}, levels: {{ada: {{voice: -{at % 40 + 1}}}}}}}\n" for at in range(100))
    (tmp_path / "rig.yaml").write_text(
        "inputs: [{name: voice, socket: 1}]\nlisteners: [{name: ada, mix: 1}]\n"
        "desk: {profile: control-change, port: desk}\nlimits: {jump: 60}\n"
    )
    setlist = f"title: long\nrig: rig.yaml\nbase: {{ada: {{voice: -50}}}}\nsongs:\n{songs}"
    (tmp_path / "setlist.yaml").write_text(setlist)
    said = check(str(tmp_path))
    assert len(rows(said)) == 2 + 20 + 1
    assert "    … and 80 more, none longer on the wire (under 1 ms); `--all` lists them" in said
    assert len(rows(check(str(tmp_path), "--all"))) == 2 + 100


def test_many_notes_of_a_kind_are_counted() -> None:
    many = [str(at) for at in range(NOTES_MAX + 2)]
    assert list(_some(many, whole=True)) == many
    assert list(_some(many, whole=False))[NOTES_MAX:] == ["and 2 more changes of that kind; `--all` lists them"]


def test_levels_that_a_ceiling_holds_down_are_warned_of(tmp_path: Path) -> None:
    songs = "".join(f"  - {{name: s {at}, levels: {{ada: {{voice: up {at + 1}}}}}}}\n" for at in range(2))
    (tmp_path / "rig.yaml").write_text(
        "inputs: [{name: voice, socket: 1}]\nlisteners: [{name: ada, mix: 1}]\n"
        "desk: {profile: control-change, port: desk}\n"
    )
    (tmp_path / "setlist.yaml").write_text(f"title: loud\nrig: rig.yaml\nbase: {{ada: {{voice: 0}}}}\nsongs:\n{songs}")
    said = check(str(tmp_path)).splitlines()
    warns = "`up 1` takes `voice` of `ada` to +1 dB at `s 0`; the ceiling holds it at 0 dB"
    assert f"{tmp_path}/setlist.yaml:5: warning: {warns}" in said
    assert said[-1] == "No faults, 3 warnings."


def test_warnings_stand_in_the_order_of_the_files_and_keep_no_show_from_being_sound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def of_the_rig(show: Show, plan: Plan) -> list[Advice]:
        return [show.sources["rig"].advice(f"look at {name}", "inputs", 1) for name in (*plan.inputs[:1], "it", "it")]

    def of_the_setlist(show: Show, plan: Plan) -> list[Advice]:
        return [show.sources["setlist"].advice("look here", "title"), Advice("elsewhere", 0, "look there")]

    demo = shipped("setlists") / "three-songs"
    monkeypatch.setattr(advice, "ADVISERS", (of_the_rig, of_the_setlist))
    assert check(str(demo)).splitlines()[-5:] == [
        f"{demo}/setlist.yaml:2: warning: look here",
        f"{demo}/rig.yaml:4: warning: look at voice",
        f"{demo}/rig.yaml:4: warning: look at it",
        "elsewhere: warning: look there",
        "No faults, 4 warnings.",
    ]


def test_many_warnings_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    def worried(show: Show, plan: Plan) -> list[Advice]:
        return [Advice("x", at, "look") for at in range(WARNINGS_MAX + 1)]

    demo = str(shipped("setlists") / "three-songs")
    monkeypatch.setattr(advice, "ADVISERS", (worried,))
    *_, last, more, end = check(demo).splitlines()
    assert (last, more) == (f"x:{WARNINGS_MAX - 1}: warning: look", "and 1 more warning; `--all` lists them")
    assert end == f"No faults, {WARNINGS_MAX + 1} warnings."
    assert f"x:{WARNINGS_MAX}: warning: look\n" in check(demo, "--all")
