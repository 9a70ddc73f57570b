"""The proof against nights by chance: whatever feet do, on crooked desks too, no level leaves what was proved of it."""

from __future__ import annotations

from hypothesis import given
from shows import Night, nights, wish

from stagectl.core.actions import Recall
from stagectl.core.events import DeskSaid, Wanted
from stagectl.core.levels import OFF, height
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.core.targets import scene_levels, target_of
from stagectl.proof.fallen import as_scene, with_fall_back
from stagectl.proof.prove import reaches, walked
from stagectl.proof.scenery import Scenery
from stagectl.proof.spans import Spans


@given(nights(max_events=40))
def test_no_level_leaves_what_was_proved(night: Night) -> None:
    plan = night.plan
    proved = with_fall_back(plan)
    spans = Spans(walked(proved).ways, Scenery(proved))
    state = step(plan, begin(plan, 0), wish(Recall(), who="the start", listener=None), 0).state
    for at, event in night.events:
        # The proof is about feet, and not about one that is not done with a control while the place changes.
        if isinstance(event, Wanted | DeskSaid):
            continue
        before, state = state, step(plan, state, event, at).state
        if (before.hands or state.hands) and (before.place, before.layers) != (state.place, state.layers):
            return
        place = as_scene(state.place, len(plan.scenes))
        node = spans.ways.number[place.stop, place.scene]
        base = scene_levels(plan, state.place)
        for send, wanted in enumerate(state.wanted):
            # What the mix as a whole does to it only lowers it.
            level = target_of(plan, send, state.wishes, base)
            assert wanted is None or height(wanted) <= height(OFF if level is None else level)
            ends = reaches(spans, node, send)
            assert (ends is None) == (level is None)
            if ends is not None and level is not None:
                assert height(level) <= height(ends[1])
                # Room and a mix's ceiling lower levels further: the proof is about how high they get.
                gave = any(one.room for kept in state.nudges for one in kept.values())
                bounded = plan.mix_ceilings[plan.listener_of(send)] is not None
                assert gave or bounded or height(ends[0]) <= height(level)
