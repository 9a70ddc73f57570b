"""A lamp that takes no bytes: said once, told anew when its port is back, and no press waits for it."""

from __future__ import annotations

import asyncio
import io
import time
from contextlib import closing
from pathlib import Path

from stagectl.core.events import DeskCame, LampsCame, Moved, PedalCame
from stagectl.desk.talk import DeskTalk
from stagectl.errors import DeviceError
from stagectl.journal.read import open_read, rows
from stagectl.journal.record import begin
from stagectl.journal.schema import Night as Head
from stagectl.journal.spool import on_its_way
from stagectl.live.links import OutLink
from stagectl.live.night import Night, Outs
from stagectl.live.printer import Printer
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.rig import LinkedModel
from stagectl.where import shipped

KEYS_PEDAL = 2
ON = 1
"""The pedal's second switch: `next`."""


class Wire:
    """A port that takes bytes, until it does not."""

    def __init__(self, journal: Path) -> None:
        self.name = "wire"
        self.sound = True
        self.taken: list[tuple[bytes, int]] = []
        self._journal = journal

    def send(self, packet: bytes) -> None:
        if not self.sound:
            raise DeviceError("it takes no bytes")
        with closing(open_read(self._journal)) as night:
            arrived = {number for number, _, row in rows(night) if row.kind == "arrival"}
        waiting = {line[0] for line in on_its_way(self._journal) if "arrival" in line}
        self.taken.append((packet, len(waiting | arrived)))

    def relax(self) -> None:
        """Nothing waits here."""

    def close(self) -> None:
        """Nothing is held here."""


def link(name: str, wire: Wire) -> OutLink:
    made = OutLink(name, LinkedModel.model_construct(port=name, host=None))
    made.take(wire)
    return made


def test_a_lamp_that_fails_is_said_once_and_stops_no_press(tmp_path: Path) -> None:
    asyncio.run(_night(tmp_path / "lamps.night"))


async def _night(path: Path) -> None:
    show = load_show(shipped("setlists") / "nine-songs")
    journal = begin(path, Head(setlist="lamps", begun_us=0, program="test"), print)
    said = io.StringIO()
    printer = Printer(io.StringIO(), said)
    lamp, desk = Wire(path), Wire(path)
    outs = Outs(link("desk", desk), [link("keys rig", Wire(path)), link("lights", Wire(path))])
    outs.lamps = (None, None, link("lamps of keys pedal", lamp))
    night = Night(show, compile_show(show), journal, printer, outs, DeskTalk.of(show), time.monotonic_ns())
    for event in (DeskCame(), PedalCame(pedal=KEYS_PEDAL), LampsCame(pedal=KEYS_PEDAL)):
        night.handle(event, time.monotonic_ns())
    assert [packet for packet, _ in lamp.taken] == [bytes((0xC0, 0))]

    lamp.sound = False
    began = time.monotonic_ns() + 10**9
    for at in range(3):
        moment = began + at * 10**9
        night.handle(Moved(pedal=KEYS_PEDAL, control=ON, value=127), moment)
        night.handle(Moved(pedal=KEYS_PEDAL, control=ON, value=0), moment + 10**8)
        # What was put off to the loop's next turn happens now.
        await asyncio.sleep(0)
    assert night.state.place.stop == 3
    assert len(desk.taken) > 80
    # A change is in the journal before its first byte leaves, and so before the lamp that answers it.
    assert desk.taken[0][1] == 1
    assert not night.state.lights[KEYS_PEDAL].wire_here

    lamp.sound = True
    lamps = outs.lamps[KEYS_PEDAL]
    assert lamps is not None
    lamps.take(lamp)
    before = len(lamp.taken)
    night.handle(LampsCame(pedal=KEYS_PEDAL), began + 10**10)
    song = night.plan.stops[3].song + 1
    assert lamp.taken[before:] == [(bytes((0xC0, song)), 3)]
    night.end()
    journal.close()
    printer.close()
    assert said.getvalue().count("it takes no bytes") == 1
