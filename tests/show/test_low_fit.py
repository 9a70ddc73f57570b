"""Levels below the lowest that the desk's profile can say: refused where a file says them, warned of where a shift
comes to them, and let be where nobody would hear it."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_copies import SETLIST, Copy

from stagectl.show.advice import advice_on
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

PROFILE = "osc-decibels.yaml"
VALUES = "    law: db\n    lowest: -90\n    highest: 10\n    step: 0.1\n    off: -100\n"


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    return Copy(tmp_path, "three-songs")


def chart(copy: Copy, *points: str) -> None:
    """The sends' values are points."""
    copy.plant(PROFILE, VALUES, f"    law: points\n    points: [{', '.join(points)}]\n")


def test_a_level_below_the_chart_is_a_fault_at_the_first_place_that_says_it(copy: Copy) -> None:
    """Marks at off, 0 and +10 alone: told -18 dB, the desk would get 0."""
    chart(copy, "[0, off]", "[0.75, 0]", "[1, 10]")
    [(file, line, says)] = copy.faults()
    assert (file, line) == (SETLIST, 7)
    assert says == (
        "the desk profile `generic desk over OSC, in decibels` cannot say -3 dB, and the desk would get 0 dB, the "
        "lowest that it can say: say `off`, or give its `values` a lower level from the desk's own chart; so it is at "
        "10 more of the setlist's levels"
    )


def test_off_is_a_fault_where_the_profile_cannot_say_it(copy: Copy) -> None:
    """0, -10 and -30 alone: told off, the desk would get -30."""
    chart(copy, "[0.25, -30]", "[0.5, -10]", "[0.75, 0]")
    [(file, line, says)] = copy.faults()
    assert (file, line) == (SETLIST, 9)
    assert "cannot say off, and the desk would get -30 dB" in says
    assert "give its `values` `off` from the desk's own chart; so it is at 1 more" in says


def test_what_the_base_leaves_out_is_off(copy: Copy) -> None:
    chart(copy, "[0.25, -30]", "[0.5, -10]", "[0.75, 0]")
    copy.plant(SETLIST, ", stomp: off}\n\n", "}\n\n")
    copy.plant(SETLIST, "      everyone: {stomp: off}\n", "")
    [(_, line, says)] = copy.faults()
    assert (line, "cannot say off" in says) == (9, True)


@pytest.mark.parametrize(
    "points",
    [
        ("[0, off]", "[0.1, -30]", "[1, 10]"),
        ("[0, off]", "[0.1, -19]", "[1, 10]"),
        # Nobody hears the difference between -60 dB and off.
        ("[0, -60]", "[0.5, -10]", "[1, 10]"),
    ],
)
def test_what_the_desk_can_go_down_to_is_let_be(copy: Copy, points: tuple[str, ...]) -> None:
    chart(copy, *points)
    assert copy.faults() == []


@pytest.mark.parametrize(("lowest", "is_fault"), [("-17.5", False), ("-16.9", True)])
def test_a_desk_may_be_a_db_above_what_is_asked_for(copy: Copy, lowest: str, is_fault: bool) -> None:
    chart(copy, "[0, off]", f"[0.1, {lowest}]", "[1, 10]")
    assert bool(copy.faults()) is is_fault


def test_a_step_of_a_coarse_desk_is_no_fault(copy: Copy) -> None:
    """-18 is less than a step below -15."""
    copy.plant(PROFILE, VALUES, "    {law: db, lowest: -15, highest: 10, step: 5, off: -100}\n")
    assert copy.faults() == []


def test_a_shift_that_comes_to_such_a_level_is_warned_of(copy: Copy) -> None:
    chart(copy, "[0, off]", "[0.1, -30]", "[1, 10]")
    copy.plant(SETLIST, "      fiddler: {own: up 2}\n", "      fiddler: {voice: down 22}\n")
    assert copy.faults() == []
    show = copy.show()
    [says] = [one.text for one in advice_on(show, compile_show(show, None).plan) if "the desk would get" in one.text]
    assert says.startswith("voice in the mix of fiddler comes to -32 dB in `Seven Gates`, and the desk would get -30")


@pytest.mark.parametrize("name", sorted(path.name for path in shipped("setlists").iterdir() if path.is_dir()))
def test_the_demo_shows_are_not_warned(name: str) -> None:
    show = load_show(shipped("setlists") / name)
    found = advice_on(show, compile_show(show, None).plan)
    assert not [one for one in found if "the desk would get" in one.text]
