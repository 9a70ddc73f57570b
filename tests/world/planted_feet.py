"""Bugs in the pure core where it is about feet and tracks."""

from __future__ import annotations

from typing import Final

from .planted_bug import Bug

OF_FEET: Final = (
    Bug(
        "an event overtakes what was due before it",
        5,
        "core/step.py",
        "    _advance(work, now)\n    if state.now != now:\n",
        "    if type(event) is Wake:\n        _advance(work, now)\n    if state.now != now:\n",
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
        '        refuse(work, by, given.reason, given.what or (f"all but {part}" if asked.others else part))\n',
        "        if given.reason is not Reason.AT_CEILING:\n"
        '            refuse(work, by, given.reason, given.what or (f"all but {part}" if asked.others else part))\n',
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
        needs=("cable",),
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
