"""From a rehearsal on some files to the same on edited ones: the night stays where it is.

Place, nudges, treadles' shifts, hushes, layers and the track go along by name (`story/translate.py`), and the virtual
desk keeps its levels; then it is told what the new files say otherwise, over the place's own fade. A foot that is on a
control is let go of, without firing. What the new files have nothing for is left out, and said.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple, TypeVar

from msgspec.structs import asdict, replace

from stagectl.core.actions import Action, GoTo, Lasts, Recall
from stagectl.core.cues import keep
from stagectl.core.doubt import NOTHING_KNOWN
from stagectl.core.events import DeskSaid, PlayerCame, Wanted
from stagectl.core.levels import Level
from stagectl.core.plan import Plan
from stagectl.core.state import Change, Place, Running, State, Wishes, begin
from stagectl.core.targets import aims, scene_levels
from stagectl.core.work import Work
from stagectl.rehearse.room import Moment, Room
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.story.edits import edited
from stagectl.story.rows import Row, stop_names
from stagectl.story.translate import Translation

ValueT = TypeVar("ValueT")


class Carried(NamedTuple):
    """The room in which the night goes on, what happened on the way, and sentences about what could not go along."""

    room: Room
    moments: list[Moment]
    said: list[str]


def carry(old: Room, show: Show, compiled: Compiled, now: int) -> Carried:
    """The night of a room, in one on other files, from a time on, ns."""
    room, now = Room(show, compiled), max(now, old.state.now)
    carrier = _Carrier(old.plan, room.plan)
    had = _stand(old, room, carrier)
    asked = tuple(had.get(send) for send in range(len(room.plan.ceilings)))
    known = replace(NOTHING_KNOWN, before=MappingProxyType(had))
    room.state = replace(carrier.state(old.state, now), asked=asked, known=known)
    rows = edited(old.plan, old.state.wanted, room.plan, room.state.wanted, now)
    # That everything is here again after an edit is no news.
    opened = [one for one in room.open(now) if not (isinstance(one, Row) and one.kind == "link")]
    return Carried(room, [*rows, *opened], carrier.said)


def _stand(old: Room, new: Room, carrier: _Carrier) -> dict[int, Level]:
    """The new desk stands where the old one does; the levels that it had been told, by the new plan's sends."""
    told: dict[int, Level] = {}
    for send, asked in enumerate(old.state.asked):
        there = carrier.send(send)
        if there is not None and asked is not None and new.plan.grid_of(there) is not None:
            heard = new.desk.move(new.spot(there), old.level(send))
            told[there] = heard.level
    return told


