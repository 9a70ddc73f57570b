"""Bugs in the pure core where it is about levels and the desk."""

from __future__ import annotations

from typing import Final

from .planted_bug import Bug

OF_LEVELS: Final = (
    Bug(
        "ceiling off by one step",
        1,
        "core/grid.py",
        "        reachable = bisect_right(self.steps, top)\n",
        "        reachable = min(bisect_left(self.steps, top) + 1, len(self.steps))\n",
    ),
    Bug(
        "ceiling skipped in a fade's frame",
        1,
        "core/asking.py",
        "            level = work.plan.in_steps(glide.send, fade.exact(glide, frame, work.plan.limits.nudge_floor))\n",
        "            level = work.plan.standing(glide.send, fade.exact(glide, frame, work.plan.limits.nudge_floor))\n",
    ),
    Bug(
        "mix ceiling not applied",
        1,
        "core/mixes.py",
        "    if ceiling is None or isinstance(whole, Off):\n        return None\n    return max(1,",
        "    if ceiling is None or whole is None or whole < 2_000:\n        return None\n    return max(1,",
    ),
    Bug(
        "mix passes its ceiling in mid-fade",
        1,
        "core/telling.py",
        "        most = self._most(send, aim)\n",
        "        most = None\n",
    ),
    Bug(
        "rise limit not applied",
        1,
        "core/telling.py",
        "        rise = plan.limits.rise\n",
        "        rise = None\n",
    ),
    Bug(
        "rise is never paid for",
        1,
        "core/telling.py",
        "            self.rising[send] = paid_at(step - start, self.rising.get(send), at, rise)\n",
        "            self.rising[send] = at\n",
    ),
    Bug(
        "ups before downs",
        "scene changes",
        "core/fade.py",
        "turns.get((send, glide.end), -1), rises, send // width",
        "turns.get((send, glide.end), -1), not rises, send // width",
    ),
    Bug(
        "a press waits for the fade before it",
        "scene changes",
        "core/asking.py",
        """\
    fade = plan_fade(
        glides,
        at=work.at,
""",
        """\
    fade = plan_fade(
        glides,
        at=work.at if state.fade is None or running is not None else max(work.at, state.fade.ends),
""",
    ),
    Bug(
        "echo taken for a hand",
        2,
        "core/doubt.py",
        "                low, high = min(ways), max(ways)\n",
        "                low, high = height(level), height(level)\n",
    ),
    Bug(
        "fade goes on over a hand",
        2,
        "core/touch.py",
        "        fade=None if state.fade is None else state.fade.without(send),\n",
        "        fade=state.fade,\n",
    ),
    Bug(
        "hand is fought",
        2,
        "core/touch.py",
        "        adopt(work, send, touch.before, touch.level, touch.level)\n",
        """\
        from stagectl.core.asking import resume

        work.set(left=work.state.left - {send})
        resume(work, fade_ns=0)
""",
    ),
    Bug(
        "message that comes after a hand is a hand",
        2,
        "core/answers.py",
        "    elif doubt is not None and doubt.crosses(level):\n",
        "    elif doubt is not None and doubt.was_told(level) and doubt.crosses(level):\n",
    ),
    Bug(
        "hand is not adopted",
        2,
        "core/touch.py",
        "    if touch.level != touch.before:\n",
        "    if touch.before is None:\n",
    ),
    Bug(
        "desk is told before it is read",
        2,
        "core/answers.py",
        ".with_doubts({send: Doubt(due=work.at) for send in sends}))\n",
        ".with_doubts({send: Doubt(due=work.at) for send in sends}))\n        _ready(work)\n",
    ),
    Bug(
        "unknown state not asserted",
        2,
        "core/answers.py",
        "desk_here=False, asked=unknown, retell=frozenset(), left=left)\n",
        "desk_here=False, asked=work.state.asked, retell=frozenset(), left=left)\n",
        needs=("cable",),
    ),
    Bug(
        "lost message is not told again",
        2,
        "core/answers.py",
        "    return not (doubt.was or work.state.known.reading) and (doubt.tries > 0 or not work.plan.can_ask(send))\n",
        "    return False\n",
    ),
    Bug(
        "hands on a desk that was away are forgotten",
        2,
        "core/answers.py",
        "    hands = [send for send in news if send in known.before]\n",
        "    hands: list[int] = []\n",
        needs=("hand",),
    ),
    Bug(
        "hush of one takes everybody down",
        3,
        "core/wishing.py",
        "range(len(plan.listeners)) if by.listener is None or action.everyone else (by.listener,)",
        "range(len(plan.listeners))",
    ),
    Bug(
        "nudge moves the input in every mix",
        3,
        "core/wishing.py",
        "    sends = [work.plan.send(asked.listener, column) for column in asked.columns]\n",
        "    everybody = range(len(work.plan.listeners))\n"
        "    sends = [work.plan.send(one, column) for one in everybody for column in asked.columns]\n",
    ),
    Bug(
        "nudge winds up at the ceiling",
        "levels",
        "core/nudges.py",
        "    if isinstance(way, Reason):\n        return way\n    trail =",
        "    if way is Reason.AT_CEILING:\n        return replace(kept, shift=kept.shift + wish.by)\n"
        "    if isinstance(way, Reason):\n        return way\n    trail =",
    ),
    Bug(
        "undo inexact",
        "levels",
        "core/undoing.py",
        "    return MappingProxyType(others | {send: before[send] for send in stands if send in before})\n",
        "    return MappingProxyType(others)\n",
    ),
    Bug(
        "undo takes back what another has done",
        "advancing",
        "core/undoing.py",
        "        if entry.who != by.who and not _by_hand_for(work, entry, by):\n",
        "        if False:\n",
    ),
    Bug(
        "undo takes a step back in mid-song",
        "advancing",
        "core/undoing.py",
        "work.at - entry.at > STOP_BACK_NS:\n",
        "work.at - entry.at > 100 * STOP_BACK_NS:\n",
    ),
    Bug(
        "undo brings a hush back that has ended",
        "advancing",
        "core/wishing.py",
        "        work.set(hushed=before.hushed - whose)\n",
        "        work.change(by.who, before, replace(before, hushed=before.hushed - whose))\n",
    ),
    Bug(
        "hush not taken back",
        "advancing",
        "core/wishing.py",
        "    back = whose <= before.hushed\n",
        "    back = whose < before.hushed\n",
    ),
    Bug(
        "fall back keeps nudges",
        "advancing",
        "core/advancing.py",
        "    fallen = Wishes(place=place, nudges=no_nudges(), rides=",
        "    fallen = Wishes(place=place, nudges=state.nudges, rides=",
    ),
    Bug(
        "nudge passes its range",
        8,
        "core/nudges.py",
        "if isinstance(wish.base, Off) else min(bounds.top, wish.base + bounds.limits.nudge_up)",
        "",
    ),
    Bug(
        "wire's budget passed within a fade",
        8,
        "core/fade.py",
        "    frame_ns = max(FRAME_NS, wire_ns, fade_ns // FRAMES_MAX)\n",
        "    frame_ns = max(FRAME_NS, fade_ns // FRAMES_MAX)\n",
    ),
)
