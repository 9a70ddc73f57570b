"""What the demo night comes to at the ears, judged from the bytes that the desk got by arithmetic of its own.

The judge knows MIDI 1.0 control changes, the volume law of General MIDI 2 (v1.2a §3.3.4: 40·log10(value/127) dB), the
formulas of NIOSH 98-126 and the demo's files; nothing of stagectl.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from click.testing import CliRunner

from stagectl.cli.main import main
from stagectl.core.events import DeskCame, DeskWent
from stagectl.ears.night import NightEars
from stagectl.ears.report import CAUTION, figures
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.rehearse.room import Room
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.ears import setting_of
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row
from stagectl.where import shipped

DEMO = shipped("setlists") / "nine-songs"
FIRST_CONTROL = 16
"""Socket 1's controller in the demo's desk profile."""


def power(value: int) -> float:
    """GM2: 40·log10(value/127) dB as a ratio of powers."""
    return float((value / 127) ** 4)


@pytest.fixture(scope="module")
def told() -> list[dict[str, Any]]:
    run = CliRunner().invoke(main, ["rehearse", str(DEMO), "--json"])
    assert run.exit_code == 0, run.output
    return [json.loads(line) for line in run.output.splitlines()]


def judged(told: list[dict[str, Any]], mix: int) -> tuple[float, float]:
    """The energy average of a mix from the first arrival on, dB, and over how long, s."""
    begun = next(one["at"] for one in told if one["kind"] == "arrival")
    values: dict[int, int] = {}
    last, energy = begun, 0.0
    for one in told:
        if one["kind"] == "message" and one["to"] == "desk":
            status, control, value = bytes.fromhex(one["bytes"])
            if status & 0x0F == mix - 1:
                energy += (one["at"] - last) * sum(map(power, values.values()))
                last = one["at"]
                values[control] = value
    end = told[-1]["at"]
    energy += (end - last) * sum(map(power, values.values()))
    return float(10 * np.log10(energy / (end - begun))), end - begun


def base_sum(name: str) -> float:
    """The sum of a listener's mix in the base, dB, by the levels that are written there."""
    setlist, rig = (yaml.load((DEMO / f).read_text(), yaml.BaseLoader) for f in ("setlist.yaml", "rig.yaml"))
    levels = dict(setlist["base"][name])
    rest = levels.pop("rest")
    written = [*levels.values(), *[rest] * (len(rig["inputs"]) - len(levels))]
    return float(10 * np.log10(sum(10 ** (float(level) / 10) for level in written if level != "off")))


def test_the_rehearsal_s_figures_are_those_of_its_bytes(told: list[dict[str, Any]]) -> None:
    rig = yaml.safe_load((DEMO / "rig.yaml").read_text())
    ears = told[-1]
    assert ears["kind"] == "ears"
    assert ears["caution"] == CAUTION
    assert [one["listener"] for one in ears["listeners"]] == [one["name"] for one in rig["listeners"]]
    for one, listener in zip(ears["listeners"], rig["listeners"], strict=True):
        together, over = judged(told, listener["mix"])
        assert ears["over_s"] == pytest.approx(over)
        # The steps of the desk and the first fifth of a second, in which not all is told yet, leave a little.
        assert one["base_sum_db"] == pytest.approx(base_sum(listener["name"]), abs=0.25)
        assert one["hotter_than_base_db"] == pytest.approx(together - one["base_sum_db"], abs=0.03)
        assert one["allowed_time_factor"] == pytest.approx(2 ** (-one["hotter_than_base_db"] / 3), abs=1e-3)
        if "measured" not in listener:
            assert not {"dose_percent", "average_dba", "left_s"} & one.keys()
            continue
        measured = one["measured"]
        level = measured["level_dba"] + together - measured["mix_sum_db"]
        minutes = 480 / 2 ** ((level - 85) / 3)
        assert one["average_dba"] == pytest.approx(level, abs=0.03)
        assert one["dose_percent"] == pytest.approx(100 * over / 60 / minutes, rel=0.01)
        assert one["allowed_at_average_s"] == pytest.approx(60 * minutes, rel=0.01)
        assert one["left_s"] == pytest.approx(60 * minutes - over, rel=0.01)


