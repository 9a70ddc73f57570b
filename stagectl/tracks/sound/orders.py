"""What goes between the daemon and the player's process: a line of JSON each way.

To it, first of all, {"do": "open", "device": …}; then

    {"do": "keep", "songs": [track, …]}                  make these ready, the first first; drop all others
    {"do": "start", "turn": 7, "song": 3, "position": 0, "asked": ns}
                                                         play, from a position in ns; a count-in is before 0. `asked`:
                                                         when it was pressed; left out, it is now
    {"do": "pause"}, {"do": "stop"}                      fade out; what was heard last is said

From it

    {"is": "here", "device": name, "rate": …, "frames": …, "latency": ns}
    {"is": "ready", "song": 3, "length": ns, "notes": […]}
    {"is": "unready", "song": 3, "text": …}              it cannot be made ready
    {"is": "failed", "turn": 7, "song": 3, "text": …}    it was not started
    {"is": "said", "turn": 7, "song": 3, "position": ns, "at": ns, "runs": true}
    {"is": "ended", "turn": 7, "song": 3}                the last frame has been heard
    {"is": "trouble", "text": …}                         worth telling; it goes on
    {"is": "gone", "text": …}                            why it ends, or cannot begin

`turn` is the daemon's own number of a start: what is said of a turn that is over concerns nobody. Times are of
CLOCK_MONOTONIC, which both processes share, ns. Every text is a whole sentence without its full stop.
"""

from __future__ import annotations

from typing import Any, Final

from stagectl.core.tempo import from_plain
from stagectl.tracks.song import SongTrack, SoundDevice, Stem

LINE_MAX: Final = 4_000_000
"""Bytes of a line: a tempo map of the most changes, for each song that is kept, with room."""

KEPT_MAX: Final = 4
"""Songs that are kept ready at once: the present one, the next, the one before, and the one after the next."""


def plain_track(track: SongTrack) -> dict[str, Any]:
    """A track in values of JSON."""
    return {
        "song": track.song,
        "name": track.name,
        "stems": [[stem.path, list(stem.outputs)] for stem in track.stems],
        "tempo": None if track.tempo is None else track.tempo.plain(),
        "lead": track.lead,
        "length": track.length,
        "click": list(track.click),
        "counts": None if track.counts is None else list(track.counts),
        "counts_from": track.counts_from,
    }


def track_from(data: dict[str, Any]) -> SongTrack:
    """The track that `plain_track` gave."""
    return SongTrack(
        song=data["song"],
        name=data["name"],
        stems=tuple(Stem(path=path, outputs=tuple(outputs)) for path, outputs in data["stems"]),
        tempo=None if data["tempo"] is None else from_plain(data["tempo"]),
        lead=data["lead"],
        length=data["length"],
        click=tuple(data["click"]),
        counts=None if data["counts"] is None else tuple(data["counts"]),
        counts_from=data["counts_from"],
    )


def plain_device(device: SoundDevice) -> dict[str, Any]:
    """A device in values of JSON."""
    return {"name": device.name, "outputs": device.outputs, "rate": device.rate, "frames": device.frames}


def device_from(data: dict[str, Any]) -> SoundDevice:
    """The device that `plain_device` gave."""
    return SoundDevice(**data)
