"""How long the tracks are whose length only their stems say, for the countdown of the set.

A process of its own looks at them (`tracks/sound/lengths.py`), since its libraries are large and files may be damaged:
nobody waits for it. The plan knows nothing of it, so that a night played again goes by what was written.
"""

from __future__ import annotations

import asyncio
from asyncio.subprocess import DEVNULL, PIPE
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from typing import Final

from stagectl.apart.pipes import line, next_line, parsed
from stagectl.apart.python import runs
from stagectl.tracks.song import SongTrack
from stagectl.tracks.sound.orders import plain_track

MODULE: Final = "stagectl.tracks.sound.lengths"

AFTER_S: Final = 3.0
"""How long the look waits, s: what the night begins with goes first."""

LOOKS_S: Final = 120.0
"""How long the look may take, s: a disk that does not answer is not waited for."""


class StemLengths:
    """`tellers` are called in the loop's thread with all lengths that are known, ns after the count-in, by song, each
    time that there are more."""

    def __init__(self, tracks: Iterable[SongTrack]) -> None:
        # How long it is depends on the stems alone.
        self._unsaid = [
            SongTrack(track.song, track.name, track.stems) for track in tracks if track.stems and track.length is None
        ]
        self._known: dict[int, int] = {}
        self.tellers: list[Callable[[Mapping[int, int]], None]] = []

    def learn(self, song: int, length: int) -> None:
        """The track of a song is so long, ns."""
        if self._known.get(song) != length:
            self._known[song] = length
            for tell in self.tellers:
                tell(dict(self._known))

    async def look(self) -> None:
        """Look at all stems, once. What cannot be looked at stays unknown: the player says what it cannot play."""
        if not self._unsaid:
            return
        await asyncio.sleep(AFTER_S)
        with suppress(OSError, TimeoutError):
            process = await asyncio.create_subprocess_exec(
                *runs(MODULE), stdin=PIPE, stdout=PIPE, stderr=DEVNULL, start_new_session=True
            )
            assert process.stdin is not None
            assert process.stdout is not None
            try:
                async with asyncio.timeout(LOOKS_S):
                    process.stdin.write(line({"tracks": [plain_track(track) for track in self._unsaid]}))
                    while text := await next_line(process.stdout):
                        told = parsed(text) or {}
                        if told.get("is") == "length":
                            self.learn(int(told["song"]), int(told["length"]))
            finally:
                process.stdin.close()
                with suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
