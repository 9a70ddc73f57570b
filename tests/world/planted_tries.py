"""Tries planted bugs in the world under a seed, several at a time.

One process loads the program and the world, and reads the shows; it forks for each try, plants the bug there and plays
the nights. So what a bug does while a show is read is not looked at.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import selectors
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from importlib import import_module
from typing import Final, NamedTuple

from .clock import SECOND
from .inputs import Input
from .planted import BUGS, plant
from .planted_by_hand import BY_HAND
from .play import as_text, numbers
from .runner import Failure, Nights, Shows
from .shows import Stage
from .shrink import shrunken

LATE_NS: Final = 2 * SECOND
"""What was asked for longer ago than this is not done any more, ns."""

CPU_S: Final = 20
"""How long one try may take, s of CPU: a bug may be one that never comes to an end."""

SHRINKS_S: Final = 90
"""And one that is made short as well, s of CPU."""

NOT_CAUGHT: Final = "not caught"

NONE: Final = "-"
"""No inputs at all."""

ALL: Final = 999
"""Beyond the last input of every night."""

SHORTER: Final = (3, 6, 12, 25, 100)
"""So many inputs before it broke are tried by themselves: most bugs need no more, and the rest is saved."""


class Task(NamedTuple):
    """A try: a bug (none: the program as it is), a seed and which of its nights. `sums`: whether all nights are played,
    and what their traces come to is told; `only`: which inputs are played (`0-4,9`, `-` for none), None for all;
    `shrinks`: whether it is looked for fewer inputs that are enough; `by_hand`: a history of `planted_by_hand.py`, in
    the place of nights."""

    name: str | None
    seed: int
    nights: tuple[int, ...]
    sums: bool = False
    only: str | None = None
    shrinks: bool = False
    by_hand: str | None = None


class Place(NamedTuple):
    """Where bugs are caught: a seed, its night, and the inputs that are enough, as `0-4,9`."""

    seed: int
    night: int
    only: str

    def task(self, name: str | None) -> Task:
        """To try a bug here."""
        return Task(name, self.seed, (self.night,), only=self.only)


class Came(NamedTuple):
    """What came of a try. `rule`: which one the world found broken, None where it found none; `says`: how; `night`: in
    which night; `at_s`: when in it; `steps`: of the core until then; `cpu_s`: how long it took; `sums`: of the traces
    of all nights, where they were asked for; `only`: the inputs that are enough for it."""

    rule: int | None
    says: str
    night: int = 0
    at_s: float = 0.0
    steps: int = 0
    cpu_s: float = 0.0
    sums: tuple[str, ...] = ()
    only: str = NONE


def has(stage: Stage, inputs: Sequence[Input]) -> set[str]:
    """What a night has: its kinds of inputs, and more than that."""
    more = {
        stage.over: True,
        "stored": bool(stage.stored),
        "timetable": bool(stage.timetable),
        "sound": "laptop" in stage.players,
        "keyboard out": any(one.kind == "cable" and one.what[0].startswith("keyboard") for one in inputs),
        "late": any(one.kind == "page" and one.what[1:] and one.what[1] > LATE_NS for one in inputs),
        "mix off": any(one.kind == "hand" and one.what[1:] == (None, ((0, None),)) for one in inputs),
    }
    return {one.kind for one in inputs} | {name for name, found in more.items() if found}


def fitting(names: Sequence[str], seed: int, which: Sequence[int], shows: Shows) -> dict[int, list[str]]:
    """The nights of a seed that have what some bugs need, each with the bugs."""
    nights = Nights(seed, shows)
    try:
        found = {}
        for night in which:
            here = has(nights.show_of(night).stage, nights.inputs_of(night))
            some = [name for name in names if here.issuperset(BUGS[name].needs)]
            if some:
                found[night] = some
        return found
    finally:
        nights.close()


LATER: Final = ("live.backup", "live.resume", "live.schedule", "sheet.scene_map", "view.map_board")
"""What the program loads when a night needs it."""


def loaded() -> None:
    """Load the program and the world, so that no try has to."""
    for name in ("night", "runner"):
        import_module(f"{__package__}.{name}")
    for name in LATER:
        import_module(f"stagectl.{name}")


def play(task: Task, shows: Shows) -> Came:
    """Plant the bug, and play the nights until one breaks."""
    begun = time.process_time()
    if task.name is not None:
        plant(task.name)
    nights, sums = Nights(task.seed, shows), list[str]()
    try:
        if task.by_hand is not None:
            failure = nights.play_again(*BY_HAND[task.by_hand])
            steps, took = nights.seen["steps"], time.process_time() - begun
            if failure is None:
                return Came(None, NOT_CAUGHT, 0, 0.0, steps, took)
            return Came(failure.rule, failure.says, 0, failure.at / 1e9, steps, took)
        for night in task.nights:
            every = nights.inputs_of(night)
            inputs = _some(every, task.only)
            failure, trace = nights.play(night, inputs, whole=task.sums)
            sums.append(trace.sha256)
            if failure is not None and not task.sums:
                steps, took = nights.seen["steps"], time.process_time() - begun
                some = _shorter(nights, inputs, failure) if task.shrinks else inputs
                return Came(failure.rule, failure.says, night, failure.at / 1e9, steps, took, (), _named(every, some))
    finally:
        nights.close()
    steps, took = nights.seen["steps"], time.process_time() - begun
    return Came(None, NOT_CAUGHT, task.nights[-1], 0.0, steps, took, tuple(sums))


def _some(inputs: Sequence[Input], only: str | None) -> Sequence[Input]:
    """Some of a night's inputs."""
    return inputs if only is None else [inputs[at] for at in numbers(only.removeprefix(NONE), len(inputs))]


