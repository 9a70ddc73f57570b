"""`stagectl explain` as its user meets it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from stagectl.cli import rehearse
from stagectl.cli.explain import command
from stagectl.where import shipped

DEMO = shipped("setlists") / "nine-songs"


def explain(*arguments: str, listener: str = "singer", input_: str = "own", show: Path = DEMO) -> Result:
    return CliRunner().invoke(command, [str(show), "--listener", listener, "--input", input_, *arguments])


def test_it_reads_as_a_sum_with_its_places() -> None:
    run = explain("--song", "Goodnight, Harbour", "--section", "all voices", "--venue", "Tidewater Hall")
    assert run.exit_code == 0
    text = (DEMO / "setlist.yaml").read_text("utf-8").splitlines()
    base, song = text.index("    lead vocal: -3") + 1, text.index("      everyone: {lead vocal: up 2}") + 1
    ceiling = (DEMO / "rig.yaml").read_text("utf-8").partition("\nceiling: 0")[0].count("\n") + 2
    # -3 + 2 = -1. GM2 (v1.2a §3.3.4): 40·log10(119/127) = -1.13 and 40·log10(120/127) = -0.98, which is nearer.
    assert run.output.splitlines() == [
        "singer: lead vocal in Goodnight, Harbour, all voices, at Tidewater Hall",
        f"  base             -3 dB                       -3 dB  setlist.yaml:{base}",
        f"  song             up 2 (everyone)             -1 dB  setlist.yaml:{song}",
        f"  ceiling          at most 0 dB                -1 dB  rig.yaml:{ceiling}",
        "  the desk's step  the nearest that it has  -0.98 dB",
    ]


def test_what_stands_in_no_file_is_the_default(tmp_path: Path) -> None:
    show = tmp_path / "show"
    shutil.copytree(DEMO, show)
    rig = (show / "rig.yaml").read_text("utf-8")
    (show / "rig.yaml").write_text(rig.replace("\nceiling: 0 ", "\n# ceiling: 0 "), "utf-8")
    lines = explain(show=show).output.splitlines()
    (ceiling,) = (line for line in lines if line.startswith("  ceiling "))
    assert ceiling.endswith("  the default")


def test_nothing_said_is_the_base_and_json_is_an_object_a_line() -> None:
    run = explain("--json", listener="drummer", input_="rack tom")
    first, *_, last = [json.loads(line) for line in run.output.splitlines()]
    row = (DEMO / "setlist.yaml").read_text("utf-8").splitlines()[first["line"] - 1]
    assert row == "    rest: -24"
    assert first == {
        "listener": "drummer",
        "input": "rack tom",
        "song": "base",
        "what": "base",
        "did": "-24 dB (rest)",
        "level": -24.0,
        "file": str(DEMO / "setlist.yaml"),
        "line": first["line"],
    }
    # 40·log10(32/127) = -23.95.
    assert (last["what"], last["level"]) == ("the desk's step", -23.95)


def test_a_night_is_rehearsed_first(tmp_path: Path) -> None:
    at_12 = explain("--presses", "presses.yaml", "--at", "0:12").output
    # The second press is at 0:12, and counts when no double press can come any more: by then there is one.
    assert at_12.splitlines()[0] == "singer: lead vocal in Lanterns at Low Tide, as the night stands at 0:12"
    assert "nudges for the night  +1 " in at_12
    later = explain("--presses", str(DEMO / "presses.yaml"), "--at", "13 s", "--song", "Slow Tram Home").output
    assert later.splitlines()[0] == "singer: lead vocal in Slow Tram Home, as the night stands at 0:13"
    assert "nudges for the night  +2 " in later
    fading = explain("--presses", "presses.yaml", "--at", "25", input_="tracks").output
    assert fading.splitlines()[0].endswith("Lanterns at Low Tide, last chorus, as the night stands at 0:25")
    assert "fade             under way; this is what the desk was told so far" in fading
    script = tmp_path / "talk.yaml"
    script.write_text("presses: []\n")
    assert "night  nothing was recalled yet" in explain("--presses", str(script)).output


def test_a_time_with_a_point_is_warned_of_and_named() -> None:
    run = explain("--presses", "presses.yaml", "--at", "1.52")
    assert run.stderr == "--at: warning: `1.52` says no unit, so it is 1.52 s; did you mean `1:52`?\n"
    assert run.stdout.splitlines()[0].endswith("as the night stands at 0:01.52")
    told = explain("--presses", "presses.yaml", "--at", "10.00", "--json")
    assert "did you mean `10:00`?" in told.stderr
    assert {json.loads(line)["at"] for line in told.stdout.splitlines()} == {10.0}
    for plain in ("1:52", "1.52 s", "112"):
        assert explain("--presses", "presses.yaml", "--at", plain).stderr == ""


def test_a_script_with_such_a_time_is_warned_of(tmp_path: Path) -> None:
    script = tmp_path / "night.yaml"
    script.write_text("presses:\n  - {at: 1.20, pedal: drum pedal, control: left, happens: press}\n")
    rehearsed = CliRunner().invoke(rehearse.command, [str(DEMO), "--presses", str(script), "--json"])
    for run in (explain("--presses", str(script)), rehearsed):
        assert run.stderr == f"{script}:2: warning: `1.20` says no unit, so it is 1.2 s; did you mean `1:20`?\n"


@pytest.mark.parametrize(
    ("arguments", "listener", "input_", "says"),
    [
        ((), "singr", "own", "--listener: `singr` is not a listener of this rig; did you mean `singer`?"),
        ((), "singer", "kik", "--input: `kik` is not an input of this rig; did you mean `kick`?"),
        (
            (),
            "singer",
            "tuba",
            "--input: `tuba` is not an input of this rig; known: `own`, `whole mix`, `kick`, `snare`",
        ),
        ((), "singer", "vocals", "--input: `vocals` is a group; name one of its inputs: `lead vocal`, `guitar voc"),
        (
            ("--song", "Slow Tram"),
            "singer",
            "own",
            "--song: `Slow Tram` is not a song of this setlist; did you mean `Slow",
        ),
        (
            *(("--song", "The Long Corridor", "--section", "wisper"), "singer", "own"),
            "--section: `wisper` is not a section of `The Long Corridor`; did you mean `whisper`?",
        ),
        (("--venue", "Cellar"), "singer", "own", "--venue: `Cellar` is not a venue of this setlist"),
        (("--section", "whisper"), "singer", "own", "--section needs --song"),
        (("--at", "1:00"), "singer", "own", "--at needs --presses"),
        (
            ("--presses", "presses.yaml", "--at", "soon"),
            "singer",
            "own",
            "--at: `soon` is not a time from 0 to 86400 s",
        ),
    ],
)
def test_wrong_usage_is_said_with_the_nearest_name(
    arguments: tuple[str, ...], listener: str, input_: str, says: str
) -> None:
    run = explain(*arguments, listener=listener, input_=input_)
    assert run.exit_code == 2
    assert says in " ".join(run.output.split())


def test_who_has_no_own_input_and_whose_whole_mix_nobody_drives(tmp_path: Path) -> None:
    for path in ("rig.yaml", "setlist.yaml"):
        text = (DEMO / path).read_text("utf-8").replace("    own input: guitar\n", "").replace("{own: up 2, ", "{")
        (tmp_path / path).write_text(text)
    run = explain(listener="guitarist", show=tmp_path)
    assert (run.exit_code, "`guitarist` has no `own input` in the rig" in run.output) == (2, True)
    whole = explain(input_="whole mix").output.splitlines()
    assert whole[1:] == ["  base  says nothing of it, so the show lets it be"]
    for path in ("rig.yaml", "setlist.yaml"):
        text = (shipped("setlists") / "three-songs" / path).read_text("utf-8")
        (tmp_path / path).write_text(text.replace("profile: osc-decibels", "profile: osc-travel"))
    mute = explain(input_="whole mix", show=tmp_path).output.splitlines()
    assert mute[1:] == ["  the desk  has no message for the level of a whole mix"]
