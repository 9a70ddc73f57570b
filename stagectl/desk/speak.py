"""A desk's language: what a send's level is in bytes.

Where a profile says that parameters are `kept`, a level is said without what the desk has selected still. That halves
the bytes of a fade. A selection counts only for what was said by this speaker, for `KEPT_NS`, and until anything else
is sent on its channel; the value is always said whole, since a hand at the desk may have moved it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final, NamedTuple

from stagectl.core.levels import Level
from stagectl.show.load import Show
from stagectl.show.places import ByParameter
from stagectl.show.profile import ProfileModel, SendModel
from stagectl.wire import midi

KEPT_NS: Final = 1_000_000_000
"""How long a selection is counted on after the last message, ns."""

SAID_MAX: Final = 4_096
"""Levels of sends whose messages are kept, those that were said last: 1 to 2 MB. Fades of a big show go through tens of
thousands in a night; one that is not kept takes 10 to 30 µs to make anew."""


class _Selection(NamedTuple):
    """The messages that selected a parameter last, and when it was used last, ns."""

    packets: tuple[bytes, ...]
    at: int


class Speaker:
    """Says levels to a desk by its profile. `sockets`: the input's number on the desk, for each input of the plan;
    `mixes`: the mix's number, for each listener."""

    def __init__(self, profile: ProfileModel, sockets: Sequence[int], mixes: Sequence[int]) -> None:
        self.profile = profile
        self._sockets = tuple(sockets)
        self._mixes = tuple(mixes)
        self._said = lru_cache(SAID_MAX)(self._packets)
        self._selected: dict[int, _Selection] = {}
        """By the status byte of the channel."""
        parts = (profile.send, profile.whole_mix)
        self._keeps = any(one is not None and isinstance(one.say, ByParameter) and one.say.kept for one in parts)
        """Whether the desk keeps anything selected."""

    @classmethod
    def of(cls, show: Show) -> Speaker:
        """The speaker for a show's rig."""
        return cls(show.profile, [one.socket for one in show.rig.inputs], [one.mix for one in show.rig.listeners])

    def say(self, send: int, level: Level, now: int | None = None) -> tuple[bytes, ...]:
        """The messages, in their order, that bring a send to a level of the desk's grid. `now`: when they leave,
        monotonic ns; without it nothing is left out."""
        packets = self._said(send, level)
        if not self._keeps:
            return packets
        place = self._part(send).say
        if not isinstance(place, ByParameter):
            if self._selected:
                self.others(packets)
            return packets
        return self._after_selection(packets, now) if place.kept else packets

    def stored(self, number: int) -> tuple[bytes, ...]:
        """The messages that recall a scene that the desk stores."""
        assert self.profile.stored_scene is not None
        packets = self.profile.stored_scene.packets(number)
        self.others(packets)
        return packets

    def others(self, packets: Sequence[bytes]) -> None:
        """Something else is sent to the desk: what it has selected on these channels is not counted on any more."""
        for packet in packets:
            self._selected.pop(midi.CONTROL | packet[0] & 0x0F, None)

    def forget(self) -> None:
        """The link was away: nothing is counted on."""
        self._selected.clear()

    def _part(self, send: int) -> SendModel:
        if send % (len(self._sockets) + 1) < len(self._sockets):
            return self.profile.send
        assert self.profile.whole_mix is not None
        return self.profile.whole_mix

    def _packets(self, send: int, level: Level) -> tuple[bytes, ...]:
        listener, column = divmod(send, len(self._sockets) + 1)
        part = self._part(send)
        socket = self._sockets[column] if column < len(self._sockets) else 1
        return part.say.packets(socket, self._mixes[listener], part.law().code(level))

    def _after_selection(self, packets: tuple[bytes, ...], now: int | None) -> tuple[bytes, ...]:
        """A parameter's messages without those halves of its number that stand selected."""
        status, selecting, value = packets[0][0], packets[:2], packets[2:]
        before = self._selected.pop(status, None)
        if now is None:
            return packets
        self._selected[status] = _Selection(selecting, now)
        # Numbers of the other kind are selected by other controllers: all of it has to be said again.
        same_kind = before is not None and before.packets[0][1] == selecting[0][1]
        if before is None or not same_kind or not 0 <= now - before.at <= KEPT_NS:
            return packets
        return tuple(one for one in selecting if one not in before.packets) + value
