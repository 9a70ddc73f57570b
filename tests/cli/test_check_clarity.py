"""What `check` says of how clear the mixes are, and what it warns of."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from stagectl.cli.check import command
from stagectl.where import shipped


def check(folder: Path, *arguments: str) -> list[str]:
    run = CliRunner().invoke(command, [str(folder), *arguments])
    assert run.exit_code == 0, run.output
    return run.output.splitlines()


def trio(folder: Path, leads: str = "", clarity: str = "", base: str = "voice: -6, fiddle: -6, stomp: -12") -> Path:
    """One listener with three inputs and two songs: all louder, then the fiddle off."""
    rig = "inputs: [{name: voice, socket: 1}, {name: fiddle, socket: 2}, {name: stomp, socket: 3}]\n"
    rig += f"listeners: [{{name: ada, mix: 1{leads}}}]\ndesk: {{profile: control-change, port: desk}}\n{clarity}"
    rig += "\nlimits: {jump: 60}\n"
    setlist = f"title: trio\nrig: rig.yaml\nbase:\n  ada: {{{base}}}\nsongs:\n"
    setlist += "  - name: Seven Gates\n    levels: {ada: {stomp: up 6, fiddle: up 3}}\n"
    setlist += "    sections: [{name: still, levels: {ada: {fiddle: off, stomp: off}}}]\n"
    setlist += "  - {name: The Ferry Waltz, levels: {ada: {voice: off}}}\n"
    (folder / "rig.yaml").write_text(rig)
    (folder / "setlist.yaml").write_text(setlist)
    return folder


def test_the_demo_s_table() -> None:
    said = check(shipped("setlists") / "nine-songs")
    at = next(at for at, line in enumerate(said) if line.startswith("  clarity, "))
    assert "together, inputs gain-staged alike (rivals: from 6 dB below it up):" in said[at]
    # Goodnight, Harbour: -1 dB against the ten others together, 10·log10(10^-1 + 3·10^-1.4 + 10^-1.6 + 2·10^-1.8
    # + 10^-2 + 10^-2.2 + 10^-2.4) = -5.28: 4.28 dB above; talkback, the loudest of them, is 9 dB below it.
    assert re.search(r"^    singer +lead vocal .* 4\.3 dB above +0  Goodnight, Harbour$", said[at + 2])
    # The drummer leads with the click, which is off in a song, and in another with its section.
    assert re.search(r"^    drummer +click .* dB below +6  Ten Past Never, half time .* 3$", said[at + 3])
    assert said[-1].startswith("No faults")


def test_a_mix_is_told_by_its_worst_and_its_best_stop(tmp_path: Path) -> None:
    said = check(trio(tmp_path, leads=", own input: voice"))
    at = next(at for at, line in enumerate(said) if line.startswith("  clarity, "))
    # Seven Gates: -6 against -3 and -6 together, 10·log10(10^-0.3 + 10^-0.6) = -1.24: 4.76 below, both compete.
    assert (
        said[at + 2]
        == "    ada  voice       4.8 dB below       2  Seven Gates     alone       0  Seven Gates, still       1"
    )
    whole = check(tmp_path, "--all")
    start = whole.index("  clarity in every place, dB above the rest and rivals:")
    # The base: -6 against -6 and -12, 10·log10(10^-0.6 + 10^-1.2) = -5.03: 0.97 below.
    assert [line.split("  ")[-1].strip() for line in whole[start + 1 : start + 6]] == [
        *("ada", "-1.0, 2", "-4.8, 2", "alone", "off")
    ]


@pytest.mark.parametrize(
    ("leads", "base"),
    [("", "voice: -6"), (", own input: voice", "voice: off"), (", leads with: stomp", "voice: -6")],
)
def test_no_figure_where_nothing_leads_and_an_empty_row_where_it_is_never_there(
    tmp_path: Path, leads: str, base: str
) -> None:
    said = check(trio(tmp_path, leads=leads, base=base))
    rows = [line for line in said if line.startswith("    ada")]
    assert bool(rows) == bool(leads)
    assert all("dB" not in row and row.endswith("  4") for row in rows)
    assert said[-1].startswith("No faults")


@pytest.mark.parametrize(
    ("leads", "base", "warned"),
    [
        (", leads with: stomp", "voice: -6, fiddle: -6", True),
        (", own input: voice, leads with: stomp", "voice: -6, fiddle: -6", True),
        # On in some places of the set.
        (", leads with: fiddle", "voice: -6, fiddle: -6", False),
        (", leads with: stomp", "voice: -6, stomp: -6", False),
        # Of an own input the proof says where it is off.
        (", own input: stomp", "voice: -6", False),
        (", own input: stomp, leads with: own", "voice: -6", False),
    ],
)
def test_what_a_listener_leads_with_and_is_nowhere_on_is_warned_of(
    tmp_path: Path, leads: str, base: str, warned: bool
) -> None:
    said = check(trio(tmp_path, leads, base=base))
    found = [line for line in said if "`stomp`" in line and ": warning: " in line]
    says = "`stomp`, which `ada` leads with, is off in every place of the set; say another input, or turn it on"
    nowhere = f"{tmp_path}/rig.yaml:2: warning: {says}"
    assert (found == [nowhere]) is warned
    assert bool(found) is (warned or "own input: stomp" in leads)


def test_what_is_nowhere_on_at_one_venue_says_at_which(tmp_path: Path) -> None:
    folder = trio(tmp_path, ", leads with: fiddle")
    text = (folder / "setlist.yaml").read_text().replace("songs:", "venues: {cellar: {ada: {fiddle: off}}}\nsongs:")
    (folder / "setlist.yaml").write_text(text)
    (line,) = [line for line in check(folder) if "in every place" in line]
    assert line.endswith("say another input, or turn it on (at `cellar`)")
    assert sum("in every place of the set" in line for line in check(folder, "--venue", "cellar")) == 1


def test_a_figure_is_rounded_once(tmp_path: Path) -> None:
    """0 dB against -27 and -8: 10·log10(10^-2.7 + 10^-0.8) = -7.9457, so 7.9 above; by way of 7.95 it would be 8.0."""
    folder = trio(tmp_path, ", leads with: voice", base="voice: 0, fiddle: -27, stomp: -8")
    (folder / "setlist.yaml").write_text((folder / "setlist.yaml").read_text().replace("fiddle: up 3", "fiddle: up 0"))
    said = check(folder, "--all")
    assert any(re.fullmatch(r" +base +\+7\.9, 0", line) for line in said)


@pytest.mark.parametrize(
    ("clarity", "warnings"),
    [
        # -4.76 dB in Seven Gates (line 6), -0.97 dB in the base; two rivals in both.
        ("clarity: {above: -4.76, rivals: 2}", []),
        ("clarity: {above: -4.7, rivals: 2}", [(6, "stands 4.76 dB below the rest together here", "`above: -4.7`")]),
        ("clarity: {above: 0}", [(6, "stands 4.76 dB below the rest", "`above: 0`, and so it is in 1 other place")]),
        ("clarity: {rivals: 1}", [(6, "has 2 other inputs at most 6 dB below it", "`rivals: 1`, and so it is in 1 ")]),
        ("clarity: {above: 20, rivals: 128}", [(6, "stands 4.76 dB below", "`above: 20`, and so it is in 1 other ")]),
    ],
)
@pytest.mark.parametrize("leads", [", leads with: voice", ", own input: voice, leads with: own"])
def test_thresholds_of_the_rig(tmp_path: Path, leads: str, clarity: str, warnings: list[tuple[int, str, str]]) -> None:
    said = check(trio(tmp_path, leads, clarity))
    found = [line for line in said if ": warning: " in line and "leads with" in line]
    assert len(found) == len(warnings)
    for line, (number, what, asks) in zip(found, warnings, strict=True):
        assert line.startswith(f"{tmp_path}/setlist.yaml:{number}: warning: `voice`, which `ada` leads with, {what}")
        assert f", inputs gain-staged alike; `clarity` of the rig asks for {asks}" in line


def test_the_levels_are_those_of_the_venue_and_held_at_the_ceiling(tmp_path: Path) -> None:
    folder = trio(tmp_path, ", own input: voice, ceilings: {fiddle: -6}")
    text = (folder / "setlist.yaml").read_text().replace("songs:", "venues: {cellar: {ada: {stomp: down 6}}}\nsongs:")
    (folder / "setlist.yaml").write_text(text)
    # Seven Gates: the fiddle's `up 3` is held at -6. 10·log10(10^-0.6 + 10^-0.6) = -2.99: 3.01 below.
    assert any("3.0 dB below       2  Seven Gates " in line for line in check(folder))
    # The cellar's stomp is 6 dB down: -6 and -12 make -5.03.
    assert any("1.0 dB below       2  Seven Gates " in line for line in check(folder, "--venue", "cellar"))
