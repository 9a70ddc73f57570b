"""The daemon's end of the player: orders that never block and never raise, and a process that comes, falls, is stopped,
comes again, and never outlives the daemon."""

from __future__ import annotations

import asyncio
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from processes import children
from sound_stage import RATE, S, clients, jack_server, stem

from stagectl.live import sound
from stagectl.live.sound import SoundHeard, SoundPlayer
from stagectl.tracks.song import SongTrack, SoundDevice

pytestmark = [pytest.mark.ports, pytest.mark.slow]

NOISE = np.random.default_rng(9).uniform(0.05, 0.2, (20 * RATE, 1))
LIMIT_S = 10.0


@pytest.fixture(scope="module", autouse=True)
def server() -> Iterator[None]:
    with jack_server():
        yield


class Night:
    """A loop in which a player lives, and everything that it says: name and values."""

    def __init__(self, tracks: dict[int, SongTrack], device: SoundDevice | None = None) -> None:
        self.told: list[tuple[Any, ...]] = []
        self._news = asyncio.Event()
        names = ("changed", "said", "ended", "ready", "unready", "failed", "trouble")
        heard = SoundHeard(**{name: self._hear(name) for name in names})
        self.player = SoundPlayer(device or SoundDevice(outputs=2), tracks, heard)

    def _hear(self, name: str) -> Callable[..., None]:
        def heard(*values: Any) -> None:
            self.told.append((name, *values))
            self._news.set()

        return heard

    async def until(self, *wanted: Any) -> tuple[Any, ...]:
        """The next saying that begins so; what came before it is taken away."""
        async with asyncio.timeout(LIMIT_S):
            while True:
                for at, one in enumerate(self.told):
                    if one[: len(wanted)] == wanted:
                        del self.told[: at + 1]
                        return one
                self._news.clear()
                await self._news.wait()


def night(tracks: dict[int, SongTrack], goes: Callable[[Night], Awaitable[None]]) -> None:
    """Live through a night."""

    async def live() -> None:
        one = Night(tracks)
        keeping = asyncio.ensure_future(one.player.forever())
        try:
            await goes(one)
        finally:
            keeping.cancel()
            with suppress(asyncio.CancelledError):
                await keeping

    asyncio.run(live())


def pid_of_player() -> int:
    """The process of the one player that this process has."""
    (found,) = [pid for pid, command in children(os.getpid()).items() if "stagectl.tracks.sound.process" in command]
    return found


