"""Hands on the desk: each is adopted when it has come to rest, none is fought, and nothing else counts as one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from msgspec.structs import replace

from stagectl.core.effects import Ask, Changed, Left
from stagectl.core.events import DeskWent
from stagectl.core.targets import scene_levels

from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

HANDS_MAX: Final = 8
"""Sends that hands may have moved while the desk was away."""


class HandRules:
    """Looks on."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._moved: set[Any] = set()
        self._bounded: set[int] = set()
        """Sends whose hand counted as far as there was room in the mix then: it is let be, also with room later."""
        self.echoes_lost = False
        """Whether the desk was ever away, or a process: then it may differ from what is known, as if by a hand."""

    def hand(self, spot: Any) -> None:
        """Somebody's hand moves a level on the desk."""
        self._moved.add(spot)

    def stepped(self, before: Any, event: Any, after: Any, effects: Any) -> None:
        """What a hand has moved counts as a change when it has come to rest. Of a desk that comes back, a few levels
        that are not what they were count as moved by hands."""
        if isinstance(event, DeskWent):
            self.echoes_lost = True
        by_hand = {
            move.send for one in effects if isinstance(one, Changed) and one.cause == "hand" for move in one.moves
        }
        for send, touch in before.touches.items():
            rests = send not in after.touches and touch.level != touch.before
            if rests and send not in by_hand and getattr(event, "send", None) != send:
                raise Broken(2, f"a hand has put send {send} to {touch.level}, and it is not adopted")
        # What follows in the same step may make room that there was not.
        alone = all(one.who == "desk" for one in effects if isinstance(one, Changed))
        for one in effects:
            if isinstance(one, Ask):
                under = {send for send, _ in one.levels} & before.touches.keys() & after.touches.keys()
                if under:
                    raise Broken(2, f"sends {sorted(under)} are told something while a hand is on them")
            if isinstance(one, Changed) and one.cause == "hand":
                self._counts(one, after if alone else None)
            if isinstance(one, Changed) and one.cause == "hand" and not self.echoes_lost:
                spots = [self.world.rules.desk._spot(move.send) for move in one.moves]
                if not self._moved.issuperset(spots):
                    raise Broken(2, f"nobody's hand has moved {spots}, and it counts as one: {one.moves}")
            if isinstance(one, Changed) and one.cause == "read":
                moved = [move for move in one.moves if move.before is not None]
                if 0 < len(moved) <= min(HANDS_MAX, len(after.known.said) // 2):
                    raise Broken(2, f"hands on a desk that was away are not adopted: {moved}")

    def _counts(self, one: Changed, then: Any) -> None:
        """What a hand counts as: less than it has put, only where the mix is near its ceiling. `then`: the state when
        it counted, or None where that is not to be seen."""
        sends = {move.send for move in one.moves}
        self._bounded -= sends
        if one.why is not Left.MIX_CEILING:
            return
        self._bounded |= sends
        if then is None:
            return
        plan = self.world.compiled.plan
        for listener in map(plan.listener_of, sends):
            if not (_is_loud(plan, then, listener) or _is_loud(plan, replace(then, asked=then.steps), listener)):
                raise Broken(
                    2, f"the mix of {plan.listeners[listener]} has room, and a hand in it does not count: {one}"
                )

    def settled(self) -> None:
        """Nothing has happened for long: what hands have left counts as what their listener wants, where it may."""
        life = self.world.life
        if life is None or not life.ready:
            return
        plan, state = life.daemon.night.plan, life.daemon.night.state
        if not (state.recalled and state.desk_here) or state.fade is not None or state.touches or state.known.doubts:
            return
        base = scene_levels(plan, state.place)
        for send in state.left:
            asked, bounds, listener = state.asked[send], plan.bounds[send], plan.listener_of(send)
            if base[send] is None or bounds is None or not isinstance(asked, int) or listener in state.hushed:
                continue
            if send in self._bounded:
                continue
            if bounds.limits.nudge_floor <= asked <= bounds.top and not _is_loud(plan, state, listener):
                raise Broken(2, f"a hand has put the {plan.send_name(send)} to {asked}, and it is not adopted")


def _is_loud(plan: Any, state: Any, listener: int) -> bool:
    """Whether a mix is near its ceiling as a sum, within 1 dB: then a hand may have to be left as it is."""
    ceiling = plan.mix_ceilings[listener]
    if ceiling is None:
        return False
    levels = state.asked[plan.send(listener, 0) : plan.send(listener + 1, 0)]
    powers = sum(10 ** (level / 1_000) for level in levels[:-1] if isinstance(level, int))
    # One that the show does not drive makes no room where it is lower than 0 dB.
    whole = levels[-1] if isinstance(levels[-1], int) else 0
    if state.steps[plan.send(listener, plan.whole)] is None:
        whole = max(0, whole)
    return bool(powers) and 1_000 * math.log10(powers) + whole > ceiling - 100
