"""What each kind of input does to a world."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.levels import OFF
from stagectl.desk.faults import Faults
from stagectl.desk.meaning import Spot

from .clock import MS, SECOND
from .disk import USUAL_NS
from .inputs import Killed
from .keyboards import DOWN, KEYS

if TYPE_CHECKING:
    from .night import World


def _foot(world: World, pedal: int, packets: tuple[tuple[int, bytes], ...]) -> None:
    for after_ns, packet in packets:
        world.later(after_ns, partial(_foot_says, world, pedal, packet))


def _foot_says(world: World, pedal: int, packet: bytes) -> None:
    world.agenda.last_input = world.clock.world
    if world.life is None:
        return
    if world.stage.feet[pedal] == "osc":
        ear = world.osc_ears.get(9010)
        if ear is not None:
            world.rules.foot(pedal, packet)
            ear(packet, world.now, ("127.0.0.1", 5000))
    elif world.stage.feet[pedal] == "keys":
        _key(world, pedal, packet)
    elif world.plugged[f"foot {pedal}"] and world.life.system.deliver(f"foot {pedal}", packet, world.now):
        world.rules.foot(pedal, packet)


def _key(world: World, pedal: int, packet: bytes) -> None:
    """A key, as `faults.py` writes it: its code in two bytes, and down, up or repeat."""
    code, value = int.from_bytes(packet[:2], "big"), packet[2]
    name = world.stage.ends[pedal]
    device = world.keyboards.devices[name]
    if world.plugged[name] and device.moves(code, value):
        if code in KEYS.values() or value == DOWN:
            world.rules.foot(pedal, packet)
        if value == DOWN:
            world.rules.ends.down(pedal, code)


def _keys_lost(world: World, pedal: int, codes: tuple[int, ...]) -> None:
    name = world.stage.ends[pedal]
    if world.life is not None and world.plugged[name]:
        world.keyboards.devices[name].loses(codes)


def _cable(world: World, name: str, for_ns: int) -> None:
    if name in world.plugged:
        world.plugged[name] = False
        world.keyboards.cable(name, plugged=False)
        world.rules.unplugged(name)
        world.mended(for_ns, lambda: _plug(world, name))


def _plug(world: World, name: str) -> None:
    # The port of a desk that is switched off comes with its power.
    world.plugged[name] = name != "desk" or world.stand_in.on
    world.keyboards.cable(name, plugged=True)
    world.rules.plugged(name)


def _hand(world: World, mix: int, socket: int | None, way: tuple[tuple[int, int | None], ...]) -> None:
    for after_ns, level in way:
        world.later(after_ns, partial(_moves, world, mix, socket, level))


def _moves(world: World, mix: int, socket: int | None, level: int | None) -> None:
    world.agenda.last_input = world.clock.world
    spot = Spot(mix, socket)
    if world.stand_in.on and spot in world.desk.spots:
        heard = world.desk_end.move(spot, OFF if level is None else level)
        world.rules.hand(spot, heard.level)


def _power(world: World, for_ns: int) -> None:
    if world.stand_in.on:
        world.stand_in.power(on=False)
        world.rules.desk_power(on=False)
        if "desk" in world.plugged:
            world.plugged["desk"] = False
        world.mended(for_ns, lambda: _power_on(world))


def _power_on(world: World) -> None:
    world.stand_in.power(on=True)
    world.rules.desk_power(on=True)
    if "desk" in world.plugged:
        world.plugged["desk"] = True


def _wires(world: World, faults: tuple[tuple[str, Any], ...], for_ns: int) -> None:
    found = Faults(**dict(faults))
    world.stand_in.inward.faults = world.stand_in.outward.faults = found
    world.rules.unwell(for_ns + 500 * MS)

    def mended() -> None:
        world.stand_in.inward.faults = world.stand_in.outward.faults = Faults()

    world.mended(for_ns, mended)


def _port_fails(world: World, name: str, for_ns: int) -> None:
    world.failing.add(name)
    world.rules.unplugged(name)
    if name == "desk":
        world.rules.unwell(for_ns + SECOND)

    def mended() -> None:
        world.failing.discard(name)
        world.rules.unplugged(name)

    world.mended(for_ns, mended)


class Unheard(Exception):
    """What a stage page that has broken down raises."""


def _page_fails(world: World, for_ns: int) -> None:
    life = world.life
    if life is None or life.daemon is None:
        return

    def fails(_: Any) -> None:
        raise Unheard("the page has broken down")

    for looks in (life.daemon.night.watchers, life.daemon.night.tellers):
        looks.insert(0, fails)

    def mended() -> None:
        for looks in (life.daemon.night.watchers, life.daemon.night.tellers):
            if world.life is life and fails in looks:
                looks.remove(fails)

    world.mended(for_ns, lambda: mended() if world.life is life else None)


def _flood(world: World, pedal: int, packet: bytes, times: int) -> None:
    for _ in range(times):
        _foot_says(world, pedal, packet)


def _disk(world: World, how: str, for_ns: int) -> None:
    if how == "full":
        world.disk.full = True
    elif how == "no room anywhere":
        world.disk.full = world.disk.memory_full = True
        world.rules.no_room()
    else:
        world.disk.takes_ns = 800 * MS

    def mended() -> None:
        world.disk.full = world.disk.memory_full = False
        world.disk.takes_ns = USUAL_NS

    world.mended(for_ns, mended)


def _deleted(world: World) -> None:
    if world.life is not None:
        world.rules.deleted()
        world.disk.safe = 0
        for end in ("", "-wal", "-shm"):
            Path(f"{world.disk.path}{end}").unlink(missing_ok=True)


def _kill(world: World, how: str, count_: int, for_ns: int) -> None:
    if world.life is None:
        return
    world.later(for_ns, world.start_again)
    if how == "now":
        raise Killed("at rest")
    if how == "in a write":
        world.disk.kills_in = count_
    else:
        world.kill_at_packet = (count_, how == "after a packet")

    def at_last() -> None:
        if world.life is not None and (world.kill_at_packet is not None or world.disk.kills_in is not None):
            raise Killed("at last")

    world.later(min(for_ns - 1, 2 * SECOND), at_last)


def _power_cut(world: World, for_ns: int, wall_ns: int) -> None:
    world.later(for_ns, world.start_again)
    if world.life is not None:
        raise Killed("no power", wall_ns)


def _clock(world: World, by_ns: int) -> None:
    world.clock.step(by_ns)


def _busy(world: World, for_ns: int) -> None:
    world.clock.to(world.now + for_ns)
    world.rules.unwell(SECOND)


AWAY_NS: Final = 5 * SECOND
"""What is away for longer is taken to be so: a night comes to rest meanwhile, ns."""


def _sound(world: World, for_ns: int) -> None:
    world.sound_lives = False
    world.rules.ends.changed("laptop")
    for one in world.sounds:
        one.die()

    def back() -> None:
        world.sound_lives = True
        world.rules.ends.changed("laptop")
        for one in world.sounds:
            one.come()

    # Where it is away for long, that is how things are.
    world.mended(for_ns, back, rests=for_ns > AWAY_NS)


def _page(world: World, want: tuple[tuple[str, Any], ...], stands_ns: int = 0) -> None:
    """Somebody asks for something by the page, and perhaps the program stands still just then."""
    world.page_end.in_process(lambda process: process.want(dict(want)))
    if stands_ns:
        _busy(world, stands_ns)


def _page_client(world: World, for_ns: int, reads: bool) -> None:
    world.page_end.come(for_ns, reads=reads)


def _page_still(world: World, for_ns: int) -> None:
    world.page_end.in_process(lambda process: process.stands_still(for_ns))


def _page_dies(world: World) -> None:
    world.page_end.dies()


def _edit(world: World) -> None:
    """Somebody saves another setlist; it counts from the next start on."""
    world.show, world.compiled = world.played.edited, world.played.edited_compiled
    world.rules.edited()


def _end(world: World) -> None:
    """Ctrl-C."""
    if world.life is not None and world.life.stop is not None:
        world.rules.settled()
        world.life.stop.set()


DO: Final[dict[str, Callable[..., None]]] = {
    "foot": _foot,
    "cable": _cable,
    "hand": _hand,
    "desk power": _power,
    "wires": _wires,
    "port fails": _port_fails,
    "page fails": _page_fails,
    "flood": _flood,
    "disk": _disk,
    "journal deleted": _deleted,
    "kill": _kill,
    "power cut": _power_cut,
    "clock step": _clock,
    "busy": _busy,
    "sound dies": _sound,
    "page": _page,
    "page client": _page_client,
    "page stands still": _page_still,
    "page dies": _page_dies,
    "keys lost": _keys_lost,
    "edit": _edit,
    "end": _end,
}
"""What each kind of input does."""
