"""The built-in players: can the sound device be opened, with outputs enough, and are the stems there?

The device is opened once, by the player's own process, and plays nothing. While the show is played it is let be.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from stagectl.ready.finding import Finding, fine, unknown, wrong
from stagectl.ready.room import Room
from stagectl.tracks.sound.needed import HOW

STEMS: Final = "stems"

OPENS_S: Final = 3.0
"""How long a device may take to be opened, s."""

ENDS_S: Final = 0.3
"""How long the player's process may take to end, s; then it is left to end with this one."""

NAMED_MAX: Final = 3
"""Stems that a sentence names; more are counted."""


def sound(room: Room) -> list[Finding]:
    """The sound device of each built-in player."""
    from stagectl.live.sound_trial import opened
    from stagectl.show.tracks import sound_device

    own = [(model.name, model.sound) for model in room.show.rig.players if model.sound is not None]
    if own and room.player is not None:
        return [unknown(name, "its sound device is not opened while this show is played") for name, _ in own]
    found = []
    for name, model in own:
        device = sound_device(model)
        here, sentence = asyncio.run(opened(device, OPENS_S, ENDS_S))
        found.append(judged(name, device.outputs, here, sentence))
    return found


def judged(name: str, outputs: int, here: bool, sentence: str) -> Finding:
    """What is to be said of a device, and of what its player said."""
    if here:
        return fine(name, f"{sentence.removeprefix('the built-in player is ')}; {outputs} outputs are there")
    do = "plug it in, end what else plays, and see that its `sound` in the rig is right"
    if HOW in sentence:
        do = "install that"
    return wrong(name, sentence, f"{do}; tracks stay silent without it")


def stems(room: Room) -> list[Finding]:
    """The sound files that the built-in players play."""
    from stagectl.show.tracks import song_tracks

    show = room.show
    number = 0
    missing: dict[str, list[str]] = {}
    for tracks in song_tracks(show.setlist.songs, show.rig, show.tempos, show.folder).values():
        for track in tracks.values():
            for stem in track.stems:
                path = Path(stem.path)
                number += 1
                if not path.is_file():
                    name = str(path.relative_to(show.folder)) if path.is_relative_to(show.folder) else stem.path
                    missing.setdefault(track.name, []).append(name)
    return [stems_judged(number, missing)] if number else []


def stems_judged(number: int, missing: Mapping[str, Sequence[str]]) -> Finding:
    """What is to be said of so many stems. `missing`: those that are not there, by song."""
    some = [f"{path} (`{song}`)" for song, paths in missing.items() for path in paths]
    if not some:
        return fine(STEMS, f"all {number} are there" if number > 1 else "the one stem is there")
    more = f" and {len(some) - NAMED_MAX} more" if len(some) > NAMED_MAX else ""
    says = f"{len(some)} of {number} are not there: {', '.join(some[:NAMED_MAX])}{more}"
    return wrong(STEMS, says, "copy them there, or the songs go without their tracks")
