"""The bars of a mix are what somebody has wished for, and not what a ceiling held when they did."""

from __future__ import annotations

from msgspec.structs import replace

from stagectl.core.actions import Action, GoTo, Lasts, Nudge
from stagectl.core.events import DeskCame, Event, Wanted
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.view.bars import Bars
from stagectl.where import shipped


def wanted(action: Action) -> Event:
    return Wanted(action=action, who="singer", listener=0)


def test_one_press_in_a_mix_that_is_held_is_one_bar() -> None:
    plan = compile_show(load_show(shipped("setlists") / "nine-songs")).plan
    plan = replace(plan, mix_ceilings=(-300, *plan.mix_ceilings[1:]))
    state = begin(plan, 0)
    for at, event in enumerate((DeskCame(), wanted(GoTo(stop=1)), wanted(Nudge(by=-100)))):
        state = step(plan, state, event, at * 10**10).state
    assert len(state.nudges[Lasts.HELD]) > 5
    (bar,) = Bars(plan).mixes(state)[0]["nudges"]
    assert (bar["input"], bar["by"], bar["held"]) == ("lead vocal", -100, True)