def inputs_at(place: Place) -> frozenset[int]:
    """The numbers of a place's inputs."""
    return frozenset(numbers(place.only.removeprefix(NONE), ALL + 1))


def _named(inputs: Sequence[Input], some: Sequence[Input]) -> str:
    """The other way round."""
    return as_text([at for at, one in enumerate(inputs) if one in some]) or NONE


def _shorter(nights: Nights, inputs: Sequence[Input], failure: Failure) -> Sequence[Input]:
    """Inputs that are enough to break the same rule: most bugs need only a few before it broke."""
    last = max((at for at, one in enumerate(inputs) if one.at <= failure.at), default=0)
    for some in SHORTER:
        found, _ = nights.play(failure.night, inputs[max(0, last - some + 1) : last + 1])
        if found is not None and found.rule == failure.rule:
            failure = found
            break
    return shrunken(nights, failure).inputs


def _child(task: Task, shows: Shows, pipe: int) -> None:
    most = SHRINKS_S if task.shrinks else CPU_S
    resource.setrlimit(resource.RLIMIT_CPU, (most, most + 5))
    # A night is short, and all that came before it stays.
    gc.disable()
    try:
        came = play(task, shows)
    except Exception as error:  # noqa: BLE001 - told to whoever waits
        came = Came(None, f"{type(error).__name__}: {error}")
    with os.fdopen(pipe, "w", encoding="utf-8") as out:
        json.dump(came, out)
        out.flush()
    os._exit(0)


def _read(task: Task, shows: Shows) -> None:
    """Read the shows of a try, for all that come after it, too."""
    nights = Nights(task.seed, shows)
    for night in task.nights:
        nights.show_of(night)
    nights.close()
    if task.by_hand is not None:
        shows.of(BY_HAND[task.by_hand].show)


def tries(tasks: Iterable[Task], cores: int, shows: Shows) -> Iterator[tuple[Task, Came]]:
    """What comes of some tries, as each ends. `cores`: how many at a time."""
    waiting, selector = deque(tasks), selectors.DefaultSelector()
    running: dict[int, tuple[Task, int, list[bytes]]] = {}
    while waiting or running:
        while waiting and len(running) < cores:
            task = waiting.popleft()
            _read(task, shows)
            ours, theirs = os.pipe()
            child = os.fork()
            if not child:
                os.close(ours)
                _child(task, shows, theirs)
            os.close(theirs)
            selector.register(ours, selectors.EVENT_READ)
            running[ours] = (task, child, [])
        for key, _ in selector.select():
            task, child, said = running[key.fd]
            data = os.read(key.fd, 65_536)
            if data:
                said.append(data)
                continue
            selector.unregister(key.fd)
            os.close(key.fd)
            del running[key.fd]
            _, status = os.waitpid(child, 0)
            text = b"".join(said)
            over = Came(None, f"ended by signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else "ended early")
            yield task, _came(text) if text else over


def _came(text: bytes) -> Came:
    came = Came(*json.loads(text))
    return came._replace(sums=tuple(came.sums))
