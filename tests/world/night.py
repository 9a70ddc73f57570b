"""One night: a world with its stage, and what happens to it."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any, Final, NamedTuple

from stagectl.show.compile import Compiled
from stagectl.show.load import Show

from .agenda import Agenda
from .clock import Clock
from .desk_end import DeskEnd
from .disk import Disk
from .happens import DO
from .inputs import Broken, Input, Killed
from .keyboards import Keyboards
from .lives import Life, abandon, live, run
from .page_end import KINDS, PageEnd
from .passing import pass_over
from .rounds import Rounds
from .rules import Rules
from .seams import on_stage
from .shows import Stage
from .trace import Trace
from .wires import SimSystem, SimUdp

FIRST_FILE: Final = 1_000_000
"""From here on the world's sockets are numbered, beyond every file that is really open."""


class Played(NamedTuple):
    """A show that can be played, as it is and as somebody leaves it who edits it."""

    stage: Stage
    show: Show
    compiled: Compiled
    edited: Show
    edited_compiled: Compiled


class World:
    """Everything around a night, and the night. Raises Broken where a rule does not hold."""

    def __init__(self, played: Played, folder: Path, inputs: Sequence[Input], trace: Trace, seed: str) -> None:
        self.played, self.stage, self.folder, self.trace = played, played.stage, folder, trace
        self.show, self.compiled = played.show, played.compiled
        self.clock = Clock()
        self.chance = random.Random(seed)
        self.agenda = Agenda(self.clock, inputs)
        self.later, self.mended = self.agenda.later, self.agenda.mended
        self.disk = Disk(folder / "played.night")
        self.desk_end = DeskEnd(self, played.show, seed)
        self.desk, self.stand_in = self.desk_end.desk, self.desk_end.stand_in
        self.page_end = PageEnd(self, served=any(one.kind in KINDS for one in inputs))
        self.keyboards = Keyboards(self)
        self.rounds = Rounds(self)
        self.life: Life | None = None
        self.lives = 0
        self.osc_ears: dict[int, Any] = {}
        self.sockets: dict[int, SimUdp] = {}
        self.sounds: list[Any] = []
        self.failing: set[str] = set()
        """Ports that take no bytes, though they are there."""
        self.sound_lives = True
        self.plugged = dict.fromkeys((*played.stage.cables, "box", "keys rig"), True)
        if played.stage.over == "midi":
            self.plugged["desk"] = True
        self.kill_at_packet: tuple[int, bool] | None = None
        self.over = False
        self.broken: Broken | None = None
        self.handling = 0
        """Whether the night is in the middle of an event."""
        self._files = count(FIRST_FILE)
        self.rules = Rules(self)

    # -- time -------------------------------------------------------------------------------------------------

    @property
    def now(self) -> int:
        """The monotonic clock, ns."""
        return self.clock.now

    @property
    def recorder(self) -> Any:
        """That of the present process."""
        return self.rounds.recorder

    def soon(self, what: Callable[[], None]) -> None:
        """Do something in the loop, when the present turn is over."""
        if self.life is not None:
            self.life.loop.call_soon(what)

    def go_on(self, due: int | None) -> None:
        """The loop has nothing to do until `due`, ns by the monotonic clock."""
        if self.broken is not None:
            # The scheduler takes whatever a job raises.
            raise self.broken
        if pass_over(self):
            return
        at = self.agenda.next_at
        due_at = None if due is None else self.clock.world + max(0, due - self.now)
        if at is not None and (due_at is None or at <= due_at):
            self.clock.to(self.clock.of_world(at))
            self._do_next()
        elif due_at is not None:
            self.clock.to(self.clock.of_world(due_at))
        else:
            raise Broken(9, "nothing is going to happen any more")

    def _do_next(self) -> None:
        """What is first of what the world has to do."""
        one = self.agenda.take()
        if isinstance(one, Input):
            self.trace.say(self.clock.world, "> {} {}", one.kind, one.what)
            self.rules.input(one)
            DO[one.kind](self, *one.what)
        elif one is not None:
            one()

    # -- the whole night --------------------------------------------------------------------------------------

    def play(self) -> None:
        """The night, from its first process to its last."""
        with on_stage(self):
            try:
                live(self)
                while not self.over and (at := self.agenda.next_at) is not None:
                    self.clock.to(self.clock.of_world(at))
                    self._do_next()
                    if self.life is not None:
                        run(self)
                self.rules.end()
            finally:
                self._drop()

    def _drop(self) -> None:
        """The world is over."""
        abandon(self, None)
        self.keyboards.forget()
        self.rules.kept.close()
        for path in (*(self.folder / "running").glob("*"), *self.folder.glob("played*"), *self.folder.glob("event *")):
            path.unlink()

    def start_again(self) -> None:
        """Somebody starts the program, or it is started."""
        if self.life is None and not self.over:
            live(self)

    # -- what the program does --------------------------------------------------------------------------------

    def system(self) -> SimSystem:
        """The MIDI system of the present process."""
        assert self.life is not None
        return self.life.system

    def next_file(self) -> int:
        """A number for a socket."""
        return next(self._files)

    def readable(self, number: int) -> None:
        """A socket has something to be read."""
        if self.life is not None:
            self.life.loop.readable(number)

    def ready(self, first: str) -> None:
        """The program says that it is ready."""
        assert self.life is not None
        self.life.ready = True
        self.trace.say(self.clock.world, f"- {first}")
        self.rules.ready(first)

    def said(self, lines: Sequence[Any]) -> None:
        """People are told something."""
        with self.first():
            self.rules.said(lines)

    def warned(self, line: str) -> None:
        """The program warns of something."""
        self.trace.say(self.clock.world, f"- warned: {line.replace(str(self.folder), '')}")
        with self.first():
            self.rules.warned(line)

    def stumbled(self, context: dict[str, Any]) -> None:
        """Something was raised that nobody has caught."""
        error = context.get("exception")
        raise Broken(9, f"{context.get('message')}: {type(error).__name__}: {error}")

    def stepped(self, plan: Any, state: Any, event: Any, now: int, done: Any) -> None:
        """The core has taken a step."""
        if self.trace.whole or done.effects:
            self.trace.say(self.clock.world, "{} -> {}", event, done.effects)
        with self.first():
            self.rules.stepped(plan, state, event, now, done)

    @contextmanager
    def first(self) -> Iterator[None]:
        """The first rule that is broken is told: until what raised it has tidied up, others may be."""
        try:
            yield
        except Broken as broken:
            self.broken = self.broken or broken
            raise

    def sent(self, name: str, packet: bytes, sender: int | None = None) -> None:
        """Bytes leave."""
        if self.kill_at_packet is not None and name.startswith("desk"):
            left, after = self.kill_at_packet
            self.kill_at_packet = (left - 1, after)
            if left <= 1 and not after:
                raise Killed("before a packet")
        if self.trace.whole:
            self.trace.say(self.clock.world, "{} < {}", name, packet)
        self.rules.sent(name, packet)
        if name == "desk":
            self.desk_end.hear(packet, sender)
            if self.kill_at_packet is not None and self.kill_at_packet[0] <= 0:
                raise Killed("after a packet")
