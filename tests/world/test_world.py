"""The world under new seeds each time, under histories that once broke a rule, and twice under one seed."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from .clock import SECOND
from .faults import KINDS
from .happens import DO
from .inputs import Broken, Input
from .play import as_text, numbers
from .promises import RULES
from .runner import Nights
from .shrink import shrunken

ROOT: Final = Path(__file__).resolve().parents[2]

BOX_S: Final = 4.0
"""How long new seeds are tried, s of CPU."""


@pytest.fixture(scope="module")
def nights() -> Iterator[Nights]:
    made = Nights(3)
    yield made
    made.close()


@pytest.mark.slow
def test_what_always_holds_holds_under_new_seeds() -> None:
    seed = time.time_ns() // 1_000_000 % 1_000_000
    made, begun, night = Nights(seed), time.process_time(), 0
    try:
        while time.process_time() - begun < BOX_S:
            failure, _ = made.play(night)
            assert failure is None, (
                f"rule {failure.rule} ({RULES.get(failure.rule)}): {failure.says}; "
                f"again: python -m tests.world --seed {seed} --night {night}"
            )
            night += 1
    finally:
        made.close()
    assert night > 0


def old_failures() -> list[tuple[int, list[Input]]]:
    lines = (Path(__file__).parent / "old_failures.txt").read_text("utf-8").splitlines()
    kept = [line.partition("|") for line in lines if line and not line.startswith("#")]
    return [(int(show), [Input(*one) for one in ast.literal_eval(f"[{inputs}]")]) for show, _, inputs in kept]


@pytest.mark.slow
@pytest.mark.parametrize(("show", "inputs"), old_failures())
def test_what_once_broke_holds(nights: Nights, show: int, inputs: list[Input]) -> None:
    assert nights.play_again(show, inputs) is None


@pytest.mark.slow
def test_the_same_seed_gives_the_same_trace_in_another_process(nights: Nights, tmp_path: Path) -> None:
    other = tmp_path / "trace"
    command = [sys.executable, "-m", "tests.world", "--seed", "3", "--night", "2", "--trace", str(other)]
    here = tmp_path / "here"
    with here.open("w", encoding="utf-8") as file:
        _, trace = nights.play(2, file=file)
        trace.end()
    run = subprocess.run(command, cwd=ROOT, env={**os.environ, "PYTHONHASHSEED": "77"}, check=False)
    assert run.returncode == 0
    assert trace.lines > 300
    assert other.read_bytes() == here.read_bytes()


@pytest.mark.slow
def test_a_history_that_breaks_is_made_short(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a rule that two kinds of input break together, those two are left."""

    def odd(world: object, *_: object) -> None:
        seen = world.__dict__.setdefault("odd", [])
        seen.append(1)
        if len(seen) == 2:
            raise Broken(8, "two odd things have happened")

    monkeypatch.setitem(DO, "odd", odd)
    feet = [one for one in nights.inputs_of(0) if one.kind == "foot"][:10]
    given = [one._replace(at=(2 + at) * SECOND // 2) for at, one in enumerate(feet)]
    given += [Input(2 * SECOND, "odd"), Input(4 * SECOND, "odd"), Input(8 * SECOND, "end")]
    failure, _ = nights.play(0, sorted(given))
    assert failure is not None and failure.rule == 8
    short = shrunken(nights, failure)
    assert [one.kind for one in short.inputs if one.kind != "end"] == ["odd", "odd"]


def test_inputs_are_named_by_number() -> None:
    assert numbers("0-2,5,9", 7) == [0, 1, 2, 5]
    assert as_text([0, 1, 2, 5]) == "0-2,5"


def test_every_kind_of_fault_comes_up() -> None:
    made = Nights(1)
    try:
        kinds = {one.kind for night in range(200) for one in made.inputs_of(night)}
    finally:
        made.close()
    assert kinds >= {*DO} - {"odd"}
    assert len(KINDS) >= 20
