"""From a sound show to the core's plan: names become indices, layers become levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from msgspec.structs import replace

from stagectl.core.action_table import Kind
from stagectl.core.actions import Action, Nothing
from stagectl.core.contacts import Switch
from stagectl.core.feet import LAMP_GAP_NS, Control, Does, FootLayer, Lamp, Pair, Pedal
from stagectl.core.gestures import Gesture, Timing
from stagectl.core.limits import Limits
from stagectl.core.link import Answers
from stagectl.core.plan import Group, Levels, Message, Plan, Scene, Stop, layered
from stagectl.core.players import CueCall
from stagectl.core.travel import Travel
from stagectl.core.whole_mixes import COUNTS_AS
from stagectl.errors import nearest
from stagectl.show.feet import gestures_of, laid
from stagectl.show.gestures import ActionModel
from stagectl.show.lamps import LampModel, LampPackets
from stagectl.show.layers import SaidLayers
from stagectl.show.load import Show
from stagectl.show.mapping import ControlModel, MappingModel
from stagectl.show.messages import Say, spoken
from stagectl.show.names import OWN, WHOLE, ceiling_of, column, mix_ceiling_of
from stagectl.show.profile import ProfileModel
from stagectl.show.setlist import MessageModel, SectionModel, SongModel
from stagectl.show.tracks import cue_of, player
from stagectl.show.wire_time import link_of
from stagectl.wire.midi import BYTE_NS, hex_text


class Compiled(NamedTuple):
    """The plan, the bytes behind each of its messages, and those of each pedal's lamps, by pedal, lamp and value."""

    plan: Plan
    packets: tuple[tuple[bytes, ...], ...]
    lamps: tuple[tuple[LampPackets, ...], ...] = ()


def compile_show(show: Show, venue: str | None = None) -> Compiled:
    """The plan for a venue (None: the base as it stands). Raises ValueError where there is no such venue."""
    return _Compiler(show, venue).compile()


