"""A hostile evening at the stage page. Run by hand: `python tests/soak_page.py --seconds 60`.

Presses go from a foot's socket through the daemon to the desk's, over OSC: first with nobody at the page, then with
stalled clients, 1,000 connections that say nothing and come back when they are closed, and a flood of wrong keys,
garbage and half requests, while 20 clients read on. It prints how long presses took, how many were lost, what the flood
was answered, and whether somebody new is still served; it ends with 1 where a press was lost or nobody is.
"""

from __future__ import annotations

import argparse
import socket
import tempfile
import time
from pathlib import Path

from page_night import PageNight, resident_mb, row

CROWD = ("look 20", "stall 5", "idle 1000", "flood", "flood", "flood")
PRESSES_A_SECOND = 30


def served_s(port: int) -> float | None:
    """How long somebody new waits for the stream, s; None where it never comes."""
    began = time.monotonic()
    try:
        with socket.create_connection(("127.0.0.1", port), 10) as client:
            client.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            client.settimeout(10)
            data = b""
            while b"event: stage" not in data:
                part = client.recv(65_536)
                if not part:
                    return None
                data += part
    except OSError:
        return None
    return time.monotonic() - began


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60, help="how long the crowd stays")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        night = PageNight(Path(folder))
        night.presses(50)
        page = night.page_process
        print(f"the page's process: {resident_mb(page):.1f} MB")
        print(row("nobody", night.presses(round(PRESSES_A_SECOND * min(20, given.seconds / 2)))))
        for order in CROWD:
            night.crowd_does(order)
        taken: list[int] = []
        waits: list[float | None] = []
        ends = time.monotonic() + given.seconds
        while time.monotonic() < ends:
            taken += night.presses(PRESSES_A_SECOND)
            waits.append(served_s(night.port))
        print(row("a hostile crowd", taken))
        print(f"  presses lost: {night.lost}")
        answered = night.crowd_does("count")
        print(f"  boards read: {answered.pop('boards'):,}; the rest was answered: {answered}")
        came = [one for one in waits if one is not None]
        longest = f"{max(came):.3f} s" if came else "never"
        print(f"  somebody new was served {len(came)} times of {len(waits)}, after {longest} at most")
        print(
            f"  the page's process: {resident_mb(page):.1f} MB, {'the same' if night.page_process == page else 'anew'}"
        )
        night.close()
    raise SystemExit(1 if night.lost or len(came) < len(waits) else 0)


if __name__ == "__main__":
    main()
