"""`stagectl rehearse --page`: the command, its page's process and a client, all of them real."""

from __future__ import annotations

import shutil
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner
from forked import stagectl
from recorded import record_night
from room_pages import Rehearsal, rehearsal

from stagectl.cli.rehearse import command
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"

SECOND = 1_000_000_000

pytestmark = pytest.mark.slow


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo, and no nights but those in it."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    return Path(shutil.copytree(DEMO, tmp_path / "show"))


def times(lines: list[str]) -> list[float]:
    """When the lines of the story say that they were, s since the night began."""
    heads = [line.split(maxsplit=1)[0].split(":") for line in lines]
    return [float(second) + 60 * int(minute) for minute, second in heads]


def in_song(page: Rehearsal, song: str) -> None:
    page.until("room", lambda board: board["place"]["song"] == song)


def test_a_foot_an_edit_with_a_fault_and_one_without(folder: Path) -> None:
    path = folder / "setlist.yaml"
    text = path.read_text("utf-8")
    fault = text.replace("lead vocal: -3\n", "lead vocl: -3\n", 1)
    line = fault[: fault.index("lead vocl")].count("\n") + 1
    with rehearsal(folder) as page:
        page.press("left")
        in_song(page, "Lanterns at Low Tide")
        page.want(do="nudge", listener="singer", input="lead vocal", by=100)
        board = page.until("room", lambda board: board["wanted"][10] == -200)
        assert [board["layers"][one[3]]["words"] for one in board["moved"]] == ["nudge by page for singer"]

        path.write_text(fault, "utf-8")
        files = page.until("files", lambda board: not board["sound"])
        assert files["faults"][0]["place"] == f"{path}:{line}"
        assert "did you mean `lead vocal`?" in files["faults"][0]["text"]
        # Feet go on by the last good files.
        page.want(do="nudge", listener="singer", input="lead vocal", by=100)
        page.until("room", lambda board: board["wanted"][10] == -100)

        began = page.boards["timeline"]["began"]
        path.write_text(text.replace("lead vocal: -3\n", "lead vocal: -4\n", 1), "utf-8")
        page.until("files", lambda board: board["sound"])
        board = page.until("room", lambda board: board["wanted"][10] == -200)
        assert board["place"]["song"] == "Lanterns at Low Tide"
        assert any("the edited files are in force" in line for line in board["lines"])
        assert board["last"]["what"] == "the edited files are in force"
        assert times(board["lines"]) == sorted(times(board["lines"]))
        assert [[one[0], one[1], one[2]] for one in board["moved"]] == [[10, -100, -200]]
        page.until("desk", lambda board: abs(board["levels"][10] + 200) <= 5)
        # The song goes on, and what was asked for last is still that.
        page.boards.pop("stage")
        page.want(do="hold still")
        assert page.until("timeline", lambda board: board["still"])["began"] == began
        assert page.until("stage", lambda _: True)["last"]["what"] == "nudge"
        assert page.end() == (0, "")
        page.until("gone", lambda board: board["why"] == "the rehearsal is over")


def test_the_last_night_plays_at_ten_times_the_speed_and_can_be_left(folder: Path, tmp_path: Path) -> None:
    nights = tmp_path / "state" / "nights"
    nights.mkdir(parents=True)
    plan = compile_show(load_show(folder)).plan
    # The beginning of a night tells as much as all of it.
    presses = [one for one in read_script(folder / "presses.yaml", plan) if one.at < 60 * SECOND]
    record_night(folder, nights / "2026-11-25T19-30-00.night", presses)
    with rehearsal(folder) as page:
        page.want(do="speed", **{"is": 10})
        page.want(do="replay last night")
        in_song(page, "Lanterns at Low Tide")
        page.until("timeline", lambda board: (board["plays"] or "").startswith("the night of 2026"))
        lines = page.boards["room"]["lines"]
        assert times(lines) == sorted(times(lines))
        assert "0:00.000  the night of 2026" in lines[0]
        page.want(do="skip")
        page.want(do="leave")
        page.until("timeline", lambda board: board["plays"] is None and board["done"] >= 2)
        page.want(do="explain", listener="singer", input="tracks")
        why = page.until("why", lambda board: board["input"] == "tracks")
        assert [one["what"] for one in why["lines"]][:2] == ["base", "song"]
        line = (folder / "setlist.yaml").read_text("utf-8").splitlines().index("    tracks: -18") + 1
        assert why["lines"][0]["place"] == f"setlist.yaml:{line}"


def test_a_script_is_played_by_the_clock_of_the_page(folder: Path) -> None:
    (folder / "two.yaml").write_text(
        "presses:\n"
        "  - {at: 0:00.5, pedal: drum pedal, control: left, happens: press}\n"
        "  - {at: 0:01, pedal: vocal pedal, control: switch, happens: press}\n",
        "utf-8",
    )
    with rehearsal(folder, "--presses", "two.yaml") as page:
        board = page.until("room", lambda board: board["wanted"][10] == -200)
        assert board["last"]["where"] == "vocal pedal, switch, press"


def test_a_page_and_lines_of_json_are_not_for_the_same_rehearsal() -> None:
    run = CliRunner().invoke(command, [str(DEMO), "--page", "--json"])
    assert run.exit_code == 2
    assert "a page tells no lines" in run.output


def test_a_port_that_is_taken_is_said(folder: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        run = stagectl("rehearse", str(folder), "--page", f"127.0.0.1:{port}")
    assert (run.returncode, run.stdout) == (3, "")
    assert str(port) in run.stderr
    assert "Traceback" not in run.stderr