class _Compiler:
    def __init__(self, show: Show, venue: str | None) -> None:
        if venue is not None and venue not in show.setlist.venues:
            raise ValueError(f"`{venue}` is not a venue of this setlist{nearest(venue, show.setlist.venues)}")
        self.show, self.rig, self.setlist = show, show.rig, show.setlist
        self.layers = SaidLayers(show.setlist, show.rig, venue)
        self.width = len(self.rig.inputs) + 1
        self.devices = [device.name for device in self.rig.devices]
        self.messages: list[Message] = []
        self.packets: list[tuple[bytes, ...]] = []
        self.named: dict[tuple[str, str], int] = {}

    def compile(self) -> Compiled:
        rig, profile = self.rig, self.show.profile
        self._name_messages()
        stops = self._stops()
        plan = Plan(
            inputs=tuple(one.name for one in rig.inputs),
            listeners=tuple(one.name for one in rig.listeners),
            own=tuple(column(rig, one, OWN) for one in rig.listeners),
            ceilings=self._ceilings(stops[0].levels),
            grid=profile.send.law().grid,
            whole_grid=None if profile.whole_mix is None else profile.whole_mix.law().grid,
            stops=tuple(replace(stop, does=self._feet(stop, stops)) for stop in stops),
            scenes=tuple(
                Scene(name=name, layer=self.layers.scene(name).changes, fade_ns=_fade(scene.fade, self.setlist.fade))
                for name, scene in self.setlist.scenes.items()
            ),
            answers=_answers(profile),
            pedals=self._pedals(stops),
            players=tuple(map(player, rig.players)),
            devices=tuple(self.devices),
            messages=tuple(self.messages),
            link=link_of(profile, rig),
            limits=Limits(
                nudge_floor=rig.limits.nudge_floor,
                nudge_up=rig.limits.nudge_up,
                settle_ns=rig.limits.settle_time,
                rise=rig.limits.rise,
                room=rig.limits.room,
                hush=rig.limits.hush,
                gentle_ns=rig.limits.gentle,
            ),
            mix_ceilings=tuple(mix_ceiling_of(rig, one) for one in rig.listeners),
            groups=self._groups(),
        )
        lamps = tuple(self._lamps(self.show.mappings[pedal.mapping]) for pedal in rig.pedals)
        return Compiled(plan, tuple(self.packets), lamps)

    def _ceilings(self, base: Levels) -> tuple[int, ...]:
        """The ceiling of each send. A whole mix that the show lets be is told nothing, whatever the ceiling of sends
        is: it counts as 0 dB (`core/whole_mixes.py`), and only what the rig says of it itself is meant for it."""
        names = [*(one.name for one in self.rig.inputs), WHOLE]
        sends = [(listener, name) for listener in self.rig.listeners for name in names]
        return tuple(
            listener.ceilings.get(WHOLE, COUNTS_AS)
            if name == WHOLE and level is None
            else ceiling_of(self.rig, listener, name)
            for (listener, name), level in zip(sends, base, strict=True)
        )

    def _groups(self) -> tuple[Group, ...]:
        return tuple(
            Group(name=name, columns=tuple(sorted(map(self._column, dict.fromkeys(inputs)))))
            for name, inputs in self.rig.groups.items()
        )

    # -- levels -------------------------------------------------------------------------------------------

    def _stops(self) -> tuple[Stop, ...]:
        levels = self.layers.ground()
        stops = [Stop(song=-1, section=-1, name="base", levels=levels, fade_ns=self.setlist.fade)]
        for at, song in enumerate(self.setlist.songs):
            over = layered(levels, self.layers.song(at).changes)
            cue = cue_of(self.rig, song, len(stops), self.show.tempos.get(at), self.show.lengths.get(at))
            stops.append(self._stop(song, at, -1, over, _fade(song.fade, self.setlist.fade), cue))
            for part, section in enumerate(song.sections):
                here = layered(over, self.layers.section(at, part).changes)
                fade = _fade(section.fade, _fade(song.fade, self.setlist.fade))
                stops.append(self._stop(song, at, part, here, fade, cue))
        return tuple(stops)

    def _stop(self, song: SongModel, at: int, part: int, levels: Levels, fade: int, cue: CueCall | None) -> Stop:
        own: SongModel | SectionModel = song if part < 0 else song.sections[part]
        return Stop(
            song=at,
            section=part,
            name=own.name,
            levels=levels,
            fade_ns=fade,
            cue=cue,
            messages=tuple(self._message(message) for message in own.messages),
            stored=song.stored_scene if part < 0 else None,
        )

    # -- messages -----------------------------------------------------------------------------------------

    def _name_messages(self) -> None:
        for at, device in enumerate(self.rig.devices):
            for name, says in device.messages.items():
                self.named[device.name, name] = self._add(at, name, says)

    def _add(self, device: int, name: str, says: Sequence[Say]) -> int:
        self.messages.append(Message(device=device, name=name))
        self.packets.append(spoken(says))
        return len(self.messages) - 1

    def _message(self, message: MessageModel) -> int:
        if message.message is not None:
            return self.named[message.to, message.message]
        assert message.say is not None
        label = ", ".join(_label(say) for say in message.say)
        return self._add(self.devices.index(message.to), label, message.say)

    # -- pedals -------------------------------------------------------------------------------------------

    def _pedals(self, stops: tuple[Stop, ...]) -> tuple[Pedal, ...]:
        listeners = [one.name for one in self.rig.listeners]
        return tuple(
            Pedal(
                name=pedal.name,
                controls=tuple(self._control(name, mapping, stops) for name in mapping.controls),
                listener=None if pedal.listener is None else listeners.index(pedal.listener),
                pairs=self._pairs(mapping, stops),
                layers=self._layers(mapping, stops),
                lamps=tuple(_lamp(lamp, said) for lamp, said in zip(mapping.lamps, self._lamps(mapping), strict=True)),
            )
            for pedal in self.rig.pedals
            for mapping in (self.show.mappings[pedal.mapping],)
        )

    def _layers(self, mapping: MappingModel, stops: tuple[Stop, ...]) -> tuple[FootLayer, ...]:
        at = list(mapping.controls).index
        return tuple(
            FootLayer(
                name=name,
                does={at(one): self._does(mapping, over.gestures(), stops) for one, over in overrides.items()},
            )
            for name, overrides in mapping.layers.items()
        )

    def _feet(self, stop: Stop, stops: tuple[Stop, ...]) -> Mapping[tuple[int, int], Does]:
        """What the controls do at a stop that lays something over them."""
        found: dict[tuple[int, int], Does] = {}
        for at, pedal in enumerate(self.rig.pedals):
            mapping = self.show.mappings[pedal.mapping]
            for name in {name: None for overrides in laid(self.setlist, stop, pedal.name) for name in overrides}:
                gestures = gestures_of(self.setlist, mapping, pedal.name, name, stop)
                found[at, list(mapping.controls).index(name)] = self._does(mapping, gestures, stops)
        return found

    def _does(self, mapping: MappingModel, gestures: Mapping[Gesture, ActionModel], stops: tuple[Stop, ...]) -> Does:
        return {gesture: self._action(action, mapping, stops) for gesture, action in gestures.items()}

    def _lamps(self, mapping: MappingModel) -> tuple[LampPackets, ...]:
        return tuple(lamp.packets(songs=len(self.setlist.songs)) for lamp in mapping.lamps)

    def _pairs(self, mapping: MappingModel, stops: tuple[Stop, ...]) -> tuple[Pair, ...]:
        at = list(mapping.controls).index
        return tuple(
            Pair(
                first=at(pair.controls[0]),
                second=at(pair.controls[1]),
                does=self._action(pair.press, mapping, stops),
                within_ns=pair.time,
            )
            for pair in mapping.together
        )

    def _control(self, name: str, mapping: MappingModel, stops: tuple[Stop, ...]) -> Control:
        model = mapping.controls[name]
        heel, toe = model.steps_of_travel
        together_ns = max((pair.time for pair in mapping.together if name in pair.controls), default=0)
        return Control(
            name=name,
            does=self._does(mapping, _kept(model), stops),
            timing=Timing(
                hold_ns=model.hold_time,
                double_ns=model.double_time,
                repeat_ns=model.repeat_time,
                fastest_ns=model.repeat_fastest,
                together_ns=together_ns,
            ),
            top=model.sends.top,
            sent_top=model.sends.sent_top,
            gives_release=model.gives_release,
            switch=Switch(
                latching=model.latching,
                threshold=model.steps_of_threshold,
                rests_closed=model.rests == "closed",
                bounce_ns=model.bounce,
            ),
            travel=Travel(
                heel=heel,
                toe=toe,
                dead=model.dead_zone,
                jitter=model.steps_of_jitter,
                curve=round(model.curve * 100),
                smooth_ns=model.smooth,
            ),
        )

    def _action(self, model: ActionModel, mapping: MappingModel, stops: tuple[Stop, ...]) -> Action:
        fields = model.fields()
        resolve: Mapping[Kind, Any] = {
            Kind.COLUMN: lambda name: None if name == OWN else self._column(name),
            Kind.COLUMNS: lambda name: None if name == OWN else self._column(name),
            Kind.LISTENER: [one.name for one in self.rig.listeners].index,
            Kind.SONG: lambda name: next(at for at, s in enumerate(stops) if s.section < 0 and s.name == name and at),
            Kind.SECTION: lambda name: self._section(stops, fields["song"], name),
            Kind.SCENE: list(self.setlist.scenes).index,
            Kind.MESSAGE: lambda name: self.named[fields["device"], name],
            Kind.LAYER: list(mapping.layers).index,
        }
        resolved = {
            field.name: resolve[field.kind](fields[field.name])
            if field.kind in resolve and fields[field.name] is not None
            else fields[field.name]
            for field in model.spec.fields
        }
        return model.spec.make(resolved)

    def _column(self, name: str) -> int:
        return [*(one.name for one in self.rig.inputs), WHOLE, *self.rig.groups].index(name)

    def _section(self, stops: tuple[Stop, ...], song: str, section: str) -> int:
        at = [one.name for one in self.setlist.songs].index(song)
        part = [one.name for one in self.setlist.songs[at].sections].index(section)
        return next(i for i, stop in enumerate(stops) if (stop.song, stop.section) == (at, part))


