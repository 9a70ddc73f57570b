"""The rehearsal room: the core under a virtual clock, with a virtual desk on the end of its wire."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple, TypeAlias

from msgspec.structs import replace

from stagectl.core.effects import Ask, Cue, Effect, Lit, Question, RecallStored, Told
from stagectl.core.events import DeskCame, DeskSaid, Event, LampsCame, PedalCame, PlayerCame, Wake
from stagectl.core.levels import Level
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.core.tracks import next_due
from stagectl.desk.meaning import Spot
from stagectl.desk.speak import Speaker
from stagectl.desk.stand_in import StandIn
from stagectl.desk.talk import DeskTalk
from stagectl.desk.virtual import VirtualDesk
from stagectl.ears.mix import Mixes
from stagectl.show.compile import Compiled
from stagectl.show.ears import setting_of
from stagectl.show.load import Show
from stagectl.story.rows import Row, Teller, stop_names
from stagectl.story.wire import Sent
from stagectl.tracks.player import WirePlayer

Moment: TypeAlias = Row | Sent
"""What a rehearsal tells: a line of the story, or bytes on a wire."""


class FirstOfLevel(Sent):
    """The first of the messages that tell the desk one level."""

    __slots__ = ()


class Timed(NamedTuple):
    """An event and its time, ns since the night began."""

    at: int
    event: Event


class Room:
    """A night under a virtual clock that begins at 0. What the desk is asked, and what it says, is no moment of it:
    only what came of that is told."""

    def __init__(self, show: Show, compiled: Compiled) -> None:
        self.plan = compiled.plan
        self.state = begin(self.plan, 0)
        rig = show.rig
        self.desk = VirtualDesk.of(show)
        self._stand_in = StandIn(self.desk)
        self._talk = DeskTalk.of(show)
        self._rig = rig
        self._teller = Teller(self.plan)
        self._speaker = Speaker.of(show)
        self._code_at = [song.time_code_at for song in show.setlist.songs]
        self._players = [None if model.end is None else WirePlayer(model) for model in rig.players]
        self._tempos = show.tempos
        self._packets = compiled.packets
        self._lamps = compiled.lamps
        self.setting = setting_of(show)
        self.mixes = Mixes(self.plan.listeners, self.setting.base)

    def open(self, now: int = 0) -> list[Moment]:
        """The desk and every pedal are here from a time on, ns, and every lamp can be told."""
        self._tell_desk(self._talk.subscribe(), now)
        moments = self.do(DeskCame(), now)
        for pedal in range(len(self.plan.pedals)):
            moments += self.do(PedalCame(pedal=pedal), now)
            if self.plan.pedals[pedal].lamps:
                moments += self.do(LampsCame(pedal=pedal), now)
        for player in range(len(self.plan.players)):
            moments += self.do(PlayerCame(player=player), now)
        return moments

    def do(self, event: Event, now: int) -> list[Moment]:
        """An event at a time, ns; what was due before it happens first."""
        moments = self.wait(now)
        return moments + self._step(event, now)

    def wait(self, until: int | None = None, enough: Callable[[], bool] = lambda: False) -> list[Moment]:
        """Let time pass: to `until` (ns), or until nothing is under way any more, a track neither. `enough`: asked
        after each step whether the rest is for later."""
        moments: list[Moment] = []
        while (due := self._due(self.state)) is not None and (until is None or due <= until):
            moments += self._step(Wake(), due)
            if enough():
                break
        return moments

    def settle(self) -> list[Moment]:
        """Let time pass until nothing is under way any more but the track, whatever it does meanwhile."""
        moments: list[Moment] = []
        while (due := self._due(replace(self.state, track=None, starts=None, report=None))) is not None:
            moments += self.wait(due)
        return moments

    @property
    def track_due(self) -> int | None:
        """When the track that runs does something next, ns."""
        return next_due(self.state)

    @property
    def due(self) -> int | None:
        """When anything happens by itself next, ns."""
        return self._due(self.state)

    def _due(self, state: State) -> int | None:
        """When the core or the desk has something to do by itself."""
        return min((due for due in (next_wake(state), self._stand_in.due) if due is not None), default=None)

    def play(self, presses: Iterable[Timed]) -> Iterable[Moment]:
        """Open the room, play the presses in their order, and wait until all is done."""
        yield from self.open()
        for press in presses:
            yield from self.do(press.event, press.at)
        yield from self.wait()

    def _step(self, event: Event, now: int) -> list[Moment]:
        self.state, effects = step(self.plan, self.state, event, now)
        self._listen(now)
        moments: list[Moment] = list(self._teller.rows(effects))
        for effect in effects:
            moments += self._orders(effect)
        for packet, _ in self._stand_in.advance(now).out:
            for send, level in self._talk.hear(packet):
                moments += self._step(DeskSaid(send=send, level=level), now)
        return moments

    def _listen(self, now: int) -> None:
        """What the desk was told by now is what is heard, from the first recall on."""
        if self.state.recalled:
            song, _ = stop_names(self.plan, self.state.place.stop)
            self.mixes.be_in(song, now)
        self.mixes.stand(self.state.asked, now)

    def _orders(self, effect: Effect) -> list[Moment]:
        if isinstance(effect, Ask):
            said = (self._speaker.say(send, level, effect.at) for send, level in effect.levels)
            return [sent for packets in said for sent in self._level(effect, packets)]
        if isinstance(effect, RecallStored):
            return list(self._to_desk(effect, self._speaker.stored(effect.number)))
        if isinstance(effect, Question):
            self._tell_desk(self._talk.question(effect.sends), effect.at)
            return []
        if isinstance(effect, Cue):
            player = self._players[effect.player]
            tempo, code_at = self._tempos.get(effect.song), self._code_at[effect.song]
            packets = () if player is None else player.packets(effect, tempo, code_at)
            name = self.plan.players[effect.player].name
            return [Sent(effect.at, effect.press, name, packet) for packet in packets]
        if isinstance(effect, Told):
            device = self.plan.devices[self.plan.messages[effect.message].device]
            return [Sent(effect.at, effect.press, device, packet) for packet in self._packets[effect.message]]
        if isinstance(effect, Lit):
            pedal, packets = self.plan.pedals[effect.pedal].name, self._lamps[effect.pedal][effect.lamp][effect.value]
            return [Sent(effect.at, None, pedal, packet) for packet in packets]
        return []

    def _level(self, effect: Ask, packets: Sequence[bytes]) -> list[Sent]:
        first, *more = self._to_desk(effect, packets)
        return [FirstOfLevel(*first), *more]

    def _to_desk(self, effect: Ask | RecallStored, packets: Sequence[bytes]) -> list[Sent]:
        self._tell_desk(packets, effect.at)
        return [Sent(effect.at, effect.press, "desk", packet) for packet in packets]

    def _tell_desk(self, packets: Sequence[bytes], at: int) -> None:
        for packet in packets:
            self._stand_in.hear(packet, None, at)

    def spot(self, send: int) -> Spot:
        """Where the desk has the level of a send."""
        listener, column = divmod(send, self.plan.width)
        socket = None if column == self.plan.whole else self._rig.inputs[column].socket
        return Spot(self._rig.listeners[listener].mix, socket)

    def level(self, send: int) -> Level:
        """Where the virtual desk stands. Raises KeyError where it has no such level."""
        mix, socket = self.spot(send)
        return self.desk.whole(mix) if socket is None else self.desk.level(socket, mix)

    def differences(self) -> list[str]:
        """Where the virtual desk does not stand where it was asked to; nothing, if all is well."""
        profile = self._speaker.profile
        law, whole = profile.send.law(), None if profile.whole_mix is None else profile.whole_mix.law()
        out = []
        for send, asked in enumerate(self.state.asked):
            said = whole if send % self.plan.width == self.plan.whole else law
            if asked is None or said is None:
                continue
            heard = self.level(send)
            if said.code(heard) != said.code(asked):
                out.append(f"{self.plan.send_name(send)}: asked {asked}, stands at {heard}")
        return out
