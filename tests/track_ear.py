"""A client of JACK that hears a track and the desk's messages with the same clock: the judge of sections that follow a
track.

`python -P tests/track_ear.py NAME` prints `ready` when it is there, `heard` when it listens to a sound player too,
takes notes until a line comes on standard input, and prints them as JSON: the monotonic times, ns, at which a pulse of
the track began, and those at which a control change arrived, with its value. A pulse is a sample above `LOUD` after
`REST_S` of silence. It is a process of its own, begun with `-P`, because the library JACK-Client is a module `jack`, as
`tests/jack.py` is.
"""

from __future__ import annotations

import gc
import importlib
import json
import sys
import threading
import time
from typing import Any

import numpy as np

LOUD = 0.5
REST_S = 0.05


def main(name: str) -> None:
    """Hear what comes."""
    jack: Any = importlib.import_module("jack")
    client = jack.Client(name, no_start_server=True)
    track = client.inports.register("track")
    desk = client.midi_inports.register("desk")
    pulses: list[int] = []
    changes: list[tuple[int, int]] = []
    rate = client.samplerate
    last = -(10**12)

    def process(_: int) -> None:
        nonlocal last
        now = time.monotonic_ns()
        changes.extend(
            (now, bytes(data)[2]) for _, data in desk.incoming_midi_events() if bytes(data)[0] & 0xF0 == 0xB0
        )
        samples = track.get_array()
        loud = np.flatnonzero(np.abs(samples) > LOUD)
        if len(loud):
            if now - last > REST_S * 1e9:
                pulses.append(now + round(int(loud[0]) * 1e9 / rate))
            last = now

    client.set_process_callback(process)
    client.activate()
    gc.freeze()
    print("ready", flush=True)
    asked = threading.Event()

    def listen() -> None:
        sys.stdin.readline()
        asked.set()

    threading.Thread(target=listen, daemon=True).start()
    while not asked.wait(0.02):
        if track.number_of_connections:
            continue
        for port in client.get_ports(is_audio=True, is_output=True):
            if not port.name.startswith(("system:", f"{name}:")):
                client.connect(port, track)
                print("heard", flush=True)
                break
    client.deactivate()
    print(json.dumps({"pulses": pulses, "changes": changes}), flush=True)
    client.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
