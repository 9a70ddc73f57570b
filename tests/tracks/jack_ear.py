"""A second JACK client, as a process of its own, that writes down what another client's outputs say: the judge.

    python jack_ear.py SECONDS FILE PORT…

It listens to the ports, for so long at most, and prints `ready`. After a line on standard input it listens for another
`TAIL_S`, writes FILE and prints `written`. In it are every cycle's samples, each cycle's first
frame by JACK's own count (so that a cycle that was lost shows), how often the server was late, pairs of JACK's frame
time and CLOCK_MONOTONIC, and the playback latency that JACK says of the first port, frames.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
import time
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import numpy as np

# The library of that name, and no file of the tests.
jack: Any = import_module("jack")

PAIR_S = 0.05
"""Between two readings of the clocks, s."""


TAIL_S = 0.15
"""What still sounds when it is told to stop is heard to its end, s."""

SETTLES_S = 0.1
"""JACK sorts its graph anew when ports are connected, and may be late meanwhile."""


def main(seconds: float, path: str, outputs: Sequence[str]) -> None:
    """Record until it is told to stop; no longer than that."""
    client = jack.Client("judge", no_start_server=True)
    inputs = [client.inports.register(f"in_{at + 1}") for at in range(len(outputs))]
    block = client.blocksize
    cycles = int(seconds * client.samplerate / block) + 1
    samples = np.zeros((cycles, len(outputs), block), np.float32)
    firsts = np.zeros(cycles, np.uint32)
    count = late = 0

    def process(frames: int) -> None:
        nonlocal count
        if frames == block and count < cycles:
            firsts[count] = client.last_frame_time
            for at, port in enumerate(inputs):
                samples[count, at] = port.get_array()
            count += 1

    def xrun(_: float) -> None:
        nonlocal late
        late += 1

    def shutdown(*_: Any) -> None:
        os._exit(1)

    client.set_process_callback(process)
    client.set_xrun_callback(xrun)
    client.set_shutdown_callback(shutdown)
    client.activate()
    for output, port in zip(outputs, inputs, strict=True):
        client.connect(output, port)
    stop = threading.Event()
    stop.wait(SETTLES_S)
    count = late = 0
    print("ready", flush=True)

    def told() -> None:
        sys.stdin.readline()
        stop.set()

    threading.Thread(target=told, daemon=True).start()
    pairs = []
    while not stop.is_set():
        before, frame, after = time.monotonic_ns(), client.frame_time, time.monotonic_ns()
        pairs.append((frame, (before + after) // 2, after - before))
        stop.wait(PAIR_S)
    until = min(cycles, count + int(TAIL_S * client.samplerate / block))
    while count < until:
        time.sleep(PAIR_S / 10)
    there = count
    np.savez(
        path,
        samples=samples[:there].transpose(0, 2, 1).reshape(there * block, len(outputs)),
        firsts=firsts[:there],
        late=late,
        pairs=np.array(pairs, np.int64),
        block=block,
        rate=client.samplerate,
        latency=latency(client, outputs[0]),
    )
    print("written", flush=True)
    os._exit(0)


def latency(client: Any, port: str) -> int:
    """What JACK says of how long a cycle's frames take from a port to the converter (jack_port_get_latency_range)."""
    ffi, lib = jack._ffi, ctypes.CDLL("libjack.so.0")
    lib.jack_port_by_name.restype = ctypes.c_void_p
    found = ctypes.c_void_p(
        lib.jack_port_by_name(ctypes.c_void_p(int(ffi.cast("intptr_t", client._ptr))), port.encode())
    )
    least_and_most = (ctypes.c_uint32 * 2)()
    lib.jack_port_get_latency_range(found, 1, least_and_most)
    return least_and_most[1]


if __name__ == "__main__":
    main(float(sys.argv[1]), sys.argv[2], sys.argv[3:])
