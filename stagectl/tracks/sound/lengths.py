"""A process that looks how long tracks are, and ends: `python -m stagectl.tracks.sound.lengths`.

It is told them by a line of JSON on standard input, `{"tracks": [track, …]}`, and says `{"song": 3, "length": ns}` in a
line on standard output for each whose stems can be played. What a damaged file brings down is this process alone; those
that it looked at before are told by then. It gives way to everything else on the machine.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from typing import NoReturn

from stagectl.apart.pipes import Out, own_output
from stagectl.errors import DeviceError
from stagectl.tracks.sound.look import track_length
from stagectl.tracks.sound.orders import LINE_MAX, track_from
from stagectl.tracks.sound.prepare import NICE, end_with_parent


def main() -> NoReturn:
    """Look at the tracks that standard input names."""
    if hasattr(os, "setpriority"):
        os.setpriority(os.PRIO_PROCESS, 0, NICE)
    out = Out(own_output())
    asked = json.loads(sys.stdin.buffer.readline(LINE_MAX))
    threading.Thread(target=end_with_parent, daemon=True).start()
    for track in map(track_from, asked["tracks"]):
        try:
            length, _ = track_length(track, max((max(stem.outputs, default=0) for stem in track.stems), default=0))
        except DeviceError:
            # Without its libraries nothing can be looked at, and nothing played: the player says so.
            break
        except (ValueError, OSError):
            continue
        out.say("length", song=track.song, length=length)
    out.end()
    # The thread that reads standard input holds its lock: a tidy end would wait for it.
    os._exit(0)


if __name__ == "__main__":
    main()
