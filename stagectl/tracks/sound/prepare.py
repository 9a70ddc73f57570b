"""A process that makes one song ready, and ends: `python -m stagectl.tracks.sound.prepare`.

It is told the track by a line of JSON on standard input. The samples go to standard output, which is an unnamed
temporary file of the player's: whoever is killed, and however, nothing is left on the disk. What it has to say goes to
standard error, in lines of JSON: `{"is": "made", …}` or `{"is": "failed", "text": …}` is the last, with
`"cramped": true` where the disk has no room. It gives way to
everything else on the machine, a damaged file can bring down nothing but it, and to stop it is to kill it.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
import tempfile
import threading
from contextlib import suppress
from typing import Any, Final, NoReturn

from stagectl.apart.pipes import line
from stagectl.errors import DeviceError
from stagectl.tracks.sound.files import BadSound
from stagectl.tracks.sound.needed import library
from stagectl.tracks.sound.orders import LINE_MAX, track_from

NICE: Final = 10
"""By how much it gives way to others (POSIX: nice)."""

SPARE: Final = 256_000_000
"""Bytes of the disk that are left free."""

SAMPLE: Final = 4
"""Bytes of a sample: a 32-bit float."""


class NoRoom(BadSound):
    """The disk has no room for the samples."""


def main() -> NoReturn:
    """Make the song ready that standard input asks for."""
    if hasattr(os, "setpriority"):
        os.setpriority(os.PRIO_PROCESS, 0, NICE)
    asked = json.loads(sys.stdin.buffer.readline(LINE_MAX))
    threading.Thread(target=end_with_parent, daemon=True).start()
    try:
        told = _make(asked)
    except (BadSound, DeviceError) as error:
        told = {"is": "failed", "text": str(error), "cramped": isinstance(error, NoRoom)}
    except OSError as error:
        says = f"the samples cannot be written to {tempfile.gettempdir()}: {error.strerror}"
        told = {"is": "failed", "text": says, "cramped": error.errno == errno.ENOSPC}
    sys.stderr.buffer.write(line(told))
    sys.stderr.buffer.flush()
    # The thread that reads standard input holds its lock: a tidy end would wait for it.
    os._exit(0)


def _make(asked: dict[str, Any]) -> dict[str, Any]:
    library("numpy")
    from stagectl.tracks.sound.stems import Blend

    with Blend(track_from(asked["track"]), asked["rate"], asked["outputs"]) as blend:
        needs = blend.frames * asked["outputs"] * SAMPLE
        free = shutil.disk_usage(tempfile.gettempdir()).free
        if needs + SPARE > free:
            raise NoRoom(
                f"it needs {needs / 1e6:,.0f} MB in {tempfile.gettempdir()}, where {free / 1e6:,.0f} MB are free and "
                f"{SPARE / 1e6:,.0f} MB have to stay so"
            )
        with open(sys.stdout.fileno(), "wb", closefd=False) as out:
            for block in blend.blocks():
                out.write(block.data.cast("B"))
        return {"is": "made", "lead": blend.lead, "frames": blend.frames, "notes": blend.notes}


def end_with_parent() -> None:
    """End where standard input does: whoever began the process is gone, or wants nothing of it any more."""
    with suppress(OSError):
        while os.read(0, 4096):
            pass
    os._exit(1)


if __name__ == "__main__":
    main()
