"""What the stage page costs a press, and this machine. Run by hand: `python tests/bench_page.py`.

A press goes from a foot's socket through the daemon to the desk's, over OSC; nobody at the page, 200 clients that read,
and 5 that read nothing take turns, block by block, so that all see the same machine. Then the memory of the page's
process beside a bare Python, and how long it is from a press to the event at a client. It prints figures and judges
nothing.
"""

from __future__ import annotations

import argparse
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from page_night import PageNight, resident_mb, row

CROWDS = {"nobody": None, "200 clients": "look 200", "5 that take nothing": "stall 5"}


def bare_mb() -> float:
    """What a bare Python holds."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as bare:
        time.sleep(0.3)
        found = resident_mb(bare.pid)
        bare.communicate(b"\n")
    return found


def to_event(night: PageNight, presses: int) -> list[int]:
    """From a press to the event of its board at a client, ns."""
    taken = []
    with socket.create_connection(("127.0.0.1", night.port)) as client:
        client.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        client.settimeout(0.3)
        for _ in range(presses):
            try:
                while True:
                    client.recv(1 << 20)
            except TimeoutError:
                began = time.monotonic_ns()
            night.press()
            client.settimeout(5)
            data = b""
            while b"event: stage" not in data:
                data += client.recv(1 << 20)
            taken.append(time.monotonic_ns() - began)
            client.settimeout(0.3)
    return taken


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--presses", type=int, default=150, help="presses of each block")
    parser.add_argument("--blocks", type=int, default=4, help="blocks of each crowd")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        night = PageNight(Path(folder))
        figures: dict[str, list[int]] = {name: [] for name in CROWDS}
        night.presses(50)
        page = night.page_process
        print(f"the page's process: {resident_mb(page):.1f} MB, a bare Python {bare_mb():.1f} MB")
        for _ in range(given.blocks):
            for name, order in CROWDS.items():
                if order is not None:
                    night.crowd_does(order)
                figures[name] += night.presses(given.presses)
                night.crowd_does("leave")
        print("press → desk, over OSC")
        for name, taken in figures.items():
            print(row(name, taken))
        middle = {name: statistics.median(taken) for name, taken in figures.items()}
        for name in list(CROWDS)[1:]:
            print(f"  {name}: median {100 * (middle[name] / middle['nobody'] - 1):+.1f} %")
        print(f"  lost: {night.lost}; boards read by the crowd: {night.crowd_does('count')['boards']:,}")
        print(f"the page's process afterwards: {resident_mb(page):.1f} MB")
        print(row("press → event, one client", to_event(night, 20)))
        night.close()


if __name__ == "__main__":
    main()
