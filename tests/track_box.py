"""A track player at the end of a MIDI cable, for tests: `python tests/track_box.py NAME TEMPO [mute]`.

It has a port at which it is told things and one on which it says where it is: song position, start, continue, stop, and
24 clocks a quarter note while it runs, as MIDI 1.0 has them. It prints `ready`, then each message that it is told, in
hexadecimal. Lines on standard input are hands on its front: `start`, `stop`, `at SIXTEENTHS` (go on from there). A mute
one says nothing.
"""

from __future__ import annotations

import queue
import sys
import threading
import time

import rtmidi

START, CONTINUE, STOP, CLOCK, POSITION = 0xFA, 0xFB, 0xFC, 0xF8, 0xF2


class Box:
    """Runs its clock from whenever it was told to."""

    def __init__(self, name: str, tempo: float, mute: bool) -> None:
        self.every = 60 / tempo / 24
        self.mute = mute
        self.orders: queue.Queue[bytes] = queue.Queue()
        self.told = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{name} told")
        self.told.ignore_types(False, False, False)
        self.told.set_callback(self.hear)
        self.told.open_virtual_port("in")
        self.says = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name} says")
        self.says.open_virtual_port("out")
        self.runs = False

    def hear(self, event: tuple[list[int], float], _: object) -> None:
        print(bytes(event[0]).hex(" ").upper(), flush=True)
        self.orders.put(bytes(event[0]))

    def say(self, *message: int) -> None:
        if not self.mute:
            self.says.send_message(message)

    def run(self) -> None:
        """Until standard input ends."""
        due = time.monotonic()
        while True:
            try:
                order = self.orders.get(timeout=max(0.0, due - time.monotonic()) if self.runs else None)
            except queue.Empty:
                self.say(CLOCK)
                due += self.every
                continue
            if not order:
                return
            if order[0] == POSITION:
                self.say(*order)
            elif order[0] in (START, CONTINUE):
                self.say(order[0])
                self.runs, due = True, time.monotonic() + 0.002
            elif order[0] == STOP:
                self.runs = False
                self.say(STOP)


def hands(box: Box) -> None:
    """What is done at its front."""
    for line in sys.stdin:
        word, _, number = line.strip().partition(" ")
        if word == "start":
            box.orders.put(bytes((START,)))
        elif word == "stop":
            box.orders.put(bytes((STOP,)))
        elif word == "at":
            box.orders.put(bytes((STOP,)))
            box.orders.put(bytes((POSITION, int(number) & 0x7F, int(number) >> 7)))
            box.orders.put(bytes((CONTINUE,)))
    box.orders.put(b"")


if __name__ == "__main__":
    made = Box(sys.argv[1], float(sys.argv[2]), "mute" in sys.argv)
    print("ready", flush=True)
    threading.Thread(target=hands, args=(made,), daemon=True).start()
    made.run()
