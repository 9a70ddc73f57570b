"""The processes that play a night, one after the other: how each begins, runs, and is no more."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from stagectl.errors import StagectlError
from stagectl.live.daemon import _Daemon
from stagectl.live.record import DeskClaim

from .clock import SECOND
from .disk import close_quietly
from .inputs import Broken, Killed
from .loop import VirtualLoop
from .seams import discard, quiet
from .wires import SimSystem

if TYPE_CHECKING:
    from .night import World

AGAIN_NS: Final = 2 * SECOND
"""How soon somebody starts a program again that could not begin, ns."""

LIVES_MAX: Final = 60


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
    claim: DeskClaim | None = None


def live(world: World) -> None:
    """A process begins to play the night, and runs until it ends."""
    world.lives += 1
    if world.lives > LIVES_MAX:
        raise Broken(9, f"the night had to be begun {LIVES_MAX} times")
    loop = VirtualLoop(world)
    life = world.life = Life(loop, SimSystem(world), world.clock.world, number=world.lives)
    world.sockets.clear()
    world.osc_ears.clear()
    world.trace.say(world.clock.world, f"- process {world.lives}")
    world.rules.begins()

    async def main() -> None:
        claim = life.claim = DeskClaim((), "the desk")
        life.daemon = _Daemon(
            world.show, world.compiled, None, "world", world.disk.path, False, world.page_end.served, claim
        )
        world.rounds.keep_syncing()
        world.rules.taken_up(life.daemon)
        await life.daemon.play()

    life.coroutine = main()
    task = loop.create_task(life.coroutine)

    def done(one: Any) -> None:
        life.error = one.exception()
        loop.stop()

    task.add_done_callback(done)
    run(world)


def run(world: World) -> None:
    """Until the process ends, one way or the other."""
    life = world.life
    assert life is not None
    try:
        life.loop.run_forever()
    except Killed as killed:
        world.trace.say(world.clock.world, f"- killed {killed}")
        kill(world, power=killed.wall_ns is not None)
        if killed.wall_ns is not None:
            world.clock.boot()
            world.clock.step(killed.wall_ns)
        return
    except Broken:
        abandon(world, None)
        raise
    error = life.error
    world.life = None
    world.rounds.ended()
    world.page_end.forget()
    world.keyboards.forget()
    quiet(life.loop)
    life.loop.close()
    if life.claim is not None:
        life.claim.give_up()
    if isinstance(error, StagectlError):
        world.rules.ended(error)
        if not life.ready:
            # It could not begin; somebody tries again.
            world.rounds.forget()
            world.later(AGAIN_NS, world.start_again)
            return
    elif error is not None:
        raise Broken(9, f"the night has ended by {type(error).__name__}: {error}") from error
    world.over = True


def kill(world: World, *, power: bool = False) -> None:
    """The process is no more; or the computer has no power."""
    world.rules.killed(power)
    abandon(world, random.Random(f"{world.chance.random()}") if power else None, power=power)


def abandon(world: World, chance: random.Random | None, *, power: bool = False) -> None:
    """Nothing of a process runs on. `chance`: as in `Disk.killed`."""
    life, recorder = world.life, world.rounds.recorder
    if life is None:
        return
    world.life = None
    world.rounds.forget()
    world.page_end.forget()
    world.keyboards.forget()
    world.osc_ears.clear()
    world.sockets.clear()
    world.kill_at_packet, world.disk.kills_in = None, None
    discard(life.loop, life.coroutine, life.daemon)
    life.loop.close()
    for claim in [] if life.claim is None else life.claim._claims:
        # What it was claimed by stays, and nobody holds it.
        close_quietly(claim.file)
    if recorder is None:
        return
    spool, disk = recorder._spool, recorder._journal._connection

    def close() -> None:
        if spool is not None:
            close_quietly(spool._claim.file)
        if disk is not None:
            disk.close()

    world.disk.killed(close, chance)
    if power and spool is not None:
        spool._claim.path.unlink(missing_ok=True)