class _Carrier:
    """What things of one plan are in another. `said`: sentences about what is not there."""

    def __init__(self, old: Plan, new: Plan) -> None:
        self.old, self.new = old, new
        self.said: list[str] = []
        self._translation = Translation(old, new)

    def state(self, state: State, now: int) -> State:
        """The state of a night at a time, ns, with no desk there yet."""
        new = self.new
        place = self.place(state.place) or self._near(state.place)
        wishes = self._still_held(self.wishes(state.wishes, place), state)
        came = replace(
            begin(new, now),
            **asdict(wishes),
            recalled=state.recalled,
            presses=state.presses,
            last_next=state.last_next,
            layers=self._layers(state),
            undo=self._undo(state.undo),
        )
        if state.recalled:
            aimed = aims(new, wishes)
            came = replace(came, wanted=aimed.wanted, steps=aimed.steps, held=aimed.held)
        return self._with_track(came, state)

    def _still_held(self, wishes: Wishes, state: State) -> Wishes:
        """What is asked for without what a ceiling held of levels that are others now."""
        old, new = scene_levels(self.old, state.place), scene_levels(self.new, wishes.place)
        there = ((send, self.send(send)) for send in state.nudges[Lasts.HELD])
        stay = {to for send, to in there if to is not None and old[send] == new[to]}
        if self.place(state.place) is None:
            stay = set()
        held = MappingProxyType({send: one for send, one in wishes.nudges[Lasts.HELD].items() if send in stay})
        return wishes.nudged((*wishes.nudges[: Lasts.HELD], held))

    def place(self, place: Place) -> Place | None:
        """The place of that name; None where there is none."""
        stop = self._action(GoTo(stop=place.stop))
        scene = self._action(Recall(scene=place.scene))
        if not isinstance(stop, GoTo):
            return None
        return Place(stop=stop.stop, scene=scene.scene if isinstance(scene, Recall) else None, base=place.base)

    def _action(self, action: Action) -> Action | None:
        found = self._translation(Wanted(action=action, who=""))
        return found.action if isinstance(found, Wanted) else None

    def _near(self, place: Place) -> Place:
        """Where the night is when its place is gone: at the song, or at the one that now stands there."""
        song, section = stop_names(self.old, place.stop)
        first = self.old.first_of(self.old.stops[place.stop].song)
        found = None if first is None or first == place.stop else self.place(Place(stop=first))
        if found is None:
            last = self.new.stops[-1].song
            number = min(self.old.stops[place.stop].song, last)
            found = Place(stop=self.new.first_of(number) or 0)
        gone = f"{song}, {section}" if section else song
        here, part = stop_names(self.new, found.stop)
        self.said.append(f"`{gone}` is gone from the setlist: the night is at `{here}{f', {part}' if part else ''}`")
        return found

    def send(self, send: int) -> int | None:
        """The send of the same listener and input; None where there is none."""
        found = self._translation(DeskSaid(send=send, level=0))
        return found.send if isinstance(found, DeskSaid) else None

    def wishes(self, wishes: Wishes, place: Place) -> Wishes:
        """What was wished for, of what is there."""
        return Wishes(
            place=place,
            nudges=tuple(self._by_send(kept) for kept in wishes.nudges),
            rides=self._by_send(wishes.rides),
            hushed=frozenset(there for one in wishes.hushed if (there := self._listener(one)) is not None),
        )

    def _by_send(self, kept: Mapping[int, ValueT]) -> MappingProxyType[int, ValueT]:
        pairs = ((self.send(send), value) for send, value in kept.items())
        return MappingProxyType({there: value for there, value in pairs if there is not None})

    def _listener(self, listener: int) -> int | None:
        send = self.send(self.old.send(listener, self.old.whole))
        return None if send is None else self.new.listener_of(send)

    def _layers(self, state: State) -> tuple[int | None, ...]:
        lies = {
            self.old.pedals[at].name: self.old.pedals[at].layers[layer].name
            for at, layer in enumerate(state.layers)
            if layer is not None
        }
        found = []
        for pedal in self.new.pedals:
            names = [layer.name for layer in pedal.layers]
            name = lies.get(pedal.name)
            found.append(names.index(name) if name in names else None)
        return tuple(found)

    def _undo(self, entries: tuple[Change, ...]) -> tuple[Change, ...]:
        """What can be taken back: the entries whose places are all there."""
        out = []
        for entry in entries:
            before, after = self.place(entry.before.place), self.place(entry.after.place)
            hand = None if entry.hand is None else self.send(entry.hand)
            if before is not None and after is not None and (entry.hand is None or hand is not None):
                wishes = self.wishes(entry.before, before), self.wishes(entry.after, after)
                out.append(Change(entry.who, entry.at, *wishes, hand))
        return tuple(out)

    def _with_track(self, came: State, state: State) -> State:
        """The track runs on, or starts when it was to, if its song and its player are there; what comes of it comes by
        the new files' times."""
        stop = self.new.stops[came.place.stop]
        plays = state.track or self.old.stops[state.place.stop].cue
        if stop.cue is None or plays is None:
            return came
        player = self._translation(PlayerCame(player=plays.player))
        same_song = self.old.song_name(state.place.stop) == self.new.song_name(came.place.stop)
        if not isinstance(player, PlayerCame) or player.player != stop.cue.player or not same_song:
            return came
        came = replace(came, cued=state.cued, starts=state.starts)
        if state.track is None:
            return came
        track: Running = replace(state.track, player=stop.cue.player, number=stop.cue.number, song=stop.song)
        work = Work(self.new, came, came.now)
        keep(work, track)
        return work.state
