"""Whatever can be asked for, in a plan with names that mislead, and everything else refused with a sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.actions import Back, ClearNudges, FallBack, Hush, Next, Nudge, StartCue, Undo
from stagectl.core.plan import Plan
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.heard import event, heard
from stagectl.view.asked import STEPS, asked

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_show(load_show(ROOT / "setlists" / "three-songs")).plan


SINGER = {"listener": "singer"}


@pytest.mark.parametrize(
    ("want", "action", "listener"),
    [
        ({"do": "next"}, Next(), None),
        ({"do": "back"}, Back(), None),
        ({"do": "fall back"}, FallBack(), None),
        ({"do": "hush everyone"}, Hush(everyone=True), None),
        ({"do": "start cue"}, StartCue(), None),
        ({"do": "hush", "listener": "fiddler"}, Hush(), 1),
        ({"do": "undo", **SINGER}, Undo(), 0),
        ({"do": "clear nudges", **SINGER}, ClearNudges(), 0),
        ({"do": "nudge", **SINGER, "input": "own", "by": 100}, Nudge(by=100), 0),
        ({"do": "nudge", **SINGER, "input": "fiddle", "by": -300}, Nudge(by=-300, column=1), 0),
        ({"do": "nudge", **SINGER, "input": "whole mix", "by": -100}, Nudge(by=-100, column=4), 0),
    ],
)
def test_a_want_is_an_event_of_the_page(plan: Plan, want: dict[str, Any], action: object, listener: int | None) -> None:
    found = asked(plan, want)
    who = "page" if listener is None else f"page for {plan.listeners[listener]}"
    assert (found.action, found.who, found.listener) == (action, who, listener)
    assert event(heard(found, 1)) == found


@pytest.mark.parametrize(
    ("want", "says"),
    [
        ({}, "nothing is done by nothing"),
        ({"do": "nxt"}, "did you mean `next`"),
        ({"do": "None"}, "nothing is done by `None`"),
        ({"do": "next", "listener": "singer"}, "takes no `listener`"),
        ({"do": "hush"}, "no listener nothing"),
        ({"do": "hush", "listener": "singr"}, "did you mean `singer`"),
        ({"do": "hush", "listener": 0}, "no listener `0`"),
        ({"do": "nudge", **SINGER, "input": "fidle", "by": 100}, "did you mean `fiddle`"),
        ({"do": "nudge", **SINGER, "input": "own"}, "`by` is nothing; a nudge is one of -300, -100, 100, 300"),
        ({"do": "nudge", **SINGER, "input": "own", "by": True}, "`by` is `True`"),
        ({"do": "nudge", **SINGER, "input": "own", "by": 1200}, "`by` is `1200`"),
        ({"do": "nudge", **SINGER, "input": "own", "by": "100"}, "`by` is `100`"),
        ({"do": "nudge", **SINGER, "by": 100}, "no input nothing"),
        ({"do": "move", "pedal": "floor board"}, "nothing is done by `move`"),
    ],
)
def test_what_makes_no_sense_is_refused(plan: Plan, want: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match="(?s)" + says.replace("(", r"\(")):
        asked(plan, want)


@given(
    st.dictionaries(
        st.sampled_from(["do", "listener", "input", "by", "x"]),
        st.sampled_from(["next", "hush", "nudge", "singer", "own", "fiddle", 100, True, -1, "", "é"]),
        max_size=5,
    )
)
def test_no_nudge_is_larger_than_a_step(plan: Plan, want: dict[str, Any]) -> None:
    try:
        found = asked(plan, want)
    except ValueError:
        # What it says, the examples above look at.
        return
    assert not isinstance(found.action, Nudge) or found.action.by in STEPS
