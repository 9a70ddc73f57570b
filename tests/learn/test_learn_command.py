"""`stagectl learn` as its user meets it: what it prints where, what it writes, what it refuses."""

from __future__ import annotations

import sys
from pathlib import Path
from random import Random

import click
import pytest
from click.testing import CliRunner, Result
from feet import Foot, save
from forked import stagectl
from needs import needs_module

from stagectl.cli.learn import _ask_and_write
from stagectl.cli.main import main
from stagectl.learn.analyse import analyse
from stagectl.learn.verdict import Learned
from stagectl.show.mapping import MappingModel
from stagectl.show.yamltext import read_text


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """A switch and a treadle of one pedal, with a time code message. (A file holds no real-time messages: RP-001.)"""
    foot = Foot(Random(5))
    packets = foot.control(80, foot.momentary(3))
    packets += [(at + packets[-1][0], packet) for at, packet in foot.control(11, foot.treadle(4))]
    save(tmp_path / "take.mid", floor_board=[(0, b"\xf1\x10"), *packets])
    return tmp_path / "take.mid"


def learn(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["learn", *map(str, arguments)])


def loaded(text: str) -> MappingModel:
    return MappingModel.model_validate(read_text(text.encode(), "foot.yaml").data)


def test_a_take_becomes_a_mapping(take: Path, tmp_path: Path) -> None:
    run = learn("--take", take, "-o", tmp_path / "foot.yaml")
    assert (run.exit_code, run.stdout) == (0, "")
    assert "floor board: controller 80 on channel 1 = 0: momentary (sure, 3 presses)" in run.stderr
    assert "floor board: controller 11 on channel 1 = 0: continuous (sure, 4 travels)" in run.stderr
    text = (tmp_path / "foot.yaml").read_text()
    mapping = loaded(text)
    assert (mapping.name, list(mapping.controls)) == ("floor board", ["switch 1", "treadle 1"])
    assert "Sent without a foot: time code (1)." in text


def test_without_a_file_it_goes_to_standard_output_alone(take: Path) -> None:
    run = stagectl("learn", "--take", str(take), "--name", "left foot")
    assert run.returncode == 0, run.stderr
    assert loaded(run.stdout).name == "left foot"
    assert "momentary (sure" in run.stderr


def test_two_pedals_in_a_take_are_told_apart_by_port(tmp_path: Path) -> None:
    foot = Foot(Random(6))
    save(tmp_path / "two.mid", left=foot.control(80, foot.momentary(3)), right=foot.note(40, foot.pad(3)))
    both = learn("--take", tmp_path / "two.mid")
    assert both.exit_code == 2
    assert "--port: `left`, `right`" in both.stderr
    one = learn("--take", tmp_path / "two.mid", "--port", "righ")
    assert one.exit_code == 0
    assert loaded(one.stdout).name == "right"


def test_what_is_refused(take: Path, tmp_path: Path) -> None:
    (tmp_path / "foot.yaml").write_text("mine")
    (tmp_path / "no.mid").write_bytes(b"none")
    save(tmp_path / "quiet.mid", foot=[(0, b"\xf1\x10")])
    for arguments, code, says in (
        (("--take", take, "-o", tmp_path / "foot.yaml"), 2, "is not overwritten unasked"),
        (("--take", take, "-o", tmp_path / "foot.txt"), 2, "ends with `.yaml`"),
        (("--take", take, "-o", tmp_path / "none" / "foot.yaml"), 2, "there is no folder"),
        (("--take", take, "--name", " "), 2, "stands where a name is needed"),
        (("--take", take, "--port", "elsewhere"), 1, "no control speaks"),
        (("--take", tmp_path / "none.mid"), 1, "there is no such file"),
        (("--take", tmp_path / "no.mid"), 1, "no take"),
        (("--take", tmp_path / "quiet.mid"), 1, "no control speaks"),
    ):
        run = learn(*arguments)
        assert (run.exit_code, run.stdout) == (code, ""), (arguments, run.output)
        assert says in run.stderr
    assert (tmp_path / "foot.yaml").read_text() == "mine"


def test_a_midi_system_that_is_not_here() -> None:
    needs_module("rtmidi")
    run = learn("--midi-api", "windows" if sys.platform != "win32" else "alsa")
    assert (run.exit_code, run.stdout) == (3, "")
    assert "no MIDI system" in run.stderr


# -- at a terminal ----------------------------------------------------------------------------------------


def pedal(seed: int = 7) -> Learned:
    foot = Foot(Random(seed))
    packets = foot.control(80, foot.momentary(3))
    packets += [(at + packets[-1][0], packet) for at, packet in foot.control(11, foot.treadle(4, 5, 120))]
    return analyse(packets)


def asked(pedals: list[tuple[str, Learned]], output: Path | None, *answers: str) -> Result:
    """The questions, with these answers."""
    command = click.Command("ask", callback=lambda: _ask_and_write(pedals, None, output))
    return CliRunner().invoke(command, [], input="".join(f"{answer}\n" for answer in answers))


def test_names_and_the_way_of_a_treadle_are_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "foot.yaml"
    run = asked([("floor:out", pedal())], path, "", "next song", "next song", "my level", "n", "")
    assert run.exit_code == 0, run.output
    assert "`next song` is the name of another" in run.output
    text = path.read_text()
    mapping = loaded(text)
    assert (mapping.name, list(mapping.controls)) == ("floor", ["next song", "my level"])
    assert "# heel: 120" in text and "# toe: 5" in text
    assert "`mapping: foot`" in run.output


def test_a_file_that_is_there_is_overwritten_only_if_wanted(tmp_path: Path) -> None:
    path = tmp_path / "foot.yaml"
    path.write_text("mine")
    other = tmp_path / "other.yaml"
    run = asked([("floor:out", pedal())], path, "", "", "", "", "", "n", str(other))
    assert run.exit_code == 0, run.output
    assert path.read_text() == "mine"
    assert loaded(other.read_text()).name == "floor"
    again = asked([("floor:out", pedal())], path, "", "", "", "", "", "y")
    assert again.exit_code == 0, again.output
    assert loaded(path.read_text()).name == "floor"


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ("my-shwo/foot.yaml", "there is no folder `my-shwo`; did you mean `my-show`?"),
        ("~/none/foot.yaml", "none`"),
        ("~nobody-of-that-name/foot.yaml", "there is no folder `~nobody-of-that-name`"),
        ("foot.txt", "ends with `.yaml`"),
        ("folder.yaml", "`folder.yaml` is a folder"),
        (f"{'x' * 300}.yaml", "cannot be written"),
    ],
)
def test_a_wrong_file_name_is_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: str, says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    for folder in ("my-show", "folder.yaml"):
        (tmp_path / folder).mkdir()
    run = asked([("floor:out", pedal())], None, "", "", "", "", wrong, "~/my-show/foot.yaml")
    assert run.exit_code == 0, run.output
    assert says in run.output
    assert loaded((tmp_path / "my-show" / "foot.yaml").read_text()).name == "floor"


def test_each_pedal_that_spoke_has_a_file_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    pedals = [("left:out", pedal()), ("middle:out", pedal()), ("right:out", pedal())]
    run = asked(pedals, None, "y", "", "", "", "", "", "n", "y", "", "", "", "", "")
    assert run.exit_code == 0, run.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["left.yaml", "right.yaml"]


def test_an_end_in_the_middle_of_the_questions_writes_nothing(tmp_path: Path) -> None:
    run = asked([("floor:out", pedal())], tmp_path / "foot.yaml", "", "")
    assert run.exit_code == 1
    assert list(tmp_path.iterdir()) == []