def test_people_read_both_kinds_of_statement_and_the_caution(tmp_path: Path) -> None:
    presses = yaml.safe_load((DEMO / "presses.yaml").read_text())["presses"]
    # Time alone costs nothing.
    last = {"at": "3:38", "pedal": "keys pedal", "control": "one", "happens": "press"}
    (tmp_path / "long.yaml").write_text(yaml.safe_dump({"presses": [*presses[:3], last]}))
    run = CliRunner().invoke(main, ["rehearse", str(DEMO), "--presses", str(tmp_path / "long.yaml")])
    head, *lines = run.output[run.output.index("Ears: ") :].splitlines()
    assert head.startswith("Ears: 3 min 38 s from the first recall on")
    assert "NIOSH 98-126: 85 dB(A) for 8 h a day, half as long for each 3 dB." in head
    singer, how, *_, keys, caution = lines
    assert "dB(A) on average" in singer and "% of the day's dose" in singer and "left of the day" in singer
    assert how.startswith("    measured: 86 dB(A) at a mix sum of ")
    assert "dB hotter than base: the allowed time is 0.9" in keys
    assert caution.endswith("Local rules and a hearing professional decide.")


# -- the night's journal ----------------------------------------------------------------------------------


def cut_show(folder: Path, demo: str) -> Show:
    """A demo whose changes are cuts, so that its journal says all of its levels."""
    for path in (shipped("setlists") / demo).glob("*.yaml"):
        lines = path.read_text("utf-8").splitlines()
        fades = [line for line in lines if line.strip().startswith("fade:")]
        text = "\n".join(line.partition(":")[0] + ": 0" if line in fades else line for line in lines)
        if path.name == "rig.yaml":
            # What rises is there as quickly as what falls.
            text += "\nlimits: {rise: 1000}"
        (folder / path.name).write_text(text + "\n", "utf-8")
    return load_show(folder)


def rehearsed(show: Show) -> tuple[Room, list[Row]]:
    compiled = compile_show(show)
    room = Room(show, compiled)
    moments = list(room.play(read_script(show.folder / "presses.yaml", compiled.plan)))
    return room, [moment for moment in moments if isinstance(moment, Row)]


@pytest.mark.parametrize("demo", ["nine-songs", "three-songs"])
def test_the_journal_of_a_night_of_cuts_comes_to_what_its_rehearsal_came_to(demo: str, tmp_path: Path) -> None:
    show = cut_show(tmp_path, demo)
    room, rows = rehearsed(show)
    setting, end = setting_of(show), room.state.now
    dry = figures(setting.criterion, setting.listeners, room.mixes.end(end))
    night = NightEars(room.plan, setting.base)
    lived = figures(setting.criterion, setting.listeners, night.read([*rows, Row(end, "end")]))
    assert night.notes() == ["a fade counts as done at once"]
    for one, other in zip(lived, dry, strict=True):
        assert one.time == pytest.approx(other.time)
        assert one.hotter == pytest.approx(other.hotter, abs=0.02)
        assert one.hottest == other.hottest
        assert one.level == (None if other.level is None else pytest.approx(other.level, abs=0.02))


def journal_of(path: Path, rows: list[Row], title: str = "nine songs", setlist: str = "") -> list[str]:
    with closing(Journal.create(path, Night(setlist=title, begun_us=0, program="test", path=setlist))) as journal:
        journal.write(rows, 0)
    return ["log", "--ears", str(DEMO), "--journal", str(path)]


SECOND = 1_000_000_000
HERE = Row(0, "link", who="desk", what="here")
ARRIVED = Row(SECOND, "arrival", 1, song="Slow Tram Home")
LOUDER = Row(2 * SECOND, "change", 2, who="singer", what="nudge", listener="singer", input="lead vocal", sent=-100)


def test_log_tells_what_a_night_came_to(tmp_path: Path) -> None:
    command = journal_of(tmp_path / "n.night", [HERE, ARRIVED, Row(3_601 * SECOND, "end")])
    run = CliRunner().invoke(main, command)
    assert run.exit_code == 0, run.output
    lines = run.output.splitlines()
    assert lines[1].startswith("Ears: 1 h 0 min from the first recall on")
    # Nothing was told, so every mix stands at its base: for the singer, where it was measured.
    assert lines[2].startswith("  singer: 86.0 dB(A) on average, 16 % of the day's dose, 16 % an hour; at this level ")
    # NIOSH 98-126: 480 / 2^(1/3) min = 380.98 min at 86 dB(A), of which an hour is gone.
    assert "5 h 20 min left of the day. Hottest: Slow Tram Home, 86.0 dB(A)." in lines[2]
    assert lines[6] == (
        "  bassist: as hot as base: the allowed time is the same. Hottest: Slow Tram Home, as hot as base."
    )
    assert lines[-2:] == ["  Note: a fade counts as done at once.", f"  {CAUTION}"]


