"""`stagectl check --here`: is what the show plays its tracks on at this machine, now?"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from stagectl.errors import Advice

if TYPE_CHECKING:
    from stagectl.show.load import Show
    from stagectl.tracks.song import SoundDevice

WAITS_S: Final = 10.0
"""How long a sound device has to be opened, s."""


def sound_devices(show: Show, says: Callable[[str], None]) -> Iterator[Advice]:
    """Opens the sound device of each built-in player once, as a night does, and says what it is. What is not here is a
    warning: the show goes on without it."""
    from stagectl.show.tracks import sound_device

    for at, model in enumerate(show.rig.players):
        if model.sound is not None:
            here, sentence = asyncio.run(_opened(sound_device(model.sound)))
            if here:
                says(f"{model.name}: {sentence}")
            else:
                yield show.sources["rig"].advice(f"{model.name}: {sentence}", "players", at, "sound")


async def _opened(device: SoundDevice) -> tuple[bool, str]:
    """Whether the device is here, and what is to be said of it."""
    from stagectl.live.sound import SoundHeard, SoundPlayer

    found: asyncio.Future[tuple[bool, str]] = asyncio.get_running_loop().create_future()

    def changed(here: bool, sentence: str) -> None:
        if not found.done():
            found.set_result((here, sentence))

    def nothing(*_: object) -> None:
        """It plays nothing, so it has nothing to say."""

    heard = SoundHeard(
        changed=changed, said=nothing, ended=nothing, ready=nothing, unready=nothing, failed=nothing, trouble=nothing
    )
    player = SoundPlayer(device, {}, heard)
    lives = asyncio.ensure_future(player.forever())
    try:
        return await asyncio.wait_for(found, WAITS_S)
    except TimeoutError:
        return False, f"the sound device has not been opened within {WAITS_S:g} s"
    finally:
        player.close()
        await asyncio.wait([lives], timeout=WAITS_S)
