"""What the tests lean upon: forked programs end and speak like those that are started, and the tests are shared out
so that what belongs together stays together."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from forked import begun, stagectl
from lines import running

HERE = Path(__file__).resolve().parent

DESK = ("desk", "osc-decibels", "--inputs", "1", "--mixes", "1", "--osc")


@pytest.mark.slow
def test_a_forked_command_is_the_one_that_is_started(tmp_path: Path) -> None:
    """By `subprocess`: the same words, the same exit code, in the same folder, with the same environment."""
    for words in (("check", "none"), ("check", "--colour"), ("--version",)):
        command = [sys.executable, "-m", "stagectl", *words]
        started = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
        forked = stagectl(*words, cwd=tmp_path)
        assert (forked.returncode, forked.stdout, forked.stderr) == (
            *(started.returncode, started.stdout),
            started.stderr,
        )


def test_a_forked_program_has_pipes_and_ends_by_signals() -> None:
    with running(sys.executable, "-m", "stagectl", *DESK, "127.0.0.1:0") as desk:
        assert desk.line().startswith("ready")
        assert desk.process.poll() is None
        desk.say("store 1")
        assert "no stored scenes" in desk.line()
        with pytest.raises(subprocess.TimeoutExpired):
            desk.process.wait(0)
        desk.process.send_signal(signal.SIGKILL)
        assert desk.process.wait(10) == -signal.SIGKILL
        assert desk.rest() == []
        # Whoever signals it now reaches nobody.
        desk.process.send_signal(signal.SIGTERM)


def test_a_fault_of_a_forked_program_is_on_its_standard_error() -> None:
    process = begun([sys.executable, "-m", "stagectl", *DESK, "here"], {"COLUMNS": "200"})
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    with process.stdin, process.stdout, process.stderr:
        assert process.wait(60) == 2
        assert (process.stdout.read(), "`here` is not HOST:PORT" in process.stderr.read()) == ("", True)


def test_what_belongs_together_goes_to_one_worker() -> None:
    pytest.importorskip("xdist")
    from cores import JACK, heap

    desk = "tests/desk/test_desk_command.py::"
    assert heap(f"{desk}test_every_kind_of_message_over_a_virtual_midi_port[nrpn]") == JACK
    assert heap(f"{desk}test_it_says_each_level") is None
    assert heap("tests/live/test_hot_plug_over_jack.py::test_again_and_again_out_and_in_under_a_foot") == JACK
    assert heap("tests/proof/test_proof_by_brute_force.py::test_no_level_is_above_its_ceiling") == (
        "tests/proof/test_proof_by_brute_force.py"
    )


def test_tests_go_with_those_that_stand_beside_them_in_their_file() -> None:
    pytest.importorskip("xdist")
    from cores import TOGETHER, units

    shares, one, other = "tests/test_house.py", "tests/core/test_levels.py", "tests/core/test_nudges.py"
    many = [f"{one}::test_each[{at}]" for at in range(TOGETHER + 2)]
    ids = [
        f"{shares}::test_a",
        f"{shares}::test_b",
        f"{other}::test_slow",
        *many,
        f"{other}::test_a",
        f"{other}::test_b",
    ]
    found = units(ids)
    assert list(found) == ids
    assert {unit: [*found.values()].count(unit) for unit in found.values()} == {
        shares: 2,
        f"{other}::test_slow": 1,
        many[0]: TOGETHER,
        many[TOGETHER]: 2,
        f"{other}::test_a": 2,
    }


def test_only_what_may_wait_for_its_turn_goes_to_the_spare_worker() -> None:
    pytest.importorskip("xdist")
    from cores import JACK, thinks

    assert thinks("tests/test_house.py")
    assert thinks("tests/world/test_planted.py::test_each")
    assert not thinks(JACK)
    assert not thinks("tests/core/test_purity.py::test_one_that_starts_a_program_with_a_limit")
    assert not thinks("tests/live/test_resume.py::test_one_that_has_threads")


def test_every_test_that_asks_for_a_jack_server_is_one_of_its_ports() -> None:
    """Else it would go to any worker, and two servers would be in each other's way."""
    pytest.importorskip("xdist")
    from cores import on_jack

    asks = []
    for path in sorted(HERE.rglob("test_*.py")):
        for text in path.read_text("utf-8").split("\ndef ")[1:]:
            name, _, rest = text.partition("(")
            if name.startswith("test_") and "jack_server: " in rest.partition("->")[0]:
                asks.append(f"tests/{path.relative_to(HERE).as_posix()}::{name}")
    assert len(asks) > 5
    assert [one for one in asks if not on_jack(one)] == []
