"""Room in a mix: what the rest of it gives, so that one input, or a group, may rise.

- A nudge may ask for it (`rest: makes room`): then the mix's exact sum stays at most what it was. Without being asked,
  the rest makes room where the mix would come above its ceiling: then its steps come to the ceiling at most.
- Every input of the rest comes down by the same number of dB, never below the nudge floor, and by `Limits.room` at most
  in all. What each gives is a nudge of its own, of the same length as the one that it is given to, so that later
  presses find the levels that are heard. The press that takes the other nudge back takes these back too, as undo does.
- A mix that its ceiling holds lower is first taken as it is heard: so each press moves what it names, and nothing else.
  So is an input that its own ceiling holds, where a press takes it down. What a treadle brought above the ceiling is
  taken from its shift, and the treadle has to meet the level anew. The rest becomes nudges that last as long as the
  same stop and scene: elsewhere, where it may be quieter, the press is worth no more than it was here.
"""

from __future__ import annotations

from collections.abc import Collection
from types import MappingProxyType

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.actions import Lasts
from stagectl.core.levels import Level
from stagectl.core.mixes import Row, total
from stagectl.core.nudges import (
    NONE,
    TRAIL_MAX,
    Gave,
    Nudge,
    Nudges,
    Wish,
    above,
    before_last,
    is_held,
    put,
    with_nudges,
)
from stagectl.core.rest import Mix, mix_of
from stagectl.core.state import Wishes
from stagectl.core.targets import mix_at
from stagectl.core.work import Work


def as_heard(work: Work, listener: int, sends: Collection[int] = ()) -> Wishes:
    """What is asked for with what a mix's ceiling holds down now made a part of it, and what the own ceilings of some
    of its sends do."""
    plan, now = work.plan, work.state.wishes
    held = listener in work.state.held
    if not (sends or held):
        return now
    bases, heard = work.base, dict[int, tuple[Wish, Level]]()
    for send in sends:
        base, bounds = bases[send], plan.bounds[send]
        if isinstance(base, int) and bounds is not None and bounds.top >= bounds.limits.nudge_floor:
            wish = Wish(send, base, 0, Lasts.HELD, now.rides.get(send, 0))
            if is_held(wish, now.nudges, bounds):
                heard[send] = wish, bounds.top
    if held:
        mix = mix_at(plan, listener, now).mix
        for column, (level, wanted) in enumerate(zip(mix.row[:-1], mix.wanted[:-1], strict=True)):
            send = plan.send(listener, column)
            base = bases[send]
            if level != wanted and wanted is not None and base is not None:
                heard[send] = Wish(send, base, 0, Lasts.HELD, now.rides.get(send, 0)), wanted
    if not heard:
        return now
    rides, nudges = {}, {}
    for send, (wish, level) in heard.items():
        eased = _eased(wish, level, now.nudges)
        if eased != wish.ride:
            rides[send] = eased
        nudges[send] = put(replace(wish, ride=eased), level, now.nudges, work.bounds(send))
    held_now = with_nudges(now.nudges, Lasts.HELD, nudges)
    return replace(now, nudges=held_now, rides=MappingProxyType(now.rides | rides) if rides else now.rides)


def _eased(wish: Wish, level: Level, nudges: Nudges) -> int:
    """The shift of a treadle without what it brings above a level."""
    if wish.ride <= 0 or not isinstance(wish.base, int) or not isinstance(level, int):
        return wish.ride
    return wish.ride - min(wish.ride, max(0, above(wish.base, wish, nudges, level)))


class Asks(Struct, frozen=True):
    """What room is asked for: in whose mix, for which columns, for how long, by which press. `sum_stays`: the sum is to
    stay what it is `before`; else only the ceiling counts."""

    listener: int
    columns: tuple[int, ...]
    lasts: Lasts
    press: int
    sum_stays: bool
    before: Row


def fits(asks: Asks, mix: Mix) -> bool:
    """Whether a mix may come to these levels."""
    if asks.sum_stays and total(mix.row[:-1]) > total(asks.before[:-1]):
        return False
    if mix.most is None:
        return True
    # The desk's steps count; the exact levels too, where these are close to the ceiling.
    return not mix.held and (2 * mix.power < mix.most or total(mix.row[:-1]) <= mix.most)


def made(work: Work, asks: Asks, wishes: Wishes, row: Row) -> Nudges | None:
    """The nudges with as much room made as is needed; None where the rest cannot make so much. `row`: the mix that the
    wishes make without it."""
    plan, limits, nudges = work.plan, work.plan.limits, wishes.nudges
    kept, first = nudges[asks.lasts], plan.send(asks.listener, 0)
    gives = {
        column: limits.room - kept.get(first + column, NONE).room
        for column, level in enumerate(row[:-1])
        if isinstance(level, int) and column not in asks.columns
    }

    def down(by: int) -> Row:
        out = list(row)
        for column, most in gives.items():
            level = out[column]
            assert isinstance(level, int)
            out[column] = max(level - min(by, most), min(level, limits.nudge_floor))
        return out

    low, high = 0, limits.room
    above = work.state.above.get(asks.listener, 0)
    if not fits(asks, mix_of(plan, asks.listener, down(high), above)):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(asks, mix_of(plan, asks.listener, down(middle), above)) else (middle, high)
    bases, found = work.base, {}
    for column, level in enumerate(down(high)[:-1]):
        was, send = row[column], first + column
        base = bases[send]
        if level != was and isinstance(level, int) and isinstance(was, int) and base is not None:
            old = kept.get(send, NONE)
            wish = Wish(send, base, 0, asks.lasts, wishes.rides.get(send, 0))
            gave = Gave(asks.press, 0, old.shift, old.lift, old.room)
            new = put(wish, level, nudges, work.bounds(send))
            found[send] = replace(new, room=old.room + was - level, trail=(*old.trail, gave)[-TRAIL_MAX:])
    return with_nudges(nudges, asks.lasts, found)


def given_back(work: Work, listener: int, nudges: Nudges, lasts: Lasts, presses: Collection[int]) -> dict[int, Nudge]:
    """What the rest of a mix gave to these presses, if nobody has changed it since."""
    mine, mix = nudges[lasts], work.plan.mixes[listener]
    return {
        send: before_last(kept)
        for send in range(mix.start, mix.stop)
        if (kept := mine.get(send, NONE)).trail and kept.trail[-1].by == 0 and kept.trail[-1].press in presses
    }
