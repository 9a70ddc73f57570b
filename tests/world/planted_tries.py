"""Tries planted bugs in the world under a seed, several at a time.

One process loads the program and the world; it forks for each try, plants the bug there and plays the nights.
"""

from __future__ import annotations

import json
import os
import resource
import selectors
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from importlib import import_module
from typing import Any, Final, NamedTuple

from .clock import SECOND
from .inputs import Input
from .planted import BUGS, plant
from .shows import Stage

LATE_NS: Final = 2 * SECOND
"""What was asked for longer ago than this is not done any more, ns."""

CPU_S: Final = 20
"""How long one try may take, s of CPU: a bug may be one that never comes to an end."""

NOT_CAUGHT: Final = "not caught"

SHORTER: Final = (3, 6, 12, 25, 100)
"""So many inputs before it broke are tried by themselves: most bugs need no more, and the rest is saved."""


class Task(NamedTuple):
    """A try: a bug (none: the program as it is), a seed and which of its nights. `sums`: whether all nights are played,
    and what their traces come to is told; `only`: the first and the last of the inputs that are played, and the end."""

    name: str | None
    seed: int
    nights: tuple[int, ...]
    sums: bool = False
    only: tuple[int, int] | None = None


class Came(NamedTuple):
    """What came of a try. `rule`: which one the world found broken, None where it found none; `says`: how; `night`: in
    which night; `at_s`: when in it; `steps`: of the core until then; `cpu_s`: how long it took; `sums`: of the traces
    of all nights, where they were asked for; `only`: the first and the last input that are enough for it."""

    rule: int | None
    says: str
    night: int = 0
    at_s: float = 0.0
    steps: int = 0
    cpu_s: float = 0.0
    sums: tuple[str, ...] = ()
    only: tuple[int, int] = (0, 0)


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


def fitting(names: Sequence[str], seed: int, which: Sequence[int]) -> dict[int, list[str]]:
    """The nights of a seed that have what some bugs need, each with the bugs."""
    from .runner import Nights

    nights = Nights(seed)
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


def loaded() -> None:
    """Load the program and the world, so that no try has to."""
    for name in ("night", "runner"):
        import_module(f"{__package__}.{name}")


def play(task: Task) -> Came:
    """Plant the bug, and play the nights until one breaks."""
    begun = time.process_time()
    if task.name is not None:
        plant(task.name)
    from .night import World
    from .runner import Nights

    steps = 0
    stepped: Any = World.stepped

    def counted(*args: Any) -> None:
        nonlocal steps
        steps += 1
        stepped(*args)

    setattr(World, "stepped", counted)  # noqa: B010 - a method counts as no attribute
    nights, sums = Nights(task.seed), list[str]()
    try:
        for night in task.nights:
            inputs = nights.inputs_of(night)
            failure, trace = nights.play(night, _some(inputs, task.only), whole=task.sums)
            sums.append(trace.sha256)
            if failure is not None and not task.sums:
                took, taken = time.process_time() - begun, steps
                only = task.only or _shorter(nights, inputs, failure)
                return Came(failure.rule, failure.says, night, failure.at / 1e9, taken, took, (), only)
    finally:
        nights.close()
    return Came(None, NOT_CAUGHT, task.nights[-1], 0.0, steps, time.process_time() - begun, tuple(sums))


def _some(inputs: Sequence[Any], only: tuple[int, int] | None) -> Sequence[Any]:
    """Some of a night's inputs, and its end."""
    if only is None:
        return inputs
    return [one for at, one in enumerate(inputs) if only[0] <= at <= only[1] or one.kind == "end"]


def _shorter(nights: Any, inputs: Sequence[Any], failure: Any) -> tuple[int, int]:
    """The inputs that are enough to break the same rule: a few before it broke, if they are."""
    last = max((at for at, one in enumerate(inputs) if one.at <= failure.at), default=0)
    for some in SHORTER:
        only = (max(0, last - some + 1), last)
        found, _ = nights.play(failure.night, _some(inputs, only))
        if found is not None and found.rule == failure.rule:
            return only
    # Also what comes later plays its part: a night has a page where anything in it needs one.
    return 0, len(inputs) - 1


def _child(task: Task, pipe: int) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
    try:
        came = play(task)
    except Exception as error:  # noqa: BLE001 - told to whoever waits
        came = Came(None, f"{type(error).__name__}: {error}")
    with os.fdopen(pipe, "w", encoding="utf-8") as out:
        json.dump(came, out)
        out.flush()
    os._exit(0)


def tries(tasks: Iterable[Task], cores: int) -> Iterator[tuple[Task, Came]]:
    """What comes of some tries, as each ends. `cores`: how many at a time."""
    waiting, selector = deque(tasks), selectors.DefaultSelector()
    running: dict[int, tuple[Task, int, list[bytes]]] = {}
    while waiting or running:
        while waiting and len(running) < cores:
            task = waiting.popleft()
            ours, theirs = os.pipe()
            child = os.fork()
            if not child:
                os.close(ours)
                _child(task, theirs)
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
    *fields, sums, only = json.loads(text)
    return Came(*fields)._replace(sums=tuple(sums), only=tuple(only))
