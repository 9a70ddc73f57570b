"""The planted bugs are still bugs of the present text, and can be planted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import CodeType
from typing import Any, Final

import pytest
from depth import LONG, SHARE

from .planted import BUGS, ROOT, NotPlantedError, changed, codes_in, plant
from .planted_bug import Bug
from .planted_by_hand import BY_HAND, CABLE, OSC, TIMES
from .planted_table import seen
from .shows import write_show

TRIED: Final = list(BUGS)[:: 1 if LONG else SHARE]
"""Those that are planted here; all of them are in CI, by `python -m tests.world.planted --seen`."""

RULES = range(1, 11)
HEADINGS = ("levels", "scene changes", "advancing", "stage page", "clock")
"""What else is a promise: headings of the design, the page, and what the clock on the wall brings."""


@cache
def compiled(file: str) -> CodeType:
    """A file of the program, as it is."""
    return compile((ROOT / "stagectl" / file).read_text("utf-8"), file, "exec", dont_inherit=True)


def outside(code: CodeType) -> tuple[object, ...]:
    """What a module's text does outside of functions, whatever the numbers of its lines."""
    parts: list[object] = [code.co_code, code.co_names]
    for one in code.co_consts:
        if isinstance(one, CodeType):
            is_function = any(one is function for _, function in codes_in(code))
            parts.append(one.co_qualname if is_function or one.co_name.startswith("<") else outside(one))
        else:
            parts.append(one)
    return tuple(parts)


@pytest.mark.parametrize("bug", BUGS.values(), ids=list(BUGS))
def test_every_bug_fits_the_present_text(bug: Bug) -> None:
    """Its old text stands there once, the changed text compiles to something else, in functions alone."""
    before = compiled(bug.file)
    after = compile(changed(bug), bug.file, "exec", dont_inherit=True)
    old, new = dict(codes_in(before)), dict(codes_in(after))
    assert list(old) == list(new)
    differ = [name for name in old if old[name].co_code != new[name].co_code or consts(old[name]) != consts(new[name])]
    assert len(differ) == 1
    assert outside(before) == outside(after)


def consts(code: CodeType) -> list[object]:
    """The constants and names of a function and of what stands in it."""
    found: list[object] = [code.co_names, code.co_varnames]
    for one in code.co_consts:
        found += [one.co_code, consts(one)] if isinstance(one, CodeType) else [one]
    return found


def test_every_bug_has_a_name_and_a_rule_of_its_own_and_they_are_many() -> None:
    from .planted_ends import OF_ENDS
    from .planted_feet import OF_FEET
    from .planted_levels import OF_LEVELS
    from .planted_rooms import OF_ROOMS

    every = (*OF_LEVELS, *OF_FEET, *OF_ROOMS, *OF_ENDS)
    assert len(every) == len(BUGS) >= 30
    assert {bug.breaks for bug in every} == {*RULES, *HEADINGS}
    assert len({(bug.file, changed(bug)) for bug in every}) == len(every)


def test_a_name_that_is_none_is_told_with_the_nearest() -> None:
    with pytest.raises(NotPlantedError, match="did you mean `journal after send`"):
        plant("journal after sent")


GRID = """
{before}
from stagectl.core.grid import Grid
print(Grid(steps=(-600, -300, 0)).nearest(0, -100))
"""

PLANTED = "from tests.world.planted import plant; plant('ceiling off by one step')"


@pytest.mark.parametrize("first", ["", "import stagectl.core.grid; "], ids=["imported later", "loaded already"])
def test_a_planted_bug_is_in_force_and_leaves_nothing_behind(first: str, tmp_path: Path) -> None:
    """The highest step at or below -1 dB is -3 dB; the next process finds it so again, by what the first one has kept
    of compiled files."""
    source = ROOT / "stagectl" / "core" / "grid.py"
    before = source.read_bytes()
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env["PYTHONPYCACHEPREFIX"] = str(tmp_path)
    said = [
        subprocess.run(
            [sys.executable, "-c", GRID.format(before=with_)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            env=env,
            check=True,
        ).stdout.strip()
        for with_ in (first + PLANTED, "")
    ]
    assert said == ["0", "-300"]
    assert source.read_bytes() == before
    assert any(tmp_path.rglob("levels.*.pyc"))


@pytest.fixture(scope="module")
def came() -> tuple[dict[str, Any], list[str]]:
    """What the world makes of each bug, planted while all is loaded, at the place where it was caught last or in its
    history. And what it says of these nights without a bug."""
    command = [sys.executable, "-m", "tests.world.planted", *TRIED, "--json", "--seen"]
    run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    lines = run.stdout.splitlines()
    rows = [json.loads(line) for line in lines if line.startswith("{")]
    assert rows, run.stderr
    return {row["bug"]: row for row in rows}, [line for line in lines if line.startswith("without a bug")]


def test_without_a_bug_the_world_holds_where_they_are_caught(came: tuple[dict[str, Any], list[str]]) -> None:
    assert came[1] == []


def test_every_bug_has_a_place_or_a_history() -> None:
    """Where one has none: `python -m tests.world.planted --keep NAME`."""
    assert {*BUGS} == {*seen(), *BY_HAND}
    assert not {*seen()} & {*BY_HAND}


def test_the_shows_of_histories_have_what_they_need(tmp_path: Path) -> None:
    demo, cable, times = (write_show(tmp_path / f"{number}", number) for number in (OSC, CABLE, TIMES))
    assert demo.feet == ["osc"]
    assert cable.ends[0] in cable.cables
    assert times.timetable["curfew"] == "19:10" and "laptop" in times.players


@pytest.mark.slow
@pytest.mark.parametrize("name", TRIED)
def test_the_world_catches(name: str, came: tuple[dict[str, Any], list[str]]) -> None:
    assert came[0][name]["rule"] is not None, came[0][name]["says"]
