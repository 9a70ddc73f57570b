"""A client of JACK that hears MIDI clocks and stamps each with the monotonic time of the period in which it arrives,
taken first thing in JACK's callback. Beside `bench_clock.py`, which runs it: `python -P tests/clock_ear.py <client>
<port> …` prints `ready`, listens until a line comes on standard input, and prints what it heard as JSON.

JACK's own time of a frame is no good here: with no sound card it is counted, and whenever the server is late, which
without real-time priority it is some times a second, its count falls behind the monotonic clock (measured: by 20 ms in
20 s). The time at which JACK calls is late by what the system takes to wake it, and so figures are rather too bad.

It is a process of its own, begun with `-P`, because the library JACK-Client is a module `jack`, as `tests/jack.py` is.
"""

from __future__ import annotations

import gc
import importlib
import json
import sys
import time
from typing import Any

CLOCK = b"\xf8"


def main(name: str, *ports: str) -> None:
    """Hear what comes at the ports."""
    jack: Any = importlib.import_module("jack")
    client = jack.Client(name, no_start_server=True)
    stamps: dict[str, list[int]] = {port: [] for port in ports}
    inputs = [(client.midi_inports.register(port), stamps[port]) for port in ports]
    late_periods: list[float] = []

    def process(_: int) -> None:
        now = time.monotonic_ns()
        for port, heard in inputs:
            heard += [now for _, data in port.incoming_midi_events() if bytes(data) == CLOCK]

    client.set_process_callback(process)
    client.set_xrun_callback(late_periods.append)
    client.activate()
    gc.freeze()
    print("ready", flush=True)
    sys.stdin.readline()
    client.deactivate()
    print(json.dumps({"stamps": stamps, "late_periods": len(late_periods)}), flush=True)
    client.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
