"""Many nights, one after the other: each by its seed, whoever plays it and whenever."""

from __future__ import annotations

import gc
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TextIO

from .clock import SECOND
from .faults import drawn
from .inputs import Broken, Input
from .shows import DRIVEN, SHOWS, Stage, write_show
from .trace import Trace

if TYPE_CHECKING:
    from .night import World

A_RUN: Final = 5
"""Shows that the nights of one seed are played with: each takes a while to be read."""

DRIVEN_EVERY: Final = 11
DRIVEN_AT: Final = dict(zip((6, 8), DRIVEN, strict=True))
"""Which of so many nights are played with shows that drive whole mixes, whatever the seed."""


class Failure(NamedTuple):
    """A night in which a rule did not hold."""

    night: int
    rule: int
    says: str
    at: int
    event: int
    inputs: list[Input]
    last: list[str]


def _folder() -> Path:
    """A new one, in memory where there is any for it."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="world-", dir=memory if memory.is_dir() else None))


class Shows:
    """The shows that nights are played with, each read once."""

    def __init__(self) -> None:
        self._folder = _folder()
        self._played: dict[int, Any] = {}

    def close(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def of(self, number: int) -> Any:
        """The show of that number."""
        if number not in self._played:
            self._played[number] = self._read(write_show(self._folder / f"show-{number}", number))
            # What stays for good is not looked through again and again.
            gc.collect()
            gc.freeze()
        return self._played[number]

    @staticmethod
    def _read(stage: Stage) -> Any:
        from stagectl.show.compile import compile_show
        from stagectl.show.load import load_show

        from .night import Played

        show = load_show(stage.folder)
        was = {name: (stage.folder / name).read_text("utf-8") for name in stage.edited}
        for name, text in stage.edited.items():
            (stage.folder / name).write_text(text, "utf-8")
        edited = load_show(stage.folder)
        for name, text in was.items():
            (stage.folder / name).write_text(text, "utf-8")
        return Played(stage, show, compile_show(show), edited, compile_show(edited))


class Nights:
    """The nights of a seed. `shows`: those that are read already; without them each is read when it is played."""

    def __init__(self, seed: int, shows: Shows | None = None) -> None:
        self.seed = seed
        self.seen: Counter[str] = Counter()
        """What the nights so far had in them."""
        self._folder = _folder()
        self._read = shows or Shows()
        self._theirs = shows is not None
        self.shows = random.Random(f"shows {seed}").sample(range(SHOWS), A_RUN)

    def close(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self._folder, ignore_errors=True)
        if not self._theirs:
            self._read.close()

    def show(self, number: int) -> Any:
        """The show of that number."""
        return self._read.of(number)

    def show_of(self, night: int) -> Any:
        """The show of a night."""
        driven = DRIVEN_AT.get(night % DRIVEN_EVERY)
        return self.show(self.shows[night % A_RUN] if driven is None else driven)

    def inputs_of(self, night: int) -> list[Input]:
        """What a night brings."""
        return drawn(self.show_of(night).stage, f"{self.seed} {night}")

    def play(
        self, night: int, inputs: Sequence[Input] | None = None, file: TextIO | None = None, *, whole: bool = False
    ) -> tuple[Failure | None, Trace]:
        """One night, with all its inputs or some of them."""
        return self._play(
            self.show_of(night),
            night,
            self.inputs_of(night) if inputs is None else list(inputs),
            Trace(file, whole=whole),
        )

    def play_again(self, show: int, inputs: Sequence[Input]) -> Failure | None:
        """A history that was kept, with the show of that number."""
        return self._play(self.show(show), 0, list(inputs), Trace())[0]

    def _play(self, show: Any, night: int, given: list[Input], trace: Trace) -> tuple[Failure | None, Trace]:
        from .night import World

        world = World(show, self._folder, given, trace, f"{self.seed} {night} world")
        try:
            world.play()
        except Broken as last:
            broken = world.broken or last
            return Failure(
                night, broken.rule, broken.says, world.clock.world, world.rules.checked, given, trace.last
            ), trace
        finally:
            self.seen.update(seen_in(world, given))
        return None, trace


def seen_in(world: World, given: Sequence[Input]) -> dict[str, int]:
    """What a night had in it."""
    rules = world.rules
    return {
        "steps": rules.checked,
        "presses": rules.presses,
        "faults": sum(one.at <= world.clock.world for one in given if one.kind not in ("foot", "end")),
        "messages": rules.packets,
        "rests": rules.settles,
        "played again": rules.kept.again,
        "seconds": world.clock.world // SECOND,
    }
