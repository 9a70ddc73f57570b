"""What `nudge rest` is called where it is refused: the rest that it would have moved."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from shows import run, settled, small_plan, wish

from stagectl.core.actions import Nudge, NudgeRest
from stagectl.core.effects import Reason, Refused
from stagectl.core.levels import OFF
from stagectl.core.plan import Group

PLAN = replace(small_plan((-300, -600, OFF, OFF)), groups=(Group(name="band", columns=(0, 1)),))


@pytest.mark.parametrize(
    ("action", "what"),
    [
        (NudgeRest(by=-200, column=PLAN.width), "all but band in the mix of listener 0"),
        (Nudge(by=-200, column=2), "input 2 in the mix of listener 0"),
    ],
)
def test_a_refusal_names_what_would_have_moved(action: Nudge | NudgeRest, what: str) -> None:
    state = settled(PLAN)
    ran = run(PLAN, [(state.now, wish(action))], state)
    assert [(one.reason, one.what) for one in ran.of(Refused)] == [(Reason.AT_BOTTOM, what)]


def test_the_rest_of_an_own_input_has_its_name() -> None:
    plan = small_plan((-300, OFF))
    state = settled(plan)
    ran = run(plan, [(state.now, wish(NudgeRest(by=-200)))], state)
    assert [one.what for one in ran.of(Refused)] == ["all but input 0 in the mix of listener 0"]
    assert ran.state.wishes == state.wishes
