"""`stagectl check --here`: is what the show plays its tracks on at this machine, now?"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from stagectl.errors import Advice

if TYPE_CHECKING:
    from stagectl.show.load import Show

WAITS_S: Final = 10.0
"""How long a sound device has to be opened, and its player to end, s."""


def sound_devices(show: Show, says: Callable[[str], None]) -> Iterator[Advice]:
    """Opens the sound device of each built-in player once, as a night does, and says what it is. What is not here is a
    warning: the show goes on without it."""
    from stagectl.live.sound_trial import opened
    from stagectl.show.tracks import sound_device

    for at, model in enumerate(show.rig.players):
        if model.sound is not None:
            here, sentence = asyncio.run(opened(sound_device(model.sound), WAITS_S, WAITS_S))
            if here:
                says(f"{model.name}: {sentence}")
            else:
                yield show.sources["rig"].advice(f"{model.name}: {sentence}", "players", at, "sound")