def _answers(profile: ProfileModel) -> Answers:
    """What can be known of the desk."""
    model = profile.answers
    if model is None:
        return Answers()
    return Answers(
        each=model.ask is not None,
        whole=model.ask_whole_mix is not None,
        all=model.ask_all is not None,
        reports=model.reports,
        echoes=model.echoes,
    )


def _kept(model: ControlModel) -> dict[Gesture, ActionModel]:
    """A control's gestures; one of a switch that does nothing is not waited for."""
    return {
        gesture: action
        for gesture, action in model.gestures().items()
        if action.spec.word != Nothing.word or gesture is Gesture.TURN
    }


def _lamp(model: LampModel, said: LampPackets) -> Lamp:
    """Its gap is what its longest message takes on a DIN cable, whatever it is plugged into."""
    on_wire = max(BYTE_NS * sum(map(len, packets)) for packets in said)
    return Lamp(shows=model.shows, lasts_ns=model.on_ns, gap_ns=max(LAMP_GAP_NS, on_wire))


def _fade(fade: int | None, default: int) -> int:
    return default if fade is None else fade


def _label(say: Say) -> str:
    """A message that has no name, in words: `program 5`."""
    fields = say.model_dump(exclude_none=True)
    word, value = next(iter(fields.items()))
    return f"{word.replace('_', ' ')} {hex_text(value) if isinstance(value, bytes) else value}"
