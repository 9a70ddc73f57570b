"""`check` in a process of its own: `python -m stagectl.ready.proving SETLIST [VENUE]`. It reckons for a second or more,
and nothing else has to wait for it; where it takes too long it is killed. It ends when its standard input does, and so
with the program.

It says one line of JSON: `{"faults": [[file, line, text], …], "warnings": 4, "proved": …}`. Sound files are opened and
not read through.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from stagectl.apart.python import runs
from stagectl.errors import DeviceError, Fault

MODULE = "stagectl.ready.proving"


class Proven(NamedTuple):
    """What `check` says of a show. `proved`: its line about the proof; empty where there are faults."""

    faults: tuple[Fault, ...]
    warnings: int
    proved: str


def proven(setlist: Path, venue: str | None, within_s: float) -> Proven | None:
    """What `check` says; None where that takes longer than so many seconds. Raises DeviceError where the process
    fails."""
    command = [*runs(MODULE), str(setlist), *([] if venue is None else [venue])]
    ours, theirs = os.pipe()[::-1]
    try:
        # Our end of its standard input is closed with this process, however that ends.
        run = subprocess.run(command, stdin=theirs, capture_output=True, timeout=within_s, check=False)
    except subprocess.TimeoutExpired:
        return None
    except OSError as error:
        raise DeviceError(f"no process can be started for it: {error.strerror}") from error
    finally:
        os.close(theirs)
        os.close(ours)
    try:
        said = json.loads(run.stdout.splitlines()[-1])
        return Proven(tuple(Fault(*fault) for fault in said["faults"]), said["warnings"], said["proved"])
    except (IndexError, ValueError, KeyError, TypeError) as error:
        last = run.stderr.decode(errors="replace").strip().rpartition("\n")[2]
        raise DeviceError(f"its process has failed ({run.returncode}): {last or 'it said nothing'}") from error


def prove(setlist: Path, venue: str | None) -> Proven:
    """Check a show here and now."""
    from dataclasses import replace

    from stagectl.errors import FileFaults
    from stagectl.show.advice import advice_on, elsewhere
    from stagectl.show.compile import compile_show
    from stagectl.show.load import load_show
    from stagectl.show.proof import proof_of
    from stagectl.tracks.sound.look import look

    try:
        show = load_show(setlist)
        more = []
        if any(song.cue is not None and song.cue.stems for song in show.setlist.songs):
            looked = look(show)
            show, more = replace(show, lengths=looked.lengths), looked.advice
        plan = compile_show(show, venue).plan
        proved = proof_of(show, plan, venue)
    except FileFaults as error:
        return Proven(error.faults, 0, "")
    if proved.faults:
        return Proven(proved.faults, 0, "")
    return Proven((), len(advice_on(show, plan, [*proved.advice, *more], elsewhere(show, venue))), proved.says)


def _until_the_end() -> None:
    """Nobody waits for it any more."""
    with suppress(OSError):
        while os.read(sys.stdin.fileno(), 4096):
            pass
    os._exit(1)


def main(arguments: Sequence[str]) -> None:
    """Say it."""
    threading.Thread(target=_until_the_end, daemon=True).start()
    setlist, *venue = arguments
    sys.stdout.write(json.dumps(prove(Path(setlist), venue[0] if venue else None)._asdict()) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
