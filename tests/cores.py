"""Shares the tests out over the cores. Whoever is idle takes the next test; but

- tests of ports of JACK go, all of them, to one worker, since a JACK server, the names of its clients and of ports are
  there once. JACK loses messages where it is late, so the others let that worker go before them (POSIX: nice);
- the tests of a file that share something dear (a browser, a page, a show that was tried out) go to one worker as well;
- one worker more than cores has only the time that the others leave while they wait, for tests that only think;
- tests that stand beside each other in a file go to a worker by the dozen, so that what they keep for each other is
  made once; and of a test that passes only that is told: an errand and its answers cost as much as a short test.

What takes long is begun with. The groups that xdist has itself rest on node ids being rewritten, which not every pytest
allows (9.2 does not, and groups nothing).
"""

from __future__ import annotations

import ast
import os
import re
from collections.abc import Callable, Iterable
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any, Final

import pytest
from xdist.scheduler import LoadScopeScheduling
from xdist.workermanage import WorkerController

ROOT: Final = Path(__file__).resolve().parents[1]

JACK: Final = "ports of JACK"
"""The heap of the tests that need a JACK server."""

SHARES: Final = re.compile(r"scope=\"module\"|^SHARED: Final = True$", re.MULTILINE)
"""By this a file tells that its tests share something."""

NICE: Final = 5
"""How far the other workers stand back."""

THINK: Final = re.compile(r"tests/(core|wire|desk|pedals|show|proof|story|keep|fuzz|world)/|tests/test_house\.py")
"""Where tests start no program that they wait for only so long, but for files with a limit."""

LIMIT: Final = re.compile(r"timeout|patience|needs\(")

TOGETHER: Final = 48
"""So many tests of a file go to a worker at once."""


class Heaps(LoadScopeScheduling):  # type: ignore[misc]  # it comes without types
    """Heaps, and some tests of a file at a time, in the order in which the workers have sorted them. The spare worker
    has those that only think, and the others come to them last."""

    def __init__(self, config: pytest.Config, log: Any) -> None:
        super().__init__(config, log)
        self._units: dict[str, str] = {}

    def schedule(self) -> None:
        if self.collection is None:
            self._units = units(next(iter(self.registered_collections.values())))
        super().schedule()

    def _split_scope(self, nodeid: str) -> str:
        return self._units[nodeid]

    def mark_test_complete(self, node: WorkerController, item_index: int, duration: float = 0) -> None:
        # Units that are done are forgotten: with every report all of those that a worker has would be counted.
        nodeid = self.registered_collections[node][item_index]
        work, scope = self.assigned_work[node], self._split_scope(nodeid)
        work[scope][nodeid] = True
        if all(work[scope].values()):
            del work[scope]
        self._reschedule(node)

    def _assign_work_unit(self, node: WorkerController) -> None:
        spare = is_spare(node)
        fits = next((unit for unit in self.workqueue if thinks(unit) is spare), None)
        if fits is not None:
            self.workqueue.move_to_end(fits, last=False)
        elif spare:
            node.shutdown()
            return
        super()._assign_work_unit(node)


def is_spare(node: WorkerController) -> bool:
    """Whether a worker is the one more than cores."""
    return bool(node.gateway.id == node.config.option.spare_worker)


@cache
def heap(nodeid: str) -> str | None:
    """What a test has to go with: JACK's tests, or its file; None where it may go with any."""
    file, _, test = nodeid.partition("::")
    if on_jack(nodeid):
        return JACK
    # A test that is written by itself is not found in a browser's file.
    return file if test and _shares(file) else None


def units(nodeids: Iterable[str]) -> dict[str, str]:
    """What each test goes with, by the first of them: its heap, or those of its file that stand beside it."""
    found: dict[str, str] = {}
    for _, some in groupby(nodeids, lambda nodeid: heap(nodeid) or nodeid.partition("::")[0]):
        beside = list(some)
        for at, nodeid in enumerate(beside):
            found[nodeid] = heap(nodeid) or beside[at - at % TOGETHER]
    return found


def thinks(unit: str) -> bool:
    """Whether a test, or those that go together, may take as long as they like."""
    return _thinks(unit.partition("::")[0])


