"""A night that was broken off on a disk that takes no more, because it is full or has become read-only, goes on all the
same: a small disk in memory, in a mount namespace of its own, and the program's own processes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from free_ports import free_port
from needs import needs, unavailable
from nights import deaf, quick_copy

TESTS = Path(__file__).resolve().parents[1]

EVENING = f"""
import json, os, signal, socket, subprocess, sys
sys.path[:0] = [{str(TESTS)!r}, {str(TESTS / "live")!r}]
from contextlib import contextmanager
from pathlib import Path
from lines import Program
from nights import STAGECTL, told
from stagectl.wire.osc import build

disk, show, foot, how = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4]
sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

@contextmanager
def night():
    daemon = Program([*STAGECTL, "run", show])
    try:
        yield daemon, daemon.until(lambda line: line.startswith("ready"))
    finally:
        daemon.close()

def press(daemon, name):
    for value in (1, 0):
        sender.sendto(build(f"/foot/{{name}}", [value]), ("127.0.0.1", foot))
    daemon.until(lambda line: line.endswith("press)") or "refused" in line)

found = {{"ready": []}}
with night() as (daemon, ready):
    found["ready"].append(ready)
    press(daemon, "on")
    if how == "full":
        with (disk / "ballast").open("wb", buffering=0) as ballast:
            size = 4096
            while size:
                try:
                    ballast.write(bytes(size))
                except OSError:
                    size //= 2
    for _ in range(40):
        press(daemon, "more")
        press(daemon, "less")
    press(daemon, "on")
    daemon.process.kill()
if how == "read-only":
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
for _ in range(2):
    # It goes on twice: the second time from the copy.
    with night() as (daemon, ready):
        found["ready"].append(ready)
        press(daemon, "more")
        press(daemon, "less")
        daemon.process.kill()
        daemon.process.wait()
        found["said"] = daemon.process.stderr.read()
        found.setdefault("first", found["said"])
with night() as (daemon, ready):
    daemon.process.send_signal(signal.SIGTERM)
    daemon.process.wait()
lived = told("log")
found["presses"] = sorted({{one["press"] for one in lived if one["kind"] in ("press", "refusal")}})
found["ends"] = lived[-1]["kind"]
found["nights"] = len(told("nights"))
found["places"] = [one["song"] for one in lived if one["kind"] == "resumed"]
print(json.dumps(found))
"""


@pytest.mark.ports
@pytest.mark.parametrize("how", ["full", "read-only"])
def test_it_goes_on_in_a_copy(tmp_path: Path, how: str) -> None:
    needs("unshare", "mount")
    desk, foot = free_port(), free_port()
    show = deaf(quick_copy("three-songs", tmp_path, **{"9000": str(desk), "9010": str(foot)}))
    disk, spare = tmp_path / "disk", tmp_path / "spare"
    for folder in (disk, spare):
        folder.mkdir()
    mounted = 'mount -t tmpfs -o size=400k disk "$1" && exec "$2" -c "$3" "$1" "$4" "$5" "$6"'
    inside = ("sh", str(disk), sys.executable, EVENING, str(show), str(foot), how)
    command = ("unshare", "--map-root-user", "--mount", "sh", "-c", mounted, *inside)
    own = {"STATE_DIRECTORY": str(disk), "TMPDIR": str(spare), "STAGECTL_RUNNING": str(tmp_path / "running")}
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, env=os.environ | own)
    if ran.returncode and ("unshare" in ran.stderr or "mount:" in ran.stderr):
        unavailable(f"no small disk can be made here: {ran.stderr.strip()}")
    assert ran.returncode == 0, ran.stderr
    found = json.loads(ran.stdout)
    assert "taken up again" not in found["ready"][0]
    assert all("taken up again" in ready for ready in found["ready"][1:])
    if how == "full":
        # What the journal still takes, and what it does not, is up to SQLite.
        assert "the disk is full" in found["first"]
    else:
        # That is said the first time, with where it goes on; after that the copy is as good as any journal.
        says = rf"cannot be written on: it may not be written to\..* kept in {spare}.*: copy it tonight"
        assert re.search(says, found["first"])
        assert not found["said"]
    # Nothing is missing: eighty-two presses, and two more each time.
    assert found["presses"] == [*range(1, 82 + 2 * 2 + 1)]
    assert found["ends"] == "end" and found["nights"] == 1
    assert len({*found["places"]}) == 1
