"""Passing over: where nothing happens for long, time goes on at once to shortly before what comes next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .clock import MS, SECOND

if TYPE_CHECKING:
    from .night import World

TAIL_NS: Final = 6 * SECOND
"""How long after an input everything has come to rest."""

AHEAD_NS: Final = 1_500 * MS
"""So long before the next input time goes on as always."""

BEFORE_NS: Final = 200 * MS
"""And so long before a timer of the program's own."""

ASKS: Final = ("_heard_at", "_probed_at", "_subscribed_at")
"""What the desk's side remembers of what it does again and again."""


def pass_over(world: World) -> bool:
    """Whether nothing has been done for long, and nothing is: then time goes on at once. What the program does again
    and again is taken to have been done meanwhile, and what it asks to have been answered."""
    life, now = world.life, world.clock.world
    if life is None or not life.ready or now - max(world.agenda.last_input, life.began) < TAIL_NS:
        return False
    until = world.agenda.next_at
    if until is None or world.agenda.waits or world.rounds.waits or world.desk_end.stand_in.due is not None:
        return False
    if now < world.rules.looks_until():
        return False
    stay = timers(life.daemon)
    own = life.loop.first_of_others(stay)
    ends = [world.clock.of_world(until) - AHEAD_NS, *([] if own is None else [own - BEFORE_NS])]
    by = min(ends) - world.now
    if by < SECOND:
        return False
    world.rules.settled()
    life.loop.shift(by, stay)
    for name in ASKS:
        if getattr(life.daemon.side, name):
            setattr(life.daemon.side, name, getattr(life.daemon.side, name) + by)
    world.desk_end.passed_over(by)
    world.rounds.recorder._synced += by / 1e9
    world.clock.to(world.now + by)
    world.trace.say(world.clock.world, "- passed over")
    return True


def timers(daemon: Any) -> list[Any]:
    """What the program is to do at a time: what the core asks for, and what the clock on the wall brings."""
    schedule = daemon.jobs._schedule
    return [daemon.night._timer, None if schedule is None else schedule._scheduler._timeout]
