"""What `check` says it has proved; the parts of a graph; how treadles' ranges join."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path

import pytest
from big_shows import Size, write_big
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from stagectl.cli.check import command
from stagectl.proof.graph import parts_of
from stagectl.proof.spans import joined
from stagectl.show.compile import compile_show
from stagectl.show.faults import FAULTS_MAX
from stagectl.show.load import load_show
from stagectl.show.proof import proof_of
from stagectl.where import shipped


def proved(show: Path) -> str:
    """The line of `check` that says what was proved."""
    run = CliRunner().invoke(command, [str(show)])
    assert run.exit_code == 0, run.output
    (line,) = (line for line in run.output.splitlines() if line.startswith("  proved"))
    return line.strip()


def test_what_was_proved_of_the_demo() -> None:
    # 5 mixes of 16 inputs; 1 base, 9 songs, 8 sections. The guitar: 8 down at `whisper`, then 2 up.
    assert proved(shipped("setlists") / "nine-songs") == (
        "proved at each of 2 venues and without one, for each of 18 places and 80 levels: whatever is pressed, no "
        "level goes above its ceiling, and no mix above its ceiling as a sum; no change raises a level, or a mix, by "
        "more than 10 dB (24 dB are allowed); every song and section can be reached"
    )


def test_what_was_proved_of_a_big_show(tmp_path: Path) -> None:
    show = write_big(tmp_path, Size(songs=2))
    assert "for each of 22 places and 512 levels" in proved(show)


def test_a_mix_above_its_ceiling_is_told_once_with_the_figure_of_the_venue_that_is_told(tmp_path: Path) -> None:
    """The figure is the highest uncorrelated sum, 10·log10 Σ10^(L/10) dB, of any place and venue (ISO 9613-2 and
    every acoustics table)."""
    show = tmp_path / "show"
    shutil.copytree(shipped("setlists") / "nine-songs", show)
    rig = (show / "rig.yaml").read_text("utf-8")
    (show / "rig.yaml").write_text(rig + "\nmix ceiling: -2\n", "utf-8")
    loaded = load_show(show)
    told = [one.text for one in proof_of(loaded).advice if "above its ceiling" in one.text]
    sums: dict[str, dict[str | None, float]] = {}
    for venue in (None, *loaded.setlist.venues):
        plan = compile_show(loaded, venue).plan
        for at, listener in enumerate(plan.listeners):
            rows = [row[at * plan.width : (at + 1) * plan.width - 1] for row in plan.bounded]
            powers = [sum(10 ** (one / 1000) for one in row if isinstance(one, int)) for row in rows]
            sums.setdefault(listener, {})[venue] = 10 * math.log10(max(powers))
    assert [line.split("`")[1] for line in told] == list(sums)
    for line in told:
        listener, level = line.split("`")[1], re.search(r"comes to ([-+0-9.]+) dB there", line)
        assert level is not None
        highest = max(sums[listener].values())
        assert float(level[1]) == pytest.approx(highest, abs=0.02)
        assert "(rig.yaml:" in line
        there = {f"`{venue}`" for venue, one in sums[listener].items() if venue and one > highest - 0.01}
        everywhere = all(one > highest - 0.01 for one in sums[listener].values())
        assert all(one in line for one in there) or everywhere
        assert not any(f"`{venue}`" in line for venue in loaded.setlist.venues if f"`{venue}`" not in there)


def test_the_default_ceiling_of_a_mix_is_named_as_one(tmp_path: Path) -> None:
    show = tmp_path / "show"
    shutil.copytree(shipped("setlists") / "nine-songs", show)
    setlist = (show / "setlist.yaml").read_text("utf-8")
    all_of_it = ", ".join(f"{one.name}: 0" for one in load_show(show).rig.inputs if one.name != "click")
    loud = setlist.replace("drummer: {click: -2, tracks: up 4}", f"drummer: {{{all_of_it}}}")
    (show / "setlist.yaml").write_text(loud, "utf-8")
    (line,) = (one.text for one in proof_of(load_show(show)).advice if "above its ceiling" in one.text)
    assert "is above its ceiling of +10 dB (the rig's default) at `Ten Past Never`" in line


def test_very_many_faults_are_cut_short(tmp_path: Path) -> None:
    show = write_big(tmp_path, Size(songs=28, venues=0))
    rig = (show / "rig.yaml").read_text("utf-8")
    (show / "rig.yaml").write_text(rig + "limits: {jump: 1}\n", "utf-8")
    faults = proof_of(load_show(show)).faults
    assert len(faults) == FAULTS_MAX + 1
    assert faults[-1].text == "there are more faults; mend these first"
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)


GRAPHS = st.lists(st.lists(st.integers(0, 7), max_size=3), min_size=8, max_size=8)


@given(GRAPHS)
def test_a_part_is_what_leads_to_each_other(leads: list[list[int]]) -> None:
    reach = [{at} for at in range(8)]
    for _ in range(8):
        reach = [some | {far for to in leads[at] for far in reach[to]} for at, some in enumerate(reach)]
    parts = parts_of(range(8), leads.__getitem__)
    assert sorted(node for part in parts for node in part.nodes) == list(range(8))
    for at, part in enumerate(parts):
        for node in part.nodes:
            assert set(part.nodes) == {other for other in reach[node] if node in reach[other]}
        into = {one for one, other in enumerate(parts) if one != at for a in other.nodes if {*leads[a]} & {*part.nodes}}
        assert set(part.before) == into
        assert all(one < at for one in part.before)


@pytest.mark.parametrize(
    ("ranges", "ends"),
    [
        ([], (0, 0)),
        ([(-600, 300)], (-600, 300)),
        ([(50, 300)], (0, 300)),
        ([(51, 300)], (0, 0)),
        ([(500, 900), (300, 600), (0, 350)], (0, 900)),
        ([(500, 900), (0, 449)], (0, 449)),
    ],
)
def test_ranges_that_meet_are_ridden_one_after_the_other(ranges: list[tuple[int, int]], ends: tuple[int, int]) -> None:
    assert joined(0, 0, ranges) == ends