@cache
def _thinks(file: str) -> bool:
    return file != JACK and THINK.match(file) is not None and LIMIT.search(_text(file)) is None


def on_jack(nodeid: str) -> bool:
    """Whether a test is one of ports, in a file that has to do with JACK."""
    file, _, test = nodeid.partition("::")
    return test.partition("[")[0] in _on_jack(file)


@cache
def _text(file: str) -> str:
    return (ROOT / file).read_text("utf-8")


@cache
def _shares(file: str) -> bool:
    return SHARES.search(_text(file)) is not None


@cache
def _on_jack(file: str) -> frozenset[str]:
    """The tests of JACK's ports in a file, by name: those that are marked, or all where the file is."""
    if "jack" not in _text(file).lower():
        return frozenset()
    body = ast.parse(_text(file)).body
    marked = [
        node.value for node in body if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
    ]
    tests = [node for node in body if isinstance(node, ast.FunctionDef) and node.name.startswith("test")]
    return frozenset(test.name for test in tests if any(map(_has_ports, (*marked, *test.decorator_list))))


def _has_ports(mark: ast.expr) -> bool:
    return "pytest.mark.ports" in ast.unparse(mark)


def in_order(items: list[pytest.Item]) -> None:
    """Sort tests: JACK's first, then those that share something, then the slow ones, then the rest; and all of these
    before those that only think, in the same order. Files go by their names, whichever was found first."""

    def turn(item: pytest.Item) -> tuple[bool, int, str]:
        heaps = heap(item.nodeid)
        kind = 0 if heaps == JACK else 1 if heaps else 2 if item.get_closest_marker("slow") else 3
        return thinks(heaps or item.nodeid), kind, item.nodeid.partition("::")[0]

    items.sort(key=turn)


def look_elsewhere_first(config: pytest.Config) -> None:
    """Have each of several workers begin to look for tests at another place: what is compiled there by then, the others
    need not compile as well."""
    if config.args != config.getini("testpaths"):
        return
    found = sorted(
        str(one.relative_to(ROOT))
        for folder in config.args
        for one in (ROOT / folder).iterdir()
        if any(one.rglob("test_*.py")) or one.match("test_*.py")
    )
    worker = config.workerinput  # type: ignore[attr-defined]  # xdist gives it to its own
    at = len(found) * int(worker["workerid"].removeprefix("gw")) // worker["workercount"]
    config.args = found[at:] + found[:at]


def tell_less(config: pytest.Config) -> None:
    """Of a test that passes, have this worker tell only that, where nobody asks for more (`--durations`, a file for
    another program)."""
    if config.option.durations is not None or config.option.xmlpath is not None:
        return
    for teller in config.pluginmanager.get_plugins():
        if type(teller).__name__ == "WorkerInteractor":
            teller.sendevent = _Less(teller.sendevent)


class _Less:
    """Passes on what a worker tells, but for what every test does: it begins, is set up, is taken down and ends."""

    def __init__(self, tell: Callable[..., None]) -> None:
        self._tell = tell

    def __call__(self, name: str, **what: Any) -> None:
        if name in ("logstart", "logfinish"):
            return
        if name == "testreport" and what["data"]["when"] != "call" and what["data"]["outcome"] == "passed":
            return
        self._tell(name, **what)


@cache
def stand_back(*, is_spare: bool) -> None:
    """Let JACK's tests go before this worker, from now on. `is_spare`: all others too."""
    if is_spare:
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    elif hasattr(os, "nice"):
        os.nice(NICE)


def shared_out(config: pytest.Config) -> None:
    """The whole suite goes to all cores, where nothing else is asked for."""
    if hasattr(config, "workerinput"):
        return
    config.option.spare_worker = None
    if config.option.numprocesses is None and config.args == config.getini("testpaths"):
        config.option.numprocesses = max(2, cores())
        if hasattr(os, "SCHED_IDLE"):
            config.option.spare_worker = f"gw{config.option.numprocesses}"
            config.option.numprocesses += 1
    if config.option.numprocesses and config.option.dist == "no":
        config.option.dist = "loadgroup"
    # The workers have sorted them.
    config.option.loadscopereorder = False


def cores() -> int:
    """Those that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
