"""The desk as it is heard: whether it answers, its subscription, and what it says.

A desk that can be asked counts as here when it answers. In silence it is asked for one level every `PROBE_S`, for each
in its turn, so that a hand whose report was lost is found out about all the same; when it has said nothing for
`SILENT_S`, it is gone, and asked on, and read again when it is back.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Callable
from itertools import cycle
from typing import Final

from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Event
from stagectl.core.levels import Level
from stagectl.desk.talk import DeskTalk
from stagectl.errors import DeviceError
from stagectl.live.inbox import FULL, Inbox
from stagectl.live.links import DeskLink, VoiceLink
from stagectl.show.load import Show
from stagectl.story.rows import Row

PROBE_S: Final = 0.4
"""Seconds of silence after which the desk is asked whether it is there."""

SILENT_S: Final = 1.5
"""Seconds of silence after which it is gone."""

TICK_S: Final = 0.1
"""Seconds between two looks at the clock."""

HALF_S: Final = 0.02
"""How long the coarse part of a value waits for its fine part, s: the two leave a desk one right after the other."""


STRANGERS: Final = "packets that are not from the desk"
COARSE_ALONE: Final = "coarse parts whose fine parts never came"
AWAY: Final = "levels that it said while it could be told none"


class DeskSide:
    """Hears the desk at the end of `link`, and over MIDI by its `voice`, where it has anything to say. `handle` takes
    events in the loop's thread; `says` takes sentences."""

    def __init__(self, show: Show, handle: Callable[[Event, int], None], says: Callable[[str], None]) -> None:
        self.talk = DeskTalk.of(show)
        self.answering = asyncio.Event()
        self.asked: Callable[[int], Level | None] = lambda _: None
        """What the desk was asked for last, by a send's number."""
        self.link = DeskLink("desk", show.rig.desk, self.heard)
        self.voice: VoiceLink | None = None
        self._handle = handle
        self._says = says
        self._loop = asyncio.get_running_loop()
        if show.rig.desk.port is not None and (self.talk.can_read or self.talk.reports):
            self._inbox = Inbox(self._loop, self._from_voice, says)
            self.voice = VoiceLink("desk", show.rig.desk.port, lambda packet, at: self._inbox.put(0, packet, at))
        self._in_two_parts = any(
            part is not None and part.say.codes.in_two_parts for part in (show.profile.send, show.profile.whole_mix)
        )
        self._late: dict[int, Level] = {}
        self._timer: asyncio.TimerHandle | None = None
        asks = [ask for ask in map(self.talk.ask, range(self.talk.sends)) if ask]
        self._probes = cycle(asks or [self.talk.ask_all()])
        self._again_s = 0.0 if asks else PROBE_S
        """Between two probes while the desk is on the point of counting as gone: in every look, since a bad wire may
        lose some; not so often where each is answered with all levels."""
        self._counted: Counter[str] = Counter()
        self._heard_at = self._probed_at = self._subscribed_at = 0

    @property
    def waits(self) -> bool:
        """Whether the desk could answer, and does not."""
        return self.talk.can_read and not self.answering.is_set()

    # -- its link ---------------------------------------------------------------------------------------------

    def link_changed(self, here: bool) -> None:
        """The way to the desk came or went."""
        self.talk.forget()
        self._late.clear()
        was_here = self.answering.is_set()
        self.answering.clear()
        now = time.monotonic_ns()
        if not here:
            if was_here or not self.talk.can_read:
                self._handle(DeskWent(), now)
            return
        self._subscribe(now)
        if self.talk.can_read:
            self._ask(now)
        else:
            self._handle(DeskCame(), now)

    async def forever(self) -> None:
        """Watch the clock, until cancelled."""
        while True:
            await asyncio.sleep(TICK_S)
            if self.link.here:
                self._tick(time.monotonic_ns())

    def _tick(self, now: int) -> None:
        if self.talk.renew_ns is not None and now - self._subscribed_at >= self.talk.renew_ns:
            self._subscribe(now)
        if not self.talk.can_read:
            return
        silent = now - self._heard_at
        if self.answering.is_set() and silent > SILENT_S * 1e9:
            self.answering.clear()
            self._says(f"the desk at `{self.link.wants}` has stopped answering")
            self.link.doubted = True
            self._handle(DeskWent(), now)
        if silent > PROBE_S * 1e9 and now - self._probed_at > 1e9 * (
            self._again_s if self.answering.is_set() else PROBE_S
        ):
            self._ask(now)

    def _subscribe(self, now: int) -> None:
        self._subscribed_at = now
        self._send(self.talk.subscribe())

    def _ask(self, now: int) -> None:
        self._probed_at = now
        self._send(next(self._probes))

    def _send(self, packets: tuple[bytes, ...]) -> None:
        try:
            for packet in packets:
                self.link.send(packet)
        except DeviceError:
            # The next level that is told finds that out too, and lets go of the link.
            return

    # -- what it says -----------------------------------------------------------------------------------------

    def _from_voice(self, _: int, packet: bytes, at: int) -> None:
        self.heard(packet, at)

    def heard(self, packet: bytes, at: int) -> None:
        """The desk says something, at a monotonic time, ns."""
        said = dict(self.talk.hear(packet))
        if not said:
            return
        if not (self.talk.can_read or self.link.here):
            self.talk.counted[AWAY] += len(said)
            return
        self._heard_at = at
        if self.talk.can_read and not self.answering.is_set():
            self.answering.set()
            self.link.doubted = False
            self._subscribe(at)
            self._handle(DeskCame(), at)
        for send, level in said.items():
            if self._in_two_parts:
                self._late[send] = level
            else:
                self._handle(DeskSaid(send=send, level=level), at)
        if self._late and self._timer is None:
            self._timer = self._loop.call_later(HALF_S, self._whole)

    def _whole(self) -> None:
        """Both parts of every value have had their time. A coarse part whose fine part was lost is no hand where the
        level that was asked for fits it."""
        self._timer = None
        late, self._late = self._late, {}
        for send, level in late.items():
            asked = self.asked(send)
            if asked is not None and self.talk.may_be(send, asked):
                self.talk.counted[COARSE_ALONE] += 1
                continue
            self._handle(DeskSaid(send=send, level=level), time.monotonic_ns())

    def counts(self, at: int) -> list[Row]:
        """Rows for everything that was counted and has changed since the last time. `at`: ns since the night began."""
        counted = Counter(self.talk.counted)
        counted[STRANGERS] = self.link.strangers
        if self.voice is not None:
            counted[FULL] = self._inbox.lost
        new = {what: number for what, number in sorted(counted.items()) if number != self._counted[what]}
        self._counted = counted
        return [Row(at, "count", who="desk", what=what, number=number) for what, number in new.items()]

    def close(self) -> None:
        """Hear no more."""
        if self.voice is not None:
            self._inbox.close()
        if self._timer is not None:
            self._timer.cancel()
