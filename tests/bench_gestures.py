"""What each gesture adds between the foot and its action, under the virtual clock. Run by hand:
`python tests/bench_gestures.py`.

Times are nominal: what the rules of gestures, contacts and treadles make a foot wait, on a machine that takes no time.
It prints figures and judges nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "core")]

from shows import rest, run, settled, small_plan  # noqa: E402

from stagectl.core.actions import Action, Ride, Tell  # noqa: E402
from stagectl.core.contacts import Switch  # noqa: E402
from stagectl.core.effects import Changed, Told  # noqa: E402
from stagectl.core.events import Event, Moved  # noqa: E402
from stagectl.core.feet import Control, Pair, Pedal  # noqa: E402
from stagectl.core.gestures import TOGETHER_DEFAULT_NS, Gesture, Timing  # noqa: E402
from stagectl.core.plan import MS  # noqa: E402
from stagectl.core.travel import Travel  # noqa: E402

PRESS, HOLD, DOUBLE, REPEAT, TOGETHER = range(5)
DOES: Final[dict[Gesture, Action]] = {
    Gesture.PRESS: Tell(message=PRESS),
    Gesture.HOLD: Tell(message=HOLD),
    Gesture.DOUBLE: Tell(message=DOUBLE),
    Gesture.REPEAT: Tell(message=REPEAT),
}
NAMES: Final = ("press", "hold", "double press", "repeat", "together")

P, H, D, R = Gesture.PRESS, Gesture.HOLD, Gesture.DOUBLE, Gesture.REPEAT

Said = Sequence[tuple[float, int, int]]
"""Milliseconds, the control, and the value that it says."""

TAP: Final[Said] = ((0, 0, 127), (80, 0, 0))
LONG: Final[Said] = ((0, 0, 127), (1_000, 0, 0))
TWICE: Final[Said] = ((0, 0, 127), (80, 0, 0), (160, 0, 127), (240, 0, 0))


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the table: what is mapped, and what the foot does."""

    name: str
    mapped: tuple[Gesture, ...]
    said: Said
    paired: bool = False
    bounce_ms: int = 20


def train(length_ms: float, edges: int, start: float = 0, down: int = 127) -> list[tuple[float, int, int]]:
    """An odd number of edges, evenly over a length."""
    return [(start + length_ms * at / (edges - 1), 0, down if at % 2 == 0 else 127 - down) for at in range(edges)]


def outlier() -> list[tuple[float, int, int]]:
    """157 ms with a gap of 42 ms, in which the contact is open."""
    first = [(3.0 * at, 0, 127 if at % 2 == 0 else 0) for at in range(20)]
    return [*first, *train(157 - 99, 21, start=99)]


ROWS: Final = (
    Row(name="press alone, tap", mapped=(P,), said=TAP),
    Row(name="press and repeat, tap", mapped=(P, R), said=TAP),
    Row(name="press and repeat, 1 s", mapped=(P, R), said=LONG),
    Row(name="press and hold, tap of 80 ms", mapped=(P, H), said=TAP),
    Row(name="press and hold, 1 s", mapped=(P, H), said=LONG),
    Row(name="press and double press, tap", mapped=(P, D), said=TAP),
    Row(name="press and double press, two taps", mapped=(P, D), said=TWICE),
    Row(name="press, hold and double press, tap", mapped=(P, H, D), said=TAP),
    Row(name="part of a pair, tap of 80 ms", mapped=(P,), said=TAP, paired=True),
    Row(name="part of a pair, tap of 20 ms", mapped=(P,), said=((0, 0, 127), (20, 0, 0)), paired=True),
    Row(name="a pair, 10 ms apart", mapped=(P,), said=((0, 0, 127), (10, 1, 127)), paired=True),
    Row(name="bounce of 1.6 ms (mean)", mapped=(P,), said=train(1.6, 5)),
    Row(name="bounce of 6.2 ms (usual worst)", mapped=(P,), said=train(6.2, 9)),
    Row(name="press and hold, tap, bounce of 6.2 ms", mapped=(P, H), said=[*train(6.2, 9), *train(6.2, 9, 80, 0)]),
    Row(name="outlier of 157 ms, bounce 20 ms", mapped=(P,), said=outlier()),
    Row(name="outlier of 157 ms, bounce 50 ms", mapped=(P,), said=outlier(), bounce_ms=50),
    Row(name="press and hold, tap of 5 ms", mapped=(P, H), said=((0, 0, 127), (5, 0, 0))),
)


def fired(row: Row) -> list[str]:
    """What fires, and how long after the first way down."""
    wait = TOGETHER_DEFAULT_NS if row.paired else 0
    does = {gesture: action for gesture, action in DOES.items() if gesture in row.mapped}
    timing, switch = Timing(together_ns=wait), Switch(bounce_ns=row.bounce_ms * MS)
    controls = tuple(Control(name=name, does=does, timing=timing, switch=switch) for name in ("left", "right"))
    pairs = (Pair(first=0, second=1, does=Tell(message=TOGETHER)),) if row.paired else ()
    plan = small_plan((-1_000,), pedals=(Pedal(name="board", controls=controls, pairs=pairs),), messages=5)
    events: list[tuple[int, Event]] = [
        (round(at * MS), Moved(pedal=0, control=control, value=value)) for at, control, value in row.said
    ]
    return [f"{NAMES[told.message]} {told.at / MS:g} ms" for told in rest(plan, run(plan, events)).of(Told)]


def arrives(smooth_ms: int) -> str:
    """When a treadle's level begins to move, and when it is where the treadle is."""
    ride = Ride(low=-1_200, high=1_200, column=0, listener=0)
    travel = Travel(smooth_ns=smooth_ms * MS)
    treadle = Control(name="treadle", does={Gesture.TURN: ride}, travel=travel)
    plan = small_plan((-2_000,), pedals=(Pedal(name="board", controls=(treadle,), listener=0),))
    state = settled(plan)
    held = rest(plan, run(plan, [(state.now, Moved(pedal=0, control=0, value=64))], state)).state
    start = held.now + 10**9
    moves = rest(plan, run(plan, [(start, Moved(pedal=0, control=0, value=127))], held)).of(Changed)
    return f"from {(moves[0].at - start) / MS:g} ms, there after {(moves[-1].at - start) / MS:g} ms"


def main() -> None:
    """Print the table."""
    width = max(len(row.name) for row in ROWS)
    for row in ROWS:
        found = fired(row)
        more = f", and {len(found) - 4} more" if len(found) > 4 else ""
        print(f"{row.name:<{width}}  {', '.join(found[:4])}{more}")
    for smooth_ms in (0, 5, 20):
        print(f"{f'treadle, smooth {smooth_ms} ms':<{width}}  {arrives(smooth_ms)}")


if __name__ == "__main__":
    main()
