"""The desk: is it there, does it answer, and is anything amiss in what it says?

It is asked by the code of `run --dry` and told nothing. Where another process drives it, it is not even asked: over
MIDI, questions amid that one's messages could be taken for parts of them.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import nullcontext
from typing import Final, NamedTuple

from stagectl.core.levels import Level, text
from stagectl.core.mixes import most_of, total
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.core.whole_mixes import is_left_alone
from stagectl.live.dry import Reader
from stagectl.live.record import desk_driver
from stagectl.live.whole_mixes import off_at_the_desk
from stagectl.ready.finding import Finding, fine, look, unknown, wrong
from stagectl.ready.ports import apart
from stagectl.ready.room import Room
from stagectl.show.whole_mix_fit import counted_as_0_db

DESK: Final = "desk"
WHOLE_MIXES: Final = "whole mixes"

LOOK_AT_THE_DESK: Final = "look at the desk itself, and ask again; see that its profile asks for them as it answers"
"""What to do where a desk has not said what it could say."""

FOUND_S: Final = 2.0
"""How long its port has to be found and the desk to answer, s."""

READ_S: Final = 1.5
"""How long reading it may take after that, s."""

ALL_S: Final = 3.2
"""How long all of it may take, s, with the wait for the MIDI drivers."""

NAMED_MAX: Final = 4
"""Levels that a sentence names; more are counted."""


class Read(NamedTuple):
    """What came of asking. `wants`: as the rig says it; `port`: its full name; `answered`, `known`: how long the first
    answer, and all of them, took, ns; None where they did not come. `heard`: whether the port on which it answers was
    found; `troubles`: what was odd, in sentences."""

    wants: str
    port: str | None
    is_midi: bool
    can_read: bool
    answered: int | None
    known: int | None
    heard: bool = True
    troubles: tuple[str, ...] = ()


def desk(room: Room) -> list[Finding]:
    """The desk, its whole mixes and its levels."""
    counted = counted_as_0_db(room.show.rig, room.plan)
    by_hand = [] if counted is None else [look(WHOLE_MIXES, counted, "look at them at the desk itself")]
    if room.player is not None:
        return [unknown(DESK, "it is not asked while this show is played: its night says what it says"), *by_hand]
    driver = desk_driver(room.show)
    if driver is not None:
        says, do = f"process {driver} drives it: it is not asked", "look at what that night says of the desk"
        return [look(DESK, says, do), *by_hand]
    ends = time.monotonic() + ALL_S
    with room.midi if room.show.rig.desk.port is not None else nullcontext():
        read, state = asyncio.run(_read(room, ends))
    return [*judged(room.plan, read, state), *by_hand]


async def _read(room: Room, ends: float) -> tuple[Read, State]:
    reader = Reader(room.show, room.compiled, room.api)
    link, voice = reader.side.link, reader.side.voice
    found_s = max(0.0, min(FOUND_S, ends - time.monotonic()))
    await reader.read(found_s, min(READ_S, ALL_S - found_s))
    came = reader.came
    found = Read(
        wants=link.wants,
        port=link.port_name,
        is_midi=link.is_midi,
        can_read=reader.side.talk.can_read,
        answered=None if came is None or reader.answered is None else reader.answered - came,
        known=None if came is None or reader.known is None else reader.known - came,
        heard=voice is None or voice.port_name is not None,
        troubles=tuple(reader.troubles),
    )
    if link.is_midi:
        room.afterwards.append(reader.close)
    else:
        reader.close()
    return found, reader.state


def judged(plan: Plan, read: Read, state: State) -> Iterator[Finding]:
    """What is to be said of the desk. `state`: what is known of it."""
    if read.port is None:
        why, do = apart("; ".join(read.troubles) or f"no {'port' if read.is_midi else 'address'} for `{read.wants}`")
        yield wrong(DESK, why, do or "plug it in and switch it on; `stagectl ports` lists what there is")
        return
    if not read.can_read:
        yield unknown(DESK, f"at `{read.port}`; its profile asks it nothing, so nobody knows whether it hears")
        return
    if read.answered is None:
        do = "see that it is on, that its cable or network is in, and that its settings let it answer"
        deaf = "" if read.heard else f", and no port to hear has `{read.wants}` in its name"
        yield wrong(DESK, f"`{read.port}` does not answer within {FOUND_S:g} s{deaf}", do)
        return
    asked = sum(map(plan.can_read, range(len(plan.ceilings))))
    says = f"at `{read.port}`, answers in {_ms(read.answered)}; "
    if read.known is None:
        said = f"{says}{len(state.known.said)} of {asked} levels read in {READ_S:g} s"
        yield look(DESK, said, "its link is slow or loses messages: `stagectl run --dry` takes the time to read all")
    else:
        yield fine(DESK, f"{says}all {asked} levels read in {_ms(read.known)}")
    for trouble in read.troubles:
        yield look(DESK, trouble, "say more of its name in the rig, or look after its link")
    yield from whole_mixes(plan, state)
    yield levels(plan, state.known.said)


def whole_mixes(plan: Plan, state: State) -> Iterator[Finding]:
    """Whole mixes that are off at the desk, or of which it does not say whether they are. Nothing where the desk has
    none."""
    wholes = [plan.send(at, plan.whole) for at in range(len(plan.listeners))]
    asked = [send for send in wholes if plan.can_read(send)]
    unsaid = [send for send in asked if send not in state.known.said]
    off = off_at_the_desk(plan, state)
    if off is not None:
        yield wrong(WHOLE_MIXES, off, "bring them up at the desk, or nobody there hears anything")
    if unsaid:
        of = f"{len(unsaid)} of {len(asked)}" if len(asked) > 1 else "the one that there is"
        yield look(WHOLE_MIXES, f"the desk has not said whether {of} {_is_or_are(len(unsaid))} off", LOOK_AT_THE_DESK)
    elif asked and off is None:
        yield fine(WHOLE_MIXES, "none is off at the desk")
    if plan.whole_grid is not None and not asked:
        yield unknown(WHOLE_MIXES, "the desk says nothing of them: its profile has no answers about them")


def levels(plan: Plan, said: Mapping[int, Level]) -> Finding:
    """Levels, and mixes as sums, that are above their ceilings at the desk now. A whole mix that the show lets be, and
    whose inputs it holds lower for what that is above 0 dB, makes nothing too loud by itself: alone, it is only worth
    another look. So are levels that the desk could say and has not said."""
    above = dict(_above(plan, said))
    unsaid = sum(plan.can_read(send) and send not in said for send in range(len(plan.ceilings)))
    if not above and unsaid:
        known = f"none of {len(said)} is above its ceiling, and the desk has not said {unsaid} more"
        says = known if said else f"the desk has said none of {unsaid}"
        return look("levels", says, LOOK_AT_THE_DESK)
    if not above:
        return fine("levels", f"none of {len(said)} is above its ceiling")
    names = list(above.values())
    more = f" and {len(names) - NAMED_MAX} more" if len(names) > NAMED_MAX else ""
    lacks = f"; the desk has not said {unsaid} more" if unsaid else ""
    says = f"above the ceiling now: {', '.join(names[:NAMED_MAX])}{more}{lacks}"
    if all(send >= 0 and is_left_alone(plan, send) for send in above):
        return look("levels", says, "no message is about a whole mix that the show lets be: bring it down at the desk")
    do = "nobody puts in earpieces before they are down; the first `next` brings down what the show moves"
    return wrong("levels", says, do)


def _is_or_are(number: int) -> str:
    return "is" if number == 1 else "are"


def _above(plan: Plan, said: Mapping[int, Level]) -> Iterator[tuple[int, str]]:
    """What is above its ceiling: a send, or below 0 the mix of a listener, and what is said of it."""
    for send, level in said.items():
        if isinstance(level, int) and level > plan.ceilings[send]:
            yield send, f"{plan.send_name(send)} at {text(level)}, ceiling {text(plan.ceilings[send])}"
    for listener, ceiling in enumerate(plan.mix_ceilings):
        row: Sequence[Level | None] = [said.get(plan.send(listener, column)) for column in range(plan.width)]
        most = most_of(ceiling, row[plan.whole])
        if ceiling is not None and most is not None and total(row[: plan.whole]) > most:
            yield -1 - listener, f"the mix of {plan.listeners[listener]} as a sum, ceiling {text(ceiling)}"


def _ms(ns: int) -> str:
    return f"{max(1, round(ns / 1e6)):,} ms" if ns < 1e9 else f"{ns / 1e9:.1f} s"