def songs(folder: Path) -> dict[int, SongTrack]:
    long = stem(folder / "long", NOISE, [1])
    short = stem(folder / "short", NOISE[: RATE // 4], [2])
    return {
        1: SongTrack(song=1, name="Lanterns", stems=(long,), lead=S),
        2: SongTrack(song=2, name="Rows", stems=(short,)),
        3: SongTrack(song=3, name="Tin Buttons", stems=(stem(folder / "wrong", NOISE[:10], [7]),)),
    }


def test_a_night_of_orders(tmp_path: Path) -> None:
    async def goes(one: Night) -> None:
        player = one.player
        # Before it is here, orders are refused, and songs are remembered.
        player.prepare([1, 2, 8])
        player.pause()
        player.stop()
        player.start(1, 0)
        player.start(8, 0)
        assert one.told == []
        assert (await one.until("failed"))[1:] == (
            1,
            "Lanterns is not started: the built-in player is not here",
        )
        assert (await one.until("failed"))[1:] == (8, "song 8 has no track for the built-in player")
        _, here, sentence = await one.until("changed")
        assert here and player.here
        assert sentence == (
            "the built-in player is at `system`: 48,000 frames a second, 512 a buffer, 21.3 ms to the output"
        )
        assert (await one.until("ready"))[1:] == (1, 20 * S)
        assert (await one.until("ready"))[1:] == (2, S // 4)
        player.start(1, -S)
        _, position, at, _ = await one.until("said")
        assert position == -S
        _, later, then, runs = await one.until("said")
        assert runs and later - position == pytest.approx(then - at, abs=10_000_000)
        one.told.clear()
        player.pause()
        # What was still in the pipe of its going on is not passed on.
        saying = await one.until("said")
        assert saying[3] is False
        player.start(1, saying[1])
        _, position, _, runs = await one.until("said")
        assert runs and position == pytest.approx(saying[1], abs=S // RATE)
        # Another song: what is still said of the one before is not passed on.
        player.start(2, 0)
        _, position, _, runs = await one.until("said")
        assert runs and position == 0
        await one.until("ended", 2)
        player.prepare([3, 2])
        assert "goes to output 7" in (await one.until("unready", 3))[2]
        player.close()
        assert not player.here

    night(songs(tmp_path), goes)


def test_a_process_that_falls_comes_again_with_its_songs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "PROGRAM", sound.PROGRAM._replace(again_s=0.1))

    async def goes(one: Night) -> None:
        one.player.prepare([1])
        await one.until("ready", 1)
        one.player.start(1, 0)
        await one.until("said")
        await one.until("said")
        os.kill(pid_of_player(), signal.SIGKILL)
        while (saying := await one.until("said"))[3]:
            pass
        assert 0 < saying[1] < 5 * S
        assert abs(saying[2] - time.monotonic_ns()) < S
        assert await one.until("changed") == ("changed", False, "the built-in player has ended (-9)")
        assert not one.player.here
        one.player.start(1, 0)
        assert (await one.until("failed"))[1] == 1
        await one.until("changed", True)
        await one.until("ready", 1)
        one.player.start(1, 0)
        # It falls before it says anything, or after: a start is answered in every case.
        os.kill(pid_of_player(), signal.SIGKILL)
        while not one.told or one.told[-1] != ("changed", False, "the built-in player has ended (-9)"):
            await asyncio.sleep(0)
        assert one.told[-2][0] == "failed" or (one.told[-2][0] == "said" and one.told[-2][3] is False)

    night(songs(tmp_path), goes)


def test_a_process_that_hangs_keeps_nobody_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "PROGRAM", sound.PROGRAM._replace(ends_s=0.1))

    async def goes(one: Night) -> None:
        player = one.player
        player.prepare([1])
        await one.until("ready", 1)
        stopped = pid_of_player()
        os.kill(stopped, signal.SIGSTOP)
        orders = 0
        while player.lost < 5 and orders < 100_000:
            player.prepare([1, 2])
            orders += 1
        assert player.lost == 5
        await asyncio.sleep(0)
        assert [one for one in one.told if one[0] == "trouble"] == [
            ("trouble", "the built-in player takes no orders: it hangs, or is too busy")
        ]
        player.start(1, 0)
        await one.until("failed", 1)

    night(songs(tmp_path), goes)


def test_what_keeps_it_away_is_said_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "PROGRAM", sound.PROGRAM._replace(again_s=0.0))
    begin, lives = asyncio.create_subprocess_exec, 0

    async def counted(*arguments: Any, **more: Any) -> Any:
        nonlocal lives
        lives += 1
        return await begin(*arguments, **more)

    async def live() -> None:
        one = Night({}, SoundDevice(name="kitchen radio"))
        monkeypatch.setattr(asyncio, "create_subprocess_exec", counted)
        keeping = asyncio.ensure_future(one.player.forever())
        try:
            sentence = (await one.until("changed", False))[2]
            assert sentence.startswith("no sound device `kitchen radio`; known: `system`")
            while lives < 3:
                await asyncio.sleep(0)
            assert one.told == []
        finally:
            keeping.cancel()
            with suppress(asyncio.CancelledError):
                await keeping

    asyncio.run(live())


DAEMON = """
import asyncio, sys
from stagectl.live.sound import SoundHeard, SoundPlayer
from stagectl.tracks.song import SongTrack, SoundDevice, Stem

async def main():
    def told(*values): print(*values, flush=True)
    names = ("changed", "said", "ended", "ready", "unready", "failed", "trouble")
    heard = SoundHeard(**{name: told for name in names})
    track = SongTrack(song=1, name="Lanterns", stems=(Stem(path=sys.argv[1], outputs=(1,)),))
    player = SoundPlayer(SoundDevice(), {1: track}, heard)
    player.prepare([1])
    keeping = asyncio.ensure_future(player.forever())
    while not player.here: await asyncio.sleep(0.01)
    player.start(1, 0)
    await keeping

asyncio.run(main())
"""


def test_it_never_outlives_the_daemon(tmp_path: Path) -> None:
    """After kill -9 of whoever started it, it sees its standard input end."""
    path = stem(tmp_path / "long", NOISE, [1]).path
    daemon = subprocess.Popen([sys.executable, "-c", DAEMON, path], stdout=subprocess.PIPE, text=True)
    assert daemon.stdout is not None
    with daemon.stdout:
        while "the built-in player is at" not in daemon.stdout.readline():
            pass
        (player,) = children(daemon.pid)
        watched = os.pidfd_open(player)
        daemon.kill()
        daemon.wait(LIMIT_S)
        gone, _, _ = select.select([watched], [], [], LIMIT_S)
        os.close(watched)
        assert gone
    limit = time.monotonic() + LIMIT_S
    while clients() and time.monotonic() < limit:
        pass
    assert clients() == set()
