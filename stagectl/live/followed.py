"""Hearing a track player that says where it is, on a MIDI port of its own."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Final

from stagectl.core.tempo import TempoMap
from stagectl.live.inbox import FULL, Inbox
from stagectl.live.links import PedalLink
from stagectl.show.rig import PlayerModel
from stagectl.show.timing import TRACK_S
from stagectl.story.rows import Row
from stagectl.tracks.follow import Follower, Said
from stagectl.wire.time_code import named_at

BEFORE_NS: Final = 60_000_000_000
AFTER_NS: Final = TRACK_S * 1_000_000_000
"""Time code from so long before the song's own, or so long after its beginning, is that of another song."""

ANSWERS_S: Final = 2.0
"""How long a player that was told to start may say nothing of it, s."""


class FollowLink(PedalLink):
    """The port on which a track player says where it is."""


class Followed:
    """Follows one player. `said` takes each thing that it says of its track, `trouble` sentences, in the loop's
    thread."""

    def __init__(self, model: PlayerModel, said: Callable[[Said], None], trouble: Callable[[str], None]) -> None:
        assert model.follow is not None
        self._loop = asyncio.get_running_loop()
        self._name = model.name
        self._code_at = 0
        """What the player says where the song's track begins, the name as a time in ns."""
        self._tempo: TempoMap | None = None
        self._said = said
        self._trouble = trouble
        self._follower = Follower(model.follow)
        self._inbox = Inbox(self._loop, self._heard, trouble)
        self._lost = 0
        wants = model.follow_port or model.port or ""
        self.link = FollowLink(f"the {model.follow} of {model.name}", wants, self.put)
        self._silence: asyncio.TimerHandle | None = None
        self._answer: asyncio.TimerHandle | None = None

    def put(self, packet: bytes, at: int) -> None:
        """A message of its port, at a monotonic time, ns; from any thread."""
        self._inbox.put(0, packet, at)

    def _heard(self, _: int, packet: bytes, at: int) -> None:
        self._tell(self._follower.hear(packet, at))

    def _tell(self, said: tuple[Said, ...]) -> None:
        for one in said:
            if not one.heard:
                self._said(one)
                continue
            position = one.position - self._begins
            if one.runs:
                self._answered()
            if -BEFORE_NS <= position < AFTER_NS or not one.runs:
                self._said(one._replace(position=min(max(position, -BEFORE_NS), AFTER_NS)))
        if self._silence is None and self._follower.due is not None:
            self._silence = self._loop.call_at(self._follower.due / 1e9, self._look)

    @property
    def _begins(self) -> int:
        """Where the song's track begins by what the player says, ns."""
        rate = self._follower.rate
        return self._code_at if rate is None else named_at(self._code_at, rate)

    def _look(self) -> None:
        """The silence may have been too long by now."""
        self._silence = None
        self._tell(self._follower.silent(time.monotonic_ns()))

    def is_in(self, tempo: TempoMap | None, code_at: int) -> None:
        """Another song is up. `code_at`: what time code says where its track begins, the name as a time in ns."""
        self._code_at = code_at if self._follower.kind == "time code" else 0
        self._tempo = tempo
        self._follower.play(tempo)

    def gone(self) -> None:
        """Its port came or went: a track that ran is taken to run on, unheard. The song is the same."""
        self._follower.reset(self._tempo)

    def was_told(self, tempo: TempoMap | None, *, starts: bool) -> None:
        """The player was told to start or to go on, and should say so; or to stand still. A clock tells beats, and says
        nothing of a song without a tempo."""
        self._answered()
        if starts and (tempo is not None or self._follower.kind == "time code"):
            self._answer = self._loop.call_later(ANSWERS_S, self._no_answer)

    def _no_answer(self) -> None:
        self._answer = None
        self._trouble(
            f"{self._name} does not say where it is (`{self.link.wants}`): its sections come by the time since it began"
        )

    def _answered(self) -> None:
        if self._answer is not None:
            self._answer.cancel()
            self._answer = None

    def counts(self, at: int) -> list[Row]:
        """A row for the messages that were dropped, where there are new ones. `at`: ns since the night began."""
        before, self._lost = self._lost, self._inbox.lost
        return [Row(at, "count", who=self._name, what=FULL, number=self._lost)] if self._lost != before else []

    def close(self) -> None:
        """Hear no more."""
        self._answered()
        if self._silence is not None:
            self._silence.cancel()
