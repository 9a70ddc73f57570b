"""Two-way speaking with a desk: its profile's questions and subscription in bytes, and what it says in levels. Pure.

How often something is asked, and what to make of an answer, is for whoever holds the link.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from stagectl.core.levels import Level, Off
from stagectl.desk.halves import Halves
from stagectl.desk.hear import ear_for
from stagectl.desk.meaning import FINE_ALONE, OTHER, OUT_OF_RANGE, Part, Spot, Told, part_of, question_packet
from stagectl.errors import WireError
from stagectl.show.answers import NO_ANSWERS
from stagectl.show.load import Show
from stagectl.show.messages import spoken
from stagectl.show.profile import ProfileModel


class Said(NamedTuple):
    """A level that the desk says it has, a step of its grid. `send`: the plan's index."""

    send: int
    level: Level


class DeskTalk:
    """One rig's talk with its desk. `sockets`: the input's number on the desk, for each input of the plan; `mixes`: the
    mix's number, for each listener. `sends`: how many the plan has. `counted`: what the desk said that means no level,
    by reason.

    Raises WireError where two levels share a message or a question.
    """

    def __init__(self, profile: ProfileModel, sockets: Sequence[int], mixes: Sequence[int]) -> None:
        answers = profile.answers or NO_ANSWERS
        self.can_read = answers.can_read
        self.reports = answers.reports
        self.echoes = answers.echoes
        self.renew_ns = answers.renew
        self.counted: Counter[str] = Counter()
        columns = (*sockets, None) if profile.whole_mix is not None else tuple(sockets)
        self._spots = {
            listener * (len(sockets) + 1) + column: Spot(mix, socket)
            for listener, mix in enumerate(mixes)
            for column, socket in enumerate(columns)
        }
        self.sends = len(mixes) * (len(sockets) + 1)
        self._sends = {spot: send for send, spot in self._spots.items()}
        self._laws = {spot: part_of(profile, spot).law() for spot in self._sends}
        self._ear = ear_for(profile, self._sends, self.counted)
        self._halves = Halves()
        self._subscribe = spoken(answers.subscribe or ())
        self._ask_all = spoken(answers.ask_all or ())
        asked = {send: question_packet(profile, spot) for send, spot in self._spots.items()}
        self._questions = {send: (packet,) for send, packet in asked.items() if packet is not None}

    @classmethod
    def of(cls, show: Show) -> DeskTalk:
        """The talk of a show's rig."""
        return cls(show.profile, [one.socket for one in show.rig.inputs], [one.mix for one in show.rig.listeners])

    def subscribe(self) -> tuple[bytes, ...]:
        """The messages after which the desk reports what changes; none where it needs none."""
        return self._subscribe

    def ask(self, send: int) -> tuple[bytes, ...]:
        """The question for one level; none where it cannot be asked for by itself."""
        return self._questions.get(send, ())

    def ask_all(self) -> tuple[bytes, ...]:
        """The messages after which the desk says all levels; none where there are none."""
        return self._ask_all

    def question(self, sends: Sequence[int]) -> tuple[bytes, ...]:
        """The questions for some levels; where none are named, the one for all."""
        return tuple(packet for send in sends for packet in self.ask(send)) if sends else self.ask_all()

    def hear(self, packet: bytes) -> list[Said]:
        """The levels that the bytes say, in their order. Never raises.

        A coarse part alone is a value; where its fine part stands in the same packet, they are one. A value between two
        steps of the law is the nearest of them.
        """
        out: list[Said] = []
        coarse: Spot | None = None
        for meaning in self._ear.hear(packet):
            if not isinstance(meaning, Told):
                self.counted[OTHER] += 1
                continue
            level = self._level(meaning)
            if meaning.part is Part.FINE and coarse == meaning.spot and level is not None:
                out.pop()
            coarse = None
            if level is not None:
                out.append(Said(self._sends[meaning.spot], level))
                coarse = meaning.spot if meaning.part is Part.COARSE else None
        return out

    def may_be(self, send: int, level: Level) -> bool:
        """Whether the desk has said last no more than the coarse part of a value, which fits this level, too."""
        spot = self._spots[send]
        try:
            return self._halves.may_be(spot, self._laws[spot].code(level))
        except WireError:
            return False

    def forget(self) -> None:
        """The link was away: what was half said counts no more."""
        self._ear.forget()
        self._halves.forget()

    def _level(self, told: Told) -> Level | None:
        law, code = self._laws[told.spot], self._halves.take(told)
        if code is None:
            self.counted[FINE_ALONE] += 1
            return None
        try:
            level = law.level(code)
        except WireError:
            # The fine part that follows may bring it into the range.
            self.counted[OUT_OF_RANGE] += 1
            return None
        return level if isinstance(level, Off) else law.grid.nearest(level, law.grid.highest)
