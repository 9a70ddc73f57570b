"""A desk's language: what a send's level is in bytes."""

from __future__ import annotations

from collections.abc import Sequence

from stagectl.core.levels import Level
from stagectl.show.load import Show
from stagectl.show.profile import ProfileModel


class Speaker:
    """Says levels to a desk by its profile. `sockets`: the input's number on the desk, for each input of the plan;
    `mixes`: the mix's number, for each listener."""

    def __init__(self, profile: ProfileModel, sockets: Sequence[int], mixes: Sequence[int]) -> None:
        self.profile = profile
        self._sockets = tuple(sockets)
        self._mixes = tuple(mixes)
        self._send_law = profile.send.law()
        self._whole_law = None if profile.whole_mix is None else profile.whole_mix.law()
        self._said: dict[tuple[int, Level], tuple[bytes, ...]] = {}

    @classmethod
    def of(cls, show: Show) -> Speaker:
        """The speaker for a show's rig."""
        return cls(show.profile, [one.socket for one in show.rig.inputs], [one.mix for one in show.rig.listeners])

    def say(self, send: int, level: Level) -> tuple[bytes, ...]:
        """The messages, in their order, that bring a send to a level of the desk's grid."""
        key = (send, level)
        packets = self._said.get(key)
        if packets is None:
            packets = self._said[key] = self._packets(send, level)
        return packets

    def _packets(self, send: int, level: Level) -> tuple[bytes, ...]:
        listener, column = divmod(send, len(self._sockets) + 1)
        mix = self._mixes[listener]
        if column < len(self._sockets):
            code = self._send_law.code(level)
            return self.profile.send.say.packets(self._sockets[column], mix, code)
        assert self.profile.whole_mix is not None
        assert self._whole_law is not None
        return self.profile.whole_mix.say.packets(1, mix, self._whole_law.code(level))

    def stored(self, number: int) -> tuple[bytes, ...]:
        """The messages that recall a scene that the desk stores."""
        assert self.profile.stored_scene is not None
        return self.profile.stored_scene.packets(number)
