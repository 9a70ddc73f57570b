"""Nudges in a desk's own steps, by the real core: each moves at least one code, and forty there and back end where
they began."""

from __future__ import annotations

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shipped import PROFILES, profile_of

from stagectl.core.actions import GoTo, Nudge
from stagectl.core.effects import Refused
from stagectl.core.events import DeskCame, Wake, Wanted
from stagectl.core.levels import OFF, Level, height
from stagectl.core.limits import Limits
from stagectl.core.plan import Plan, Stop
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.wire.laws import Law

PRESSES = 40
SECOND = 1_000_000_000

LAWS = {
    f"{name}, {kind}": part.law()
    for name in PROFILES
    for kind, part in (("send", profile_of(name).send), ("whole mix", profile_of(name).whole_mix))
    if part is not None
}
WITH_OFF = {name: law for name, law in LAWS.items() if law.grid.has_off}


class Player:
    """One listener with one input at a desk of that law, and no limit but the desk's own."""

    def __init__(self, law: Law, base: Level) -> None:
        self.plan = Plan(
            inputs=("voice",),
            listeners=("singer",),
            own=(0,),
            ceilings=(2_000, 2_000),
            grid=law.grid,
            whole_grid=None,
            stops=(Stop(song=-1, section=-1, name="base", levels=(base, None)),),
            limits=Limits(nudge_floor=min(law.grid.steps[0], -4_000), nudge_up=40_000),
        )
        self.state: State = begin(self.plan, 0)
        self._do(DeskCame())
        self._do(Wanted(action=GoTo(stop=0), who="the start"))

    def _do(self, event: DeskCame | Wanted | Wake) -> bool:
        """The event, a second later, and all that comes of it; whether it was not refused."""
        self.state, effects = step(self.plan, self.state, event, self.state.now + SECOND)
        heard = not any(isinstance(effect, Refused) for effect in effects)
        while (due := next_wake(self.state)) is not None:
            self.state, _ = step(self.plan, self.state, Wake(), due)
        return heard

    def nudge(self, by: int) -> bool:
        """One press; whether it was heard."""
        return self._do(Wanted(action=Nudge(by=by, column=0), who="singer", listener=0))

    @property
    def asked(self) -> Level:
        """What the desk was asked for last."""
        level = self.state.asked[0]
        assert level is not None
        return level


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS)
@settings(max_examples=examples(12, least=4))
@given(data=st.data())
def test_forty_nudges_up_and_forty_down(law: Law, data: st.DataObject) -> None:
    steps = law.grid.steps
    base = data.draw(st.one_of(st.sampled_from(steps), st.integers(steps[0], steps[-1])), "base")
    by = data.draw(st.one_of(st.sampled_from((50, 100, 300)), st.integers(50, 1_200)), "by")
    player = Player(law, base)
    began, heard = player.asked, 0
    for _ in range(PRESSES):
        before = player.asked
        if not player.nudge(by):
            # Refused only at the end of the range: there is no step above within it.
            assert before == steps[-1]
            break
        heard += 1
        assert height(player.asked) > height(before)
        assert law.code(player.asked) != law.code(before)
    for _ in range(heard):
        before = player.asked
        assert player.nudge(-by)
        assert height(player.asked) < height(before)
        assert law.code(player.asked) != law.code(before)
    assert player.asked == began


@pytest.mark.parametrize("law", WITH_OFF.values(), ids=WITH_OFF)
def test_from_off_and_back_to_off(law: Law) -> None:
    player = Player(law, OFF)
    assert player.nudge(50)
    assert law.code(player.asked) != law.code(OFF)
    assert player.nudge(-50)
    assert player.asked is OFF
