"""The proof of a show, in sentences with their places: for the base as it stands, and for every venue over it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.levels import LEVEL_MIN, change_text, height, text
from stagectl.core.plan import Plan, ShiftBy
from stagectl.core.state import Place
from stagectl.errors import Advice, Fault
from stagectl.proof.fallen import with_fall_back
from stagectl.proof.jumps import Rise
from stagectl.proof.prove import Dead, Fight, Gap, Held, Idle, Over, Proof, Walked, prove, walked
from stagectl.proof.reach import Foot
from stagectl.proof.scenery import Scenery
from stagectl.show.compile import compile_show
from stagectl.show.faults import FAULTS_MAX
from stagectl.show.layers import SaidLayers
from stagectl.show.load import Show
from stagectl.show.names import EVERYONE
from stagectl.show.origin import Path, layers_of, name_path, origin
from stagectl.show.proof_words import db_words, foot_words, place_words, send_words, way_words

MORE: Final = "\0"
"""In a sentence, where it says of how many more it is true. (No name holds this character.)"""


class Proved(NamedTuple):
    """What the proof found. `says`: one line about what was proved; empty where there are faults."""

    faults: tuple[Fault, ...]
    advice: tuple[Advice, ...]
    says: str = ""


Found: TypeAlias = "dict[tuple[object, ...], _Finding]"


class _Finding(NamedTuple):
    """One thing to say of a place in the setlist. `weight`: of several at one place, the greatest is told, the others
    are counted. `venues`: where it is so."""

    path: Path
    weight: int
    says: str
    who: frozenset[int]
    venues: frozenset[str | None]


class _Above(NamedTuple):
    """A mix above its ceiling: the stop where it comes highest, to what, and in which venues; `stops`: everywhere it is
    above, in whatever venue."""

    stop: int
    level: int
    ceiling: int
    venues: frozenset[str | None]
    stops: frozenset[int]

    def and_at(self, over: Over, venue: str | None) -> _Above:
        """With one more stop of a venue. Of stops that are as high, the first one counts."""
        stops = self.stops | {over.stop}
        if (over.level, -over.stop) > (self.level, -self.stop):
            return _Above(over.stop, over.level, over.ceiling, frozenset((venue,)), stops)
        is_same = (over.stop, over.level) == (self.stop, self.level)
        return self._replace(stops=stops, venues=self.venues | {venue} if is_same else self.venues)


_NOT_ABOVE: Final = _Above(0, LEVEL_MIN, 0, frozenset(), frozenset())


Watch: TypeAlias = "Callable[[str | None, int, int], None]"
"""Told before the proof of each venue (None: of the base) how many steps are done, of how many."""


def proof_of(
    show: Show, compiled: Plan | None = None, venue: str | None = None, watch: Watch = lambda *_: None
) -> Proved:
    """Prove a sound show. `compiled`: the plan of a venue (or of none), where there is one already."""
    return _Prover(show).proved({} if compiled is None else {venue: compiled}, watch)


class _Prover:
    def __init__(self, show: Show) -> None:
        self.show, self.setlist = show, show.sources["setlist"]
        self.venues: list[str | None] = [None, *show.setlist.venues]
        self.jump = show.rig.limits.jump
        self.faults: list[Fault] = []
        self.advice: list[Advice] = []
        self.layers: dict[str | None, SaidLayers] = {}
        self.rises: Found = {}
        self.held: Found = {}
        self.over: dict[int, _Above] = {}
        self.dead: Found = {}
        self.most = 0

    def proved(self, plans: Mapping[str | None, Plan], watch: Watch) -> Proved:
        # To walk what the feet can do is the first step.
        steps = 1 + len(self.venues)
        watch(None, 0, steps)
        first = self._plan(None, plans)
        found = walked(first)
        self._walked(first, found)
        for done, venue in enumerate(self.venues, 1):
            watch(venue, done, steps)
            plan = first if venue is None else self._plan(venue, plans)
            self._venue(plan, venue, prove(plan, found, self.jump))
        self.faults += [self.setlist.fault(says, *path) for path, says in self._told(self.rises, "of")]
        self.advice += [self._over(first, listener, above) for listener, above in sorted(self.over.items())]
        for some, word in ((self.held, "of"), (self.dead, "at")):
            self.advice += [self.setlist.advice(says, *path) for path, says in self._told(some, word)]
        faults = sorted(dict.fromkeys(self.faults), key=lambda fault: fault.line)
        if len(faults) > FAULTS_MAX:
            faults[FAULTS_MAX:] = [faults[FAULTS_MAX]._replace(text="there are more faults; mend these first")]
        return Proved(tuple(faults), tuple(self.advice), "" if faults else self._says(first, found))

    def _layers(self, venue: str | None) -> SaidLayers:
        if venue not in self.layers:
            self.layers[venue] = SaidLayers(self.show.setlist, self.show.rig, venue)
        return self.layers[venue]

    def _plan(self, venue: str | None, plans: Mapping[str | None, Plan]) -> Plan:
        return with_fall_back(plans[venue] if venue in plans else compile_show(self.show, venue).plan)

    # -- what is the same in every venue ------------------------------------------------------------------

    def _walked(self, plan: Plan, found: Walked) -> None:
        if not plan.pedals:
            says = "this rig has no pedals, so the proof takes it that the set is walked from end to end and back"
            self.advice.append(self.show.sources["rig"].advice(says))
        self.faults += [self._gap(plan, gap) for gap in found.gaps]
        self.advice += [self._fight(plan, fight) for fight in found.fights]
        self.advice += [self._idle(plan, idle) for idle in found.idle]

    def _gap(self, plan: Plan, gap: Gap) -> Fault:
        more = f" and the {gap.many - 1} after it" if gap.many > 1 else ""
        end = place_words(plan, Place(stop=gap.stop - 1))
        says = f"no foot gets to {place_words(plan, Place(stop=gap.stop))}{more}: at {end} no control does `next`"
        return self.setlist.fault(f"{says}, and none anywhere goes straight there", *name_path(plan, gap.stop))

    def _fight(self, plan: Plan, fight: Fight) -> Advice:
        one, other = (foot_words(plan, foot) for foot in (fight.one, fight.other))
        says = f"{one} and {other} both ride {send_words(plan, fight.send)}: each lets go of it when the other moves"
        return self._at_foot(plan, fight.stop, fight.other, says)

    def _idle(self, plan: Plan, idle: Idle) -> Advice:
        ends = f"from {change_text(idle.low)} to {change_text(idle.high)} dB"
        says = f"{foot_words(plan, idle.foot)} rides {send_words(plan, idle.send)} {ends}, which does not hold 0"
        return self._at_foot(
            plan, idle.stop, idle.foot, f"{says}: it never meets the level, so it never takes hold of it"
        )

    def _at_foot(self, plan: Plan, stop: int, foot: Foot, says: str) -> Advice:
        """A warning at the line that gives a treadle its turn: in the song, or in the mapping."""
        pedal, at = plan.pedals[foot.pedal], plan.stops[stop]
        control, mapping = pedal.controls[foot.control].name, self.show.rig.pedals[foot.pedal].mapping
        if at.song >= 0:
            song = self.show.setlist.songs[at.song]
            path: Path = ("songs", at.song)
            places = [(path, song.pedals)]
            if at.section >= 0:
                places.insert(0, ((*path, "sections", at.section), song.sections[at.section].pedals))
            for where, feet in places:
                over = feet.get(pedal.name, {}).get(control)
                if over is not None and over.turn is not None:
                    return self.setlist.advice(says, *where, "pedals", pedal.name, control, "turn")
        return self.show.sources[f"mapping {mapping}"].advice(says, "controls", control, "turn")

    # -- what may differ from venue to venue --------------------------------------------------------------

    def _venue(self, plan: Plan, venue: str | None, proof: Proof) -> None:
        for above in proof.above:
            level, ceiling = text(above.level), text(above.ceiling)
            says = (
                f"{send_words(plan, above.send)} would come to {level} at {place_words(plan, above.place)}, above its"
            )
            says = f"{says} ceiling of {ceiling}: this is a fault of stagectl itself; do not play with it"
            self.faults.append(
                self.setlist.fault(says, *origin(self.show, plan, self._layers(venue), above.place, above.send).path)
            )
        sends = {(rise.listener, rise.after.stop) for rise in proof.beyond if rise.column is not None}
        for rise in proof.beyond:
            if rise.column is not None or (rise.listener, rise.after.stop) not in sends:
                path, says = self._rise(proof.scenery, venue, rise)
                self._add(self.rises, (path, rise.column is None), path, rise.by, says, rise.listener, venue)
        for held in proof.held:
            path, says = self._held(plan, venue, held)
            self._add(self.held, (path,), path, held.level - held.held, says, held.send, venue)
        for over in proof.over:
            self.over[over.listener] = self.over.get(over.listener, _NOT_ABOVE).and_at(over, venue)
        for dead in proof.dead:
            path, says = self._dead(plan, venue, dead)
            weight = (not dead.can_return) * len(plan.stops) + len(plan.stops) - dead.stop
            self._add(self.dead, (path, dead.send), path, weight, says, dead.stop, venue)
        self.most = max([self.most, *(rise.by for rise in proof.most.values())])

    def _add(
        self, found: Found, key: tuple[object, ...], path: Path, weight: int, says: str, who: int, venue: str | None
    ) -> None:
        new = _Finding(path, weight, says, frozenset((who,)), frozenset((venue,)))
        old = found.get(key)
        if old is not None:
            worst = new if new.weight > old.weight else old
            new = worst._replace(who=old.who | new.who, venues=old.venues | new.venues)
        found[key] = new

    def _rise(self, scenery: Scenery, venue: str | None, rise: Rise) -> tuple[Path, str]:
        plan, start = scenery.plan, Place(stop=0)
        way = f"rises {db_words(rise.by)} from {way_words(plan, rise.before, rise.after)}"
        allows = f"the rig allows {db_words(self.jump)} (`limits: jump`)"
        if rise.column is None:
            at = rise.listener
            far = [abs(scenery.mixes(place)[at] - scenery.mixes(start)[at]) for place in (rise.after, rise.before)]
            says = f"the mix of `{plan.listeners[at]}`, all inputs together,"
            return self._where(plan, _further(far, rise), at), f"{says} {way}; {allows}"
        send = plan.send(rise.listener, rise.column)
        levels = [scenery.level(place, send) for place in (rise.after, rise.before, start)]
        far = [abs(height(levels[at] or 0) - height(levels[2] or 0)) for at in (0, 1)]
        blamed = origin(self.show, plan, self._layers(venue), _further(far, rise), send)
        return blamed.path, f"{send_words(plan, send)}{MORE} {way}; {allows}"

    def _where(self, plan: Plan, place: Place, listener: int) -> Path:
        """The layer of a place that has to do with a mix."""
        name, layers = plan.listeners[listener], list(layers_of(self.show, plan, place))
        for whose in (name, EVERYONE):
            for path, texts in layers:
                if whose in texts:
                    return (*path, whose)
        return name_path(plan, place.stop)

    def _held(self, plan: Plan, venue: str | None, held: Held) -> tuple[Path, str]:
        place = Place(stop=held.stop)
        by = origin(self.show, plan, self._layers(venue), place, held.send)
        typed = "this"
        if isinstance(by.change, ShiftBy):
            typed = f"`{'up' if by.change.by > 0 else 'down'} {abs(by.change.by) / 100:g}`"
        bound = "the ceiling" if held.held == plan.ceilings[held.send] else "the desk's range"
        level = f"{send_words(plan, held.send)} to {text(held.level)} at {place_words(plan, place)}"
        return by.path, f"{typed} takes {level}{MORE}; {bound} holds it at {text(held.held)}"

    def _over(self, plan: Plan, listener: int, above: _Above) -> Advice:
        """One warning a listener, where their mix is highest: in its venues, of all the places at which it is above."""
        place, many = Place(stop=above.stop), len(above.stops) - 1
        more = f" (and at {many} more {'place' if many == 1 else 'places'})" if many else ""
        ceiling = f"its ceiling of {text(above.ceiling)} ({self._mix_ceiling_place(listener)})"
        says = f"the mix of `{plan.listeners[listener]}`, all inputs together, is above {ceiling} at"
        says = f"{says} {place_words(plan, place)}{more}: it comes to {text(above.level)} there"
        says = f"{says}, so that all of its inputs are held lower{self._at(above.venues)}"
        return self.setlist.advice(says, *self._where(plan, place, listener))

    def _mix_ceiling_place(self, listener: int) -> str:
        """`rig.yaml:12`, or that it is the rig's default."""
        source, is_theirs = self.show.sources["rig"], self.show.rig.listeners[listener].mix_ceiling is not None
        place = source.text.place(("listeners", listener, "mix ceiling") if is_theirs else ("mix ceiling",))
        return f"{source.path.name}:{source.text.line(place)}" if place else "the rig's default"

    def _dead(self, plan: Plan, venue: str | None, dead: Dead) -> tuple[Path, str]:
        listener, own = divmod(dead.send, plan.width)
        helps = "a nudge can bring it back" if dead.can_return else "no control can bring it back"
        says = f"`{plan.inputs[own]}`, the own input of `{plan.listeners[listener]}`, is off at"
        path = origin(self.show, plan, self._layers(venue), Place(stop=dead.stop), dead.send).path
        return path, f"{says} {place_words(plan, Place(stop=dead.stop))}{MORE}; {helps}"

    def _told(self, found: Found, word: str) -> Iterator[tuple[Path, str]]:
        for one in found.values():
            many = len(one.who) - 1
            more = f" (and {word} {many} more)" if many else ""
            yield one.path, one.says.replace(MORE, more) + self._at(one.venues)

    def _at(self, venues: Iterable[str | None]) -> str:
        """At which venues; nothing where it is so at all of them and without."""
        some = [venue for venue in self.venues if venue in set(venues)]
        if len(some) == len(self.venues):
            return ""
        named = [f"at `{venue}`" if venue is not None else "without a venue" for venue in some]
        return f" ({', '.join(named)})"

    def _says(self, plan: Plan, found: Walked) -> str:
        venues = len(self.venues) - 1
        where = (
            ("", " without a venue and at the one there is")[venues] if venues < 2 else f" at each of {venues} venues"
        )
        where += " and without one" if venues > 1 else ""
        driven = sum(level is not None for level in plan.bounded[0])
        reached = "every song and section can be reached" if plan.pedals else "where feet get is not known"
        return (
            f"proved{where}, for each of {len(found.ways.places)} places and {driven} levels: whatever is pressed, no "
            f"level goes above its ceiling, and no mix above its ceiling as a sum; no change raises a level, or a mix, "
            f"by more than {db_words(self.most)} ({db_words(self.jump)} are allowed); {reached}"
        )


def _further(far: list[int], rise: Rise) -> Place:
    """Of the two places of a rise, the one that is further from the start, which is what its author will look for."""
    return rise.before if far[1] > far[0] else rise.after
