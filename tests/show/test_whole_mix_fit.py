"""Whole mixes that a ceiling counts as 0 dB and nothing reads: who is warned of them, at which line, in which words.

Which shows are meant follows from README.md, and is said here case by case.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_copies import RIG, SETLIST, Copy

from stagectl.show.advice import advice_on
from stagectl.show.compile import compile_show
from stagectl.show.whole_mix_fit import counted_as_0_db

PROFILE = "osc-decibels.yaml"
ANSWERS = Path(__file__).resolve().parents[2] / "mappings" / "desks" / PROFILE
DESK = "desk:\n  profile"
ALL = "nothing tells or reads the whole mixes of singer, fiddler and accordionist, and the ceilings of these mixes"


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    return Copy(tmp_path, "three-songs")


def deaf(copy: Copy, *, but: str = "") -> None:
    """The desk's profile has no answers, but for some."""
    text = ANSWERS.read_text("utf-8")
    copy.plant(PROFILE, text[text.index("answers:") :], but)


def warned(copy: Copy) -> list[tuple[str, int, str]]:
    """File, line and sentence of each warning of a whole mix."""
    show = copy.show()
    found = advice_on(show, compile_show(show, None).plan)
    return [(Path(one.file).name, one.line, one.text) for one in found if "whole mix" in one.text]


def test_a_show_without_a_ceiling_of_its_own_is_not_warned(copy: Copy) -> None:
    assert warned(copy) == []
    deaf(copy)
    assert warned(copy) == []


@pytest.mark.parametrize(
    ("answers", "is_warned"),
    [
        (None, False),
        ("", True),
        ("answers: {reports: yes}\n", True),
        ('answers: {ask: {osc: "/ask/mix/{mix}/from/{input}"}}\n', True),
    ],
)
def test_a_desk_that_cannot_be_read_is(copy: Copy, answers: str | None, is_warned: bool) -> None:
    """Of one that says what hands move, nobody knows where it began; one may be asked for its sends alone."""
    copy.plant(RIG, DESK, f"mix ceiling: 3  #!\n\n{DESK}")
    if answers is not None:
        deaf(copy, but=answers)
    found = warned(copy)
    assert [(file, line) for file, line, _ in found] == [(RIG, *copy.marked(RIG))] * is_warned
    assert all(text.startswith(ALL) and text.count("0 dB") == 1 and "by hand" in text for _, _, text in found)


def test_one_listener_s_ceiling_is_warned_of_at_its_line(copy: Copy) -> None:
    deaf(copy)
    copy.plant(RIG, "own input: fiddle}", "own input: fiddle, mix ceiling: 2}  #!")
    ((file, line, text),) = warned(copy)
    assert (file, [line]) == (RIG, copy.marked(RIG))
    assert text == (
        "nothing tells or reads the whole mix of fiddler, and the ceiling of that mix counts it as 0 dB: set it there "
        "by hand at the desk; above that, the mix may be as much louder"
    )
    show = copy.show()
    assert counted_as_0_db(show.rig, compile_show(show, None).plan) == text


def test_whole_mixes_that_the_show_drives_and_desks_without_any_are_not(copy: Copy) -> None:
    deaf(copy)
    copy.plant(RIG, DESK, f"mix ceiling: 3\n\n{DESK}")
    text = (copy.folder / SETLIST).read_text("utf-8")
    base = text[text.index("base:") : text.index("songs:")]
    for name in ("singer", "fiddler"):
        assert base.count(f"  {name}: {{") == 1
        copy.plant(SETLIST, f"\n  {name}: {{", f"\n  {name}: {{whole mix: -3, ")
    ((_, _, said),) = warned(copy)
    assert "the whole mix of accordionist, and" in said
    profile = (copy.folder / PROFILE).read_text("utf-8")
    (copy.folder / SETLIST).write_text(text, "utf-8")
    (copy.folder / PROFILE).write_text(profile[: profile.index("whole mix:")], "utf-8")
    assert warned(copy) == []
