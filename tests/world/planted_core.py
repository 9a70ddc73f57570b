"""Bugs in the pure core: levels and the desk first, then feet and tracks."""

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
        "            level = work.plan.in_steps(glide.send, fade.exact(glide, work.plan.limits.nudge_floor))\n",
        "            level = work.plan.standing(glide.send, fade.exact(glide, work.plan.limits.nudge_floor))\n",
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
        "        most = self._most(send)\n",
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
        "turns.get((glide.send, glide.end), -1), rises, glide.send // width",
        "turns.get((glide.send, glide.end), -1), not rises, glide.send // width",
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
        ".with_doubts({send: Doubt(due=work.at) for send in sends}))\n    _ready(work)\n",
    ),
    Bug(
        "unknown state not asserted",
        2,
        "core/answers.py",
        "desk_here=False, asked=unknown, retell=frozenset(), left=left)\n",
        "desk_here=False, asked=work.state.asked, retell=frozenset(), left=left)\n",
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
        "    if way is Reason.AT_CEILING:\n        return kept._replace(shift=kept.shift + wish.by)\n"
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

OF_FEET: Final = (
    Bug(
        "an event overtakes what was due before it",
        5,
        "core/step.py",
        "    _advance(work, now)\n    work.at = now\n",
        "    if type(event) is Wake:\n        _advance(work, now)\n    work.at = now\n",
    ),
    Bug(
        "settle time ignored",
        6,
        "core/advancing.py",
        "    if state.last_next is not None and work.at - state.last_next < work.plan.limits.settle_ns:\n",
        "    if state.last_next is not None and work.at - state.last_next < 0:\n",
    ),
    Bug(
        "refused next moves the settle time on",
        6,
        "core/advancing.py",
        "        refuse(work, by, Reason.TOO_SOON)\n",
        "        refuse(work, by, Reason.TOO_SOON)\n        work.set(last_next=work.at)\n",
    ),
    Bug(
        "refused clearing forgets what can be undone",
        6,
        "core/wishing.py",
        "        refuse(work, by, Reason.NOTHING_TO_CLEAR)\n",
        "        refuse(work, by, Reason.NOTHING_TO_CLEAR)\n        work.set(undo=())\n",
    ),
    Bug(
        "refusal at a ceiling not recorded",
        6,
        "core/wishing.py",
        "        refuse(work, by, given.reason, given.what or work.plan.part_name(asked.listener, asked.named))\n",
        "        if given.reason is not Reason.AT_CEILING:\n"
        "            refuse(work, by, given.reason, given.what or work.plan.part_name(asked.listener, asked.named))\n",
    ),
    Bug(
        "unknown message dropped silently",
        6,
        "core/step.py",
        "def _unmapped(work: Work, event: Unmapped) -> None:\n",
        "def _unmapped(work: Work, event: Unmapped) -> None:\n    return\n",
    ),
    Bug(
        "bounce counts as a foot",
        "advancing",
        "core/contacts.py",
        "        if now < contact.shuts:\n",
        "        if now < contact.since:\n",
    ),
    Bug(
        "bounce dropped silently",
        6,
        "core/step.py",
        "    if bounced:\n",
        "    if bounced > 99:\n",
    ),
    Bug(
        "treadle's level jumps",
        "levels",
        "core/rides.py",
        "    holds = abs(shift - now) <= PICK_UP\n",
        "    holds = True\n",
    ),
    Bug(
        "stuck hold on unplug",
        7,
        "core/step.py",
        "        hands=MappingProxyType({key: hand for key, hand in state.hands.items() if key[0] != pedal}),\n",
        "        hands=state.hands,\n",
    ),
    Bug(
        "pulled cable fires",
        7,
        "core/step.py",
        "def _pedal_went(work: Work, event: PedalWent) -> None:\n",
        "def _pedal_went(work: Work, event: PedalWent) -> None:\n"
        "    for key in [key for key in work.state.hands if key[0] == event.pedal]:\n"
        "        _edge(work, key, Edge.UP)\n",
    ),
    Bug(
        "press fires on coming back",
        7,
        "core/step.py",
        "    pedal_is(work, event.pedal, here=True)\n",
        "    pedal_is(work, event.pedal, here=True)\n"
        "    for at, control in enumerate(work.plan.pedals[event.pedal].controls):\n"
        "        if not control.turns:\n"
        "            _acts(work, (event.pedal, at), Kind.LATCHING, True)\n"
        "            break\n",
    ),
    Bug(
        "first press after coming back is lost",
        7,
        "core/step.py",
        "MappingProxyType({key: contact for key, contact in state.contacts.items() if key[0] != pedal})",
        "state.contacts",
    ),
    Bug(
        "repeats without end",
        8,
        "core/gestures.py",
        "    if repeats >= REPEAT_MAX:\n",
        "    if repeats < 0:\n",
    ),
    Bug(
        "lamps told faster than their gap",
        8,
        "core/lamps.py",
        "    if differ and work.at >= lights.free:\n",
        "    if differ:\n",
    ),
    Bug(
        "lamp told wrong",
        2,
        "core/lamps.py",
        "    return Showing(ON if (hushed if whose is None else whose in hushed) else OFF)\n",
        "    return Showing(ON if hushed else OFF)\n",
    ),
    Bug(
        "track section fires twice",
        6,
        "core/tracks.py",
        "    if work.state.place.stop < section.stop:\n        _bring",
        "    if work.state.place.stop <= section.stop:\n        _bring",
    ),
    Bug(
        "song's end goes a song too far",
        "advancing",
        "core/tracks.py",
        "    first = plan.first_of(work.song + 1)\n",
        "    first = plan.first_of(work.song + 2)\n",
    ),
)
