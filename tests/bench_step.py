"""How many presses a second the core's `step` takes, on sets of 10, 60 and 1,000 songs.

They have 4 sections a song, 32 inputs, 16 mixes. The presses come a second apart, and the desk is away, so that what is
measured is a press and not the fade that it begins; below, the same with the desk there, where each press is followed
by all of the messages that it causes. Beside them, in the same run, stands the bare baseline: a function that takes and
gives a tuple and makes one record.

    python tests/bench_step.py
"""

from __future__ import annotations

import gc
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).parent))

from big_shows import Size, write_big

from stagectl.core.actions import Action, Back, GoTo, Next, Nudge, NudgeRest, Undo
from stagectl.core.effects import Pressed
from stagectl.core.events import DeskCame, Event, Moved, PedalCame, Wanted
from stagectl.core.link import Answers
from stagectl.core.plan import Plan
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

SONGS: Final = (10, 60, 1_000)
PRESSES: Final = 4_000
RUNS: Final = 5
SECOND: Final = 1_000_000_000


class Speed(NamedTuple):
    """Presses a second."""

    name: str
    rates: tuple[float, ...]


def plan_of(songs: int) -> Plan:
    """The plan of a big show without a venue."""
    with tempfile.TemporaryDirectory() as folder:
        return compile_show(load_show(write_big(Path(folder), Size(songs=songs)))).plan


def deaf(plan: Plan) -> Plan:
    """The plan with a desk that says nothing of itself: nobody answers here."""
    return replace(plan, answers=Answers())


def feet(plan: Plan) -> list[Event]:
    """Down and up of every switch in turn, on every pedal that has switches: what feet do, by chance and seed."""
    chance = random.Random(7)
    keys = [
        (at, control)
        for at, pedal in enumerate(plan.pedals)
        for control, one in enumerate(pedal.controls)
        if not one.turns
    ]
    out: list[Event] = []
    while len(out) < 2 * PRESSES:
        pedal, control = chance.choice(keys)
        out += [Moved(pedal=pedal, control=control, value=127), Moved(pedal=pedal, control=control, value=0)]
    return out


def wishes(plan: Plan, *actions: Action) -> list[Event]:
    """The same wishes again and again, each by another listener."""
    listeners = len(plan.listeners)
    return [
        Wanted(action=actions[at % len(actions)], who="bench", listener=at // len(actions) % listeners)
        for at in range(PRESSES)
    ]


def rate(plan: Plan, events: list[Event], *, desk: bool, runs: int = RUNS) -> float:
    """Presses a second, the best of some runs: what other work on the machine adds only ever slows down."""
    best = 0.0
    for _ in range(runs):
        state = begin(plan, 0)
        if desk:
            state = step(plan, state, DeskCame(), 0).state
        for pedal in range(len(plan.pedals)):
            state = step(plan, state, PedalCame(pedal=pedal), 0).state
        state = step(plan, state, Wanted(action=Next(), who="bench", listener=0), 0).state
        gc.collect()
        gc.disable()
        begun = time.perf_counter()
        for at, event in enumerate(events, 2):
            state = step(plan, state, event, at * SECOND).state
        took = time.perf_counter() - begun
        gc.enable()
        best = max(best, PRESSES / took)
    return best


def bare() -> float:
    """Calls a second of a function that does nothing but take a state and make a record of a press."""

    def nothing(state: tuple[int, ...], now: int) -> tuple[tuple[int, ...], Pressed]:
        return (*state[1:], now), Pressed(at=now, press=0, who="bench", what="nudge")

    state: tuple[int, ...] = (0, 1, 2)
    begun = time.perf_counter()
    for at in range(PRESSES):
        state, _ = nothing(state, at)
    return PRESSES / (time.perf_counter() - begun)


def speeds(plans: list[Plan]) -> list[Speed]:
    """Every kind of press on every plan."""
    nudge = Nudge(by=100, column=3), Nudge(by=-100, column=3)
    there = (*(Next(),) * 8, *(Back(),) * 8)
    rest = NudgeRest(by=-100), Undo()
    kinds: dict[str, Callable[[Plan], list[Event]]] = {
        "feet on switches, down and up": feet,
        "nudge": lambda plan: wishes(plan, *nudge),
        "nudge the rest, and undo": lambda plan: wishes(plan, *rest),
        "next and back": lambda plan: wishes(plan, *there),
        "next to the end, and again": lambda plan: wishes(plan, *(Next(),) * (len(plan.stops) - 2), GoTo(stop=1)),
    }
    return [
        *(Speed(name, tuple(rate(plan, make(plan), desk=False) for plan in plans)) for name, make in kinds.items()),
        Speed("nudge, with its messages", tuple(rate(deaf(plan), wishes(plan, *nudge), desk=True) for plan in plans)),
    ]


def main() -> None:
    """Print the table."""
    plans = [plan_of(songs) for songs in SONGS]
    for plan in plans:
        _ = plan.rests
    print(f"{'presses a second':32}" + "".join(f"{songs:>10,} songs" for songs in SONGS) + "   most : least")
    for name, rates in speeds(plans):
        print(f"{name:32}" + "".join(f"{one:16,.0f}" for one in rates) + f"{max(rates) / min(rates):15.2f}")
    print(f"{'bare call and record':32}{bare():16,.0f}")


if __name__ == "__main__":
    main()
