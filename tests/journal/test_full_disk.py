"""A disk with no room left: a small one in memory, in a mount namespace of its own. It is said at once, the night goes
on in memory, and what is held is written when there is room."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from needs import needs, unavailable

TESTS = Path(__file__).resolve().parents[1]

NIGHT = f"""
import json, sys, threading
sys.path.insert(0, {str(TESTS)!r})
from pathlib import Path
from journal.nights import NIGHT, WALL, numbered, story, whole
from journal.test_record import MOVED
from stagectl.journal import record

record.SYNC_S = 0.02
disk = Path(sys.argv[1])
ballast = disk / "ballast"
path = disk / "small.night"
told, news = [], threading.Semaphore(0)

def tell(trouble):
    told.append(trouble)
    news.release()

recorder = record.begin(path, NIGHT, tell)
ballast.write_bytes(bytes(100_000))
presses = 0
while not told:
    recorder.write(numbered(presses, 1), WALL, MOVED)
    recorder.go()
    presses += 1
    threading.Event().wait(0.0002)
# The disk is full, and feet go on.
for _ in range(300):
    recorder.write(numbered(presses, 1), WALL, MOVED)
    recorder.go()
    presses += 1
held = recorder.unwritten
ballast.unlink()
while told[-1] is not None:
    assert news.acquire(timeout=10)
recorder.close()
kept = [row.at for row in story(path)]
found = {{"told": told[:2], "held": held, "kept": kept == [*range(presses)], "sound": whole(path)}}
print(json.dumps(found))
"""


@pytest.mark.parametrize("kilobytes", [260, 400])
def test_a_full_disk_loses_nothing(tmp_path: Path, kilobytes: int) -> None:
    needs("unshare", "mount")
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = f'mount -t tmpfs -o size={kilobytes}k disk "$1" && exec "$2" -c "$3" "$1"'
    command = ("unshare", "--map-root-user", "--mount", "sh", "-c", mounted, "sh", str(disk), sys.executable, NIGHT)
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    if ran.returncode and ("unshare" in ran.stderr or "mount" in ran.stderr):
        unavailable(f"no small disk can be made here: {ran.stderr.strip()}")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert "small.night cannot be written: the disk is full. Changes are held in memory." in told["told"][0]
    assert told["told"][1] is None
    assert told["held"] >= 300
    assert told["kept"] and told["sound"]
