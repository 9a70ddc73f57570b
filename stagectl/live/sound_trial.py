"""Opening a sound device once, as a night does, to find out whether it is here: nothing is played."""

from __future__ import annotations

import asyncio

from stagectl.live.sound import SoundHeard, SoundPlayer
from stagectl.tracks.song import SoundDevice


async def opened(device: SoundDevice, within_s: float, ends_s: float) -> tuple[bool, str]:
    """Whether the device is here, and what its player says of it. `within_s`: how long it has to be opened, s; then
    `ends_s`: how long the player's process has to end; after that it is left to end with this one."""
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
        return await asyncio.wait_for(found, within_s)
    except TimeoutError:
        return False, f"the sound device has not been opened within {within_s:g} s"
    finally:
        player.close()
        await asyncio.wait([lives], timeout=ends_s)
