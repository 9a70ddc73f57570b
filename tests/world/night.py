"""One night: a world with its stage, and what happens to it."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any, Final, NamedTuple

from stagectl.desk.faults import Faults
from stagectl.desk.stand_in import StandIn
from stagectl.desk.virtual import VirtualDesk
from stagectl.errors import StagectlError
from stagectl.live.daemon import _Daemon
from stagectl.live.record import DeskClaim
from stagectl.show.compile import Compiled
from stagectl.show.load import Show

from .clock import MS, SECOND, Clock
from .disk import Disk, close_quietly
from .happens import DO
from .inputs import Broken, Input, Killed
from .loop import VirtualLoop
from .rules import Rules
from .seams import discard, on_stage
from .shows import Stage
from .trace import Trace
from .wires import SimSystem, SimUdp

TAIL_NS: Final = 6 * SECOND
"""How long after an input everything has come to rest."""

AHEAD_NS: Final = 1_500 * MS
"""So long before the next input time goes on as always."""

SYNC_NS: Final = SECOND

WIRE_NS: Final = MS
"""How long a packet takes to the desk, and back, where nothing is wrong."""

ENDS_NS: Final = 30 * SECOND
"""How long after its last input a history ends that does not say when."""

AGAIN_NS: Final = 2 * SECOND
"""How soon somebody starts a program again that could not begin, ns."""

LIVES_MAX: Final = 60


class Played(NamedTuple):
    """A show that can be played, as it is and as somebody leaves it who edits it."""

    stage: Stage
    show: Show
    compiled: Compiled
    edited: Show
    edited_compiled: Compiled


@dataclass
class Life:
    """One process that plays the night."""

    loop: VirtualLoop
    system: SimSystem
    began: int
    daemon: Any = None
    stop: Any = None
    coroutine: Any = None
    ready: bool = False
    error: BaseException | None = None
    number: int = 0
    trouble: list[str] = field(default_factory=list)


class World:
    """Everything around a night, and the night. Raises Broken where a rule does not hold."""

    def __init__(self, played: Played, folder: Path, inputs: Sequence[Input], trace: Trace, seed: str) -> None:
        self.played, self.stage, self.folder, self.trace = played, played.stage, folder, trace
        self.show, self.compiled = played.show, played.compiled
        self.edits = False
        self.clock = Clock()
        self.chance = random.Random(seed)
        self.disk = Disk(folder / "played.night")
        self.desk = VirtualDesk.of(played.show)
        self.stand_in = StandIn(self.desk, Faults(delay_ns=0), 0)
        for wire in (self.stand_in.inward, self.stand_in.outward):
            wire._chance = random.Random(f"{seed} {wire is self.stand_in.inward}")
        self.life: Life | None = None
        self.lives = 0
        self.recorder: Any = None
        self.osc_ears: dict[int, Any] = {}
        self.sockets: dict[int, SimUdp] = {}
        self.sounds: list[Any] = []
        self.failing: set[str] = set()
        """Ports that take no bytes, though they are there."""
        self.sound_lives = True
        self.plugged = {f"foot {at}": True for at, foot in enumerate(played.stage.feet) if foot != "osc"}
        self.plugged |= dict.fromkeys(("box", "keys rig"), True)
        if played.stage.over == "midi":
            self.plugged["desk"] = True
        self._files = count(100)
        self._order = count()
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._poked: int | None = None
        self._round_at: int | None = None
        self.kill_at_packet: tuple[int, bool] | None = None
        self.over = False
        self.disturbed = 0
        """When something was last done to the stage, by the world's time, ns."""
        self.unwell_until = 0
        self.last_input = 0
        self.rules = Rules(self)
        self._inputs = sorted(inputs)
        if not any(one.kind == "end" for one in inputs):
            # A history that was cut down ends all the same.
            last = self._inputs[-1].at if inputs else 0
            self._inputs.append(Input(last + ENDS_NS, "end"))
        self._next_input = 0

    # -- time -------------------------------------------------------------------------------------------------

    @property
    def now(self) -> int:
        """The monotonic clock, ns."""
        return self.clock.now

    def later(self, after_ns: int, what: Callable[[], None]) -> None:
        """Do something in a while."""
        heapq.heappush(self._agenda, (self.clock.world + max(0, after_ns), next(self._order), what))

    def mended(self, after_ns: int, what: Callable[[], None]) -> None:
        """In a while something is as it was before a fault; that takes its time to come to rest, too."""

        def back() -> None:
            self.last_input = self.clock.world
            what()

        self.later(after_ns, back)

    def soon(self, what: Callable[[], None]) -> None:
        """Do something in the loop, when the present turn is over."""
        if self.life is not None:
            self.life.loop.call_soon(what)

    def go_on(self, due: int | None) -> None:
        """The loop has nothing to do until `due`, ns by the monotonic clock."""
        world = self.clock.world
        due_at = None if due is None else world + max(0, due - self.now)
        at = self._next_at()
        if self._pass_over(world, at):
            return
        if at is not None and (due_at is None or at <= due_at):
            self.clock.to(self.clock.of_world(at))
            self._do_next()
        elif due_at is not None:
            self.clock.to(self.clock.of_world(due_at))
        else:
            raise Broken(9, "nothing is going to happen any more")

    def _next_at(self) -> int | None:
        dues = [self._agenda[0][0]] if self._agenda else []
        if self._next_input < len(self._inputs):
            dues.append(self._inputs[self._next_input].at)
        return min(dues, default=None)

    def _do_next(self) -> None:
        """What is first of what the world has to do."""
        one = self._inputs[self._next_input] if self._next_input < len(self._inputs) else None
        if self._agenda and (one is None or self._agenda[0][0] <= one.at):
            heapq.heappop(self._agenda)[2]()
        elif one is not None:
            self._next_input += 1
            self.last_input = self.clock.world
            self.trace.say(self.clock.world, "> {} {}", one.kind, one.what)
            self.rules.input(one)
            DO[one.kind](self, *one.what)

    def _pass_over(self, world: int, at: int | None) -> bool:
        """Whether nothing has been done for long, and nothing is: then time goes on at once to shortly before what
        comes next. What asks again and again is taken to have been answered."""
        life = self.life
        if (
            life is None
            or not life.ready
            or world - max(self.last_input, life.began) < TAIL_NS
            or self._round_at is not None
        ):
            return False
        until = self._inputs[self._next_input].at if self._next_input < len(self._inputs) else None
        if until is None or self._agenda or self.stand_in.due is not None:
            return False
        night = life.daemon.night
        core = None if night._timer is None else round(night._timer.when() * 1e9)
        other = life.loop.first_of_others(night._timer)
        ends = [self.clock.of_world(until) - AHEAD_NS]
        ends += [one - 200 * MS for one in (core, other) if one is not None]
        by = min(ends) - self.now
        if by < SECOND:
            return False
        self.rules.settled()
        life.loop.shift(by, night._timer)
        side = life.daemon.side
        for name in ("_heard_at", "_probed_at", "_subscribed_at"):
            if getattr(side, name):
                setattr(side, name, getattr(side, name) + by)
        clients = self.stand_in._clients
        clients.update({one: ends + by for one, ends in clients.items() if ends is not None})
        self.recorder._synced += by / 1e9
        self.clock.to(self.now + by)
        self.trace.say(self.clock.world, "- passed over")
        return True

    # -- the whole night --------------------------------------------------------------------------------------

    def play(self) -> None:
        """The night, from its first process to its last."""
        with on_stage(self):
            try:
                self._live()
                while not self.over:
                    at = self._next_at()
                    if at is None:
                        break
                    self.clock.to(self.clock.of_world(at))
                    self._do_next()
                    if self.life is not None:
                        self._run()
                self.rules.end()
            finally:
                self._drop()

    def _live(self) -> None:
        """A process begins to play the night."""
        self.lives += 1
        if self.lives > LIVES_MAX:
            raise Broken(9, f"the night had to be begun {LIVES_MAX} times")
        loop = VirtualLoop(self)
        life = self.life = Life(loop, SimSystem(self), self.clock.world, number=self.lives)
        self.sockets.clear()
        self.osc_ears.clear()
        self.trace.say(self.clock.world, f"- process {self.lives}")
        self.rules.begins()
        wants = "the desk"

        async def main() -> None:
            show, compiled = self.show, self.compiled
            life.daemon = _Daemon(show, compiled, None, "world", self.disk.path, False, None, DeskClaim((), wants))
            self._keep_syncing()
            self.rules.taken_up(life.daemon)
            await life.daemon.play()

        life.coroutine = main()
        task = loop.create_task(life.coroutine)

        def done(one: Any) -> None:
            life.error = one.exception()
            loop.stop()

        task.add_done_callback(done)
        self._run()

    def _run(self) -> None:
        """Until the process ends, one way or the other."""
        life = self.life
        assert life is not None
        try:
            life.loop.run_forever()
        except Killed as killed:
            self.trace.say(self.clock.world, f"- killed {killed}")
            self.kill(power=killed.wall_ns is not None)
            if killed.wall_ns is not None:
                self.clock.boot()
                self.clock.step(killed.wall_ns)
            return
        except Broken:
            self._abandon(None)
            raise
        error = life.error
        self.life = None
        self._round_at = None
        life.loop._ready.clear()  # type: ignore[attr-defined]
        life.loop.close()
        if isinstance(error, StagectlError):
            self.rules.ended(error)
            if not life.ready:
                # It could not begin; somebody tries again.
                self.recorder = None
                self.later(AGAIN_NS, self.start_again)
                return
        elif error is not None:
            raise Broken(9, f"the night has ended by {type(error).__name__}: {error}") from error
        self.over = True

    def kill(self, *, power: bool = False) -> None:
        """The process is no more; or the computer has no power."""
        self.rules.killed(power)
        self._abandon(random.Random(f"{self.chance.random()}") if power else None, power=power)
        self.rules.left(power)

    def _abandon(self, chance: random.Random | None, *, power: bool = False) -> None:
        life, recorder = self.life, self.recorder
        if life is None:
            return
        self.life, self.recorder, self._round_at = None, None, None
        self.osc_ears.clear()
        self.sockets.clear()
        self.kill_at_packet, self.disk.kills_in = None, None
        discard(life.loop, life.coroutine, life.daemon)
        life.loop.close()
        if recorder is not None:
            spool, disk = recorder._spool, recorder._journal._connection

            def close() -> None:
                if spool is not None:
                    close_quietly(spool._claim.file)
                if disk is not None:
                    disk.close()

            self.disk.killed(close, chance)
            if power and spool is not None:
                spool._claim.path.unlink(missing_ok=True)

    def _drop(self) -> None:
        """The world is over."""
        self._abandon(None)
        for path in (self.folder / "running").glob("*"):
            path.unlink()
        for path in self.folder.glob("played*"):
            path.unlink()

    def start_again(self) -> None:
        """Somebody starts the program, or it is started."""
        if self.life is None and not self.over:
            self._live()

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

    def warned(self, line: str) -> None:
        """The program warns of something."""
        self.trace.say(self.clock.world, f"- warned: {line.replace(str(self.folder), '')}")
        self.rules.warned(line)

    def stumbled(self, context: dict[str, Any]) -> None:
        """Something was raised that nobody has caught."""
        error = context.get("exception")
        raise Broken(9, f"{context.get('message')}: {type(error).__name__}: {error}")

    def stepped(self, plan: Any, state: Any, event: Any, now: int, done: Any) -> None:
        """The core has taken a step."""
        if self.trace.whole or done.effects:
            self.trace.say(self.clock.world, "{} -> {}", event, done.effects)
        self.rules.stepped(plan, state, event, now, done)

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
            if self.stage.over == "osc" or self.plugged["desk"]:
                self.stand_in.hear(packet, sender, self.clock.world + WIRE_NS)
                self.poke()
            if self.kill_at_packet is not None and self.kill_at_packet[0] <= 0:
                raise Killed("after a packet")

    # -- the desk ---------------------------------------------------------------------------------------------

    def poke(self) -> None:
        """Something is on its way to the desk, or from it."""
        due = self.stand_in.due
        if due is not None and (self._poked is None or due < self._poked):
            self._poked = due
            self.later(due - self.clock.world, self._desk)

    def _desk(self) -> None:
        self._poked = None
        advanced = self.stand_in.advance(self.clock.world)
        for taken in advanced.heard:
            self.rules.arrived(taken.packet)
        for packet, to in advanced.out:
            self._deliver(packet, to)
        self.poke()

    def _deliver(self, packet: bytes, to: Any) -> None:
        """What the desk says arrives."""
        if self.life is None:
            return
        if self.trace.whole:
            self.trace.say(self.clock.world, "desk > {}", packet)
        if self.stage.over == "midi":
            if self.plugged["desk"] and self.life.system.deliver("desk", packet, self.now):
                self.rules.heard_desk(packet)
        elif to in self.sockets:
            self.rules.heard_desk(packet)
            self.sockets[to].came(packet)

    # -- the journal ------------------------------------------------------------------------------------------

    def wake_recorder(self) -> None:
        """There is something to be written."""
        self._plan_round(self.disk.takes_ns)

    def _plan_round(self, after_ns: int) -> None:
        at = self.clock.world + after_ns
        if self._round_at is None or at < self._round_at:
            self._round_at = at
            self.later(after_ns, lambda: self._round(at))

    def _round(self, at: int) -> None:
        if self.life is None or self._round_at != at:
            return
        self._round_at = None
        self.recorder._round()
        self.rules.written()

    def _keep_syncing(self) -> None:
        """Once a second the recorder's thread wakes by itself."""
        life = self.life
        if life is None or life.daemon is None:
            return

        def again() -> None:
            if self.life is life and self.recorder is not None:
                self._plan_round(0)
                life.loop.call_later(SYNC_NS / 1e9, again)

        life.loop.call_later(SYNC_NS / 1e9, again)