def test_a_desk_that_is_away_and_strangers_are_said(tmp_path: Path) -> None:
    """A change made while the desk is away is heard when it is back."""
    away = Row(SECOND, "link", who="desk", what="gone")
    back = Row(9 * SECOND, "link", who="desk", what="here")
    stranger = LOUDER._replace(listener="harpist")
    rows = [HERE, ARRIVED, away, LOUDER, stranger, back, Row(17 * SECOND, "count", who="drum pedal", number=1)]
    command = journal_of(tmp_path / "n.night", rows)
    found = json.loads(CliRunner().invoke(main, [*command, "--json"]).output.splitlines()[-1])
    assert found["notes"] == [
        "a fade counts as done at once",
        "the journal has no end yet, so this goes up to its last line",
        "the desk was away for 8 s of it, and is taken to have stayed as it was",
        "1 change is left out: this show has no lead vocal in the mix of harpist",
    ]
    show = load_show(DEMO)
    setting = setting_of(show)
    ears = NightEars(compile_show(show).plan, setting.base).read(rows)
    (base, before), (_, after) = ears.whole("singer").heard()
    assert (before, after) == (8, 8)
    given = setting.listeners[0].base
    assert isinstance(given, int) and base == given / 100


def test_a_hand_at_the_desk_counts_as_it_is_and_not_as_its_ceiling(tmp_path: Path) -> None:
    show = load_show(DEMO)
    hand = LOUDER._replace(who="desk", what="hand", after=600, sent=0)
    loud = NightEars(compile_show(show).plan, setting_of(show).base).read([HERE, ARRIVED, hand, Row(4 * SECOND, "end")])
    assert max(level for level, _ in loud.whole("singer").heard()) > 6


def test_a_night_may_begin_by_asserting_the_base() -> None:
    show = load_show(DEMO)
    recall = LOUDER._replace(what="recall", sent=-300)
    ears = NightEars(compile_show(show).plan, setting_of(show).base).read(
        [HERE, LOUDER, recall, Row(4 * SECOND, "end")]
    )
    assert {song: course.time for song, course in ears.songs("singer").items()} == {"base": 2 * SECOND}


def test_a_night_in_which_nothing_was_recalled(tmp_path: Path) -> None:
    lines = CliRunner().invoke(main, journal_of(tmp_path / "n.night", [HERE, LOUDER])).output.splitlines()
    assert lines[1:] == ["Ears: nothing was recalled, so there is nothing to add up."]


@pytest.mark.parametrize("flags", [[], ["--json"]])
def test_a_night_of_another_setlist_is_refused_before_anything_is_told(flags: list[str], tmp_path: Path) -> None:
    command = journal_of(tmp_path / "n.night", [HERE, ARRIVED], "another night")
    run = CliRunner().invoke(main, [*command, *flags])
    assert (run.exit_code, run.stdout) == (1, "")
    (line,) = run.stderr.splitlines()
    assert "`another night`" in line and "`nine songs`" in line
    # Played from that very file, it is that setlist's, whatever its title was.
    command = journal_of(tmp_path / "m.night", [HERE, ARRIVED], "another night", str((DEMO / "setlist.yaml").resolve()))
    assert CliRunner().invoke(main, [*command, *flags]).exit_code == 0


def test_a_show_that_is_not_there_is_refused_before_anything_is_told(tmp_path: Path) -> None:
    journal = journal_of(tmp_path / "n.night", [HERE, ARRIVED])[3:]
    run = CliRunner().invoke(main, ["log", "--ears", str(tmp_path / "no such show"), *journal])
    assert (run.exit_code, run.stdout) == (1, "")
    assert "no such show" in run.stderr


def test_log_adds_a_night_up_or_follows_it() -> None:
    run = CliRunner().invoke(main, ["log", "--ears", str(DEMO), "--follow"])
    assert run.exit_code == 2
    assert "give one of them" in run.output


def test_a_desk_that_goes_in_a_rehearsal_is_taken_to_stay(tmp_path: Path) -> None:
    show = cut_show(tmp_path, "nine-songs")
    room, _ = rehearsed(show)
    before = room.mixes.end(room.state.now).whole("singer").heard()
    now = room.state.now + SECOND
    room.do(DeskWent(), now)
    room.do(DeskCame(), now + SECOND)
    room.wait()
    after = room.mixes.end(now + 2 * SECOND).whole("singer").heard()
    assert {level for level, _ in after} == {level for level, _ in before}
    assert sum(time for _, time in after) == pytest.approx(sum(time for _, time in before) + 3)


def test_the_base_is_what_the_ceiling_of_its_mix_leaves_of_it(tmp_path: Path) -> None:
    for path in DEMO.glob("*.yaml"):
        more = "\nmix ceiling: -6\n" if path.name == "rig.yaml" else ""
        (tmp_path / path.name).write_text(path.read_text("utf-8") + more, "utf-8")
    for listener in setting_of(load_show(tmp_path)).listeners:
        assert isinstance(listener.base, int)
        assert -700 < listener.base <= -600
