"""The ten rules of "What always holds", each looked at after everything that happens.

What is compared with comes from elsewhere than what is looked at: ceilings from the show's files, levels from the bytes
(`judge.py`), the journal from its files, by a plain SQLite reader. Each rule's words stand in `promises.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec.structs import replace

from stagectl.core.effects import Arrived, Changed, Layered, Pressed, Refused, Tracked
from stagectl.core.events import Moved, PedalCame, PedalWent, Unmapped
from stagectl.story.told import Told

from .clock import MS, SECOND
from .clock_rules import ClockRules
from .desk_side import DeskRules
from .end_rules import EndRules
from .inputs import Broken, Input
from .kept import Kept
from .meaning import Meaning
from .page_rules import PageRules

if TYPE_CHECKING:
    from .night import World

QUIET: Final = frozenset(("disk", "busy", "page client", "page stands still", "page dies"))
"""Kinds of input after which no level moves."""

LATE_NS: Final = 50 * MS
"""How long a press may take to be understood where nobody holds the loop up, ns; windows and holds come on top."""

STUMBLES: Final = ("Error: ", "Exception: ", "was not understood", "is begun again")
"""What a warning has in it that tells of something raised where nobody thought of it."""

UNDO_MAX: Final = 12
TRAIL_MAX: Final = 16
QUEUE_MAX: Final = 20_000
INBOX_MAX: Final = 4_096
UNKNOWN_PER_S: Final = 20
NUDGE_UP_MAX: Final = 1_200
TOLD_MAX: Final = 256
DOUBTS_AGAINS_MAX: Final = 8


class Rules:
    """Looks on."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.desk = DeskRules(world)
        self.kept = Kept(world)
        self.meaning = Meaning(world)
        self.page = PageRules(world)
        self.clock = ClockRules(world)
        self.ends = EndRules(world)
        self._here: dict[int, bool] = {}
        self._downs: set[tuple[int, int]] = set()
        """Controls whose way down was heard since their pedal came."""
        self._heard_feet = 0
        self._steps_feet = 0
        self._unknown: dict[tuple[int, int], int] = {}
        """Messages that were recorded though nothing stands for them, by pedal and second."""
        self.checked = self.presses = self.inputs = self.packets = self.settles = 0
        """Steps, presses, inputs, packets and times of rest that were looked at."""
        self.unwell_until = 0

    # -- what comes from outside ------------------------------------------------------------------------------

    def input(self, one: Input) -> None:
        """Something happens."""
        self.inputs += 1
        if one.kind == "clock step":
            self.clock.set_(one.what[0])
        elif one.kind not in QUIET:
            self.desk.stir(one.kind)

    def unwell(self, for_ns: int) -> None:
        """For so long nothing is promised of time and wires."""
        self.unwell_until = max(self.unwell_until, self.world.clock.world + for_ns)
        self.desk.unwell(for_ns)

    def unplugged(self, name: str) -> None:
        """A cable is out, or a port takes no bytes any more."""
        self.ends.changed(name)
        if name == "desk":
            self.desk.lost()

    def plugged(self, name: str) -> None:
        """A cable is back."""
        self.ends.changed(name)

    def looks_until(self) -> int:
        """Until when the stage is looked at as it is, whatever happens, by the world's time, ns."""
        return self.desk.looks_until()

    def hand(self, spot: Any, level: Any) -> None:
        self.desk.hand(spot, level)
        self.meaning.hands.hand(spot)

    def desk_power(self, *, on: bool) -> None:
        self.desk.power(on=on)

    def no_room(self) -> None:
        self.kept.no_room()

    def deleted(self) -> None:
        self.kept.deleted()

    def edited(self) -> None:
        self.kept.edited = True

    def foot(self, _pedal: int, _packet: bytes) -> None:
        """A pedal's bytes get to whoever listens."""
        self._heard_feet += 1
        life = self.world.life
        if self._heard_feet % 64 == 0 and life is not None and life.daemon is not None:
            waits = len(life.daemon.hearing._inbox._waiting)
            if waits > INBOX_MAX:
                raise Broken(8, f"{waits} messages of feet wait")

    # -- lives ------------------------------------------------------------------------------------------------

    def begins(self) -> None:
        """A process begins."""
        self._here.clear()
        self._downs.clear()
        self._unknown.clear()
        self.meaning.begins()
        self.clock.begins()
        self.ends.begins()
        self._heard_feet = self._steps_feet = 0
        self.desk.begins()

    def taken_up(self, daemon: Any) -> None:
        """It has its state."""
        self.kept.taken_up(daemon)
        self.desk.taken_up(daemon, self.kept.whole, other_files=self.kept.other_files)

    def ready(self, line: str) -> None:
        """It is ready."""
        self.ends.warned(line)

    def said(self, lines: Any) -> None:
        """People are told something."""
        if self.world.stage.timetable:
            for line in (one for one in lines if isinstance(one, Told)):
                if line.kind == "reminder":
                    self.clock.said(line[line.head :])

    def killed(self, power: bool) -> None:
        """It is about to be no more."""
        life = self.world.life
        if life is not None and life.daemon is not None and getattr(life.daemon, "night", None) is not None:
            self.kept.killed(life.daemon, power)
            self.desk.killed(life.daemon)
        self.meaning.killed(power)

    def ended(self, error: BaseException) -> None:
        """It has ended, and says that something is the matter."""
        if not self.world.disk.full:
            raise Broken(9, f"the night could not end: {error}")

    def warned(self, line: str) -> None:
        """A warning is printed."""
        if any(word in line for word in STUMBLES):
            raise Broken(9, f"it stumbled: {line}")
        self.page.warned(line)
        self.ends.warned(line)

    def end(self) -> None:
        """The night is over."""
        self.clock.settled()
        self.kept.end()

    # -- the core ---------------------------------------------------------------------------------------------

    def stepped(self, plan: Any, before: Any, event: Any, now: int, done: Any) -> None:
        """A step was taken."""
        self.checked += 1
        self.presses += sum(isinstance(one, Pressed) for one in done.effects)
        after, effects = done.state, done.effects
        if after.now > self.world.now:
            raise Broken(10, f"the night's time is {(after.now - self.world.now) / SECOND:.3f} s ahead of the clock")
        self.kept.stepped(event, after, effects)
        self._pedals(event, after, effects)
        self._refused(plan, before, after, event, effects, now)
        self._bounded(after)
        self.desk.stepped(event, before, after, effects)
        self.meaning.stepped(plan, before, event, after, effects)
        self.page.stepped(event, before, after)
        self.ends.stepped(plan, before, event, after, effects)

    def _pedals(self, event: Any, after: Any, effects: Any) -> None:
        if isinstance(event, PedalCame | PedalWent):
            self._here[event.pedal] = isinstance(event, PedalCame)
            self._downs = {key for key in self._downs if key[0] != event.pedal}
            fired = [
                one for one in effects if isinstance(one, Pressed) and one.pedal == event.pedal and one.at >= after.now
            ]
            if fired:
                raise Broken(7, f"a pedal that came or went has fired: {fired[0]}")
        elif isinstance(event, Moved):
            self._downs.add((event.pedal, event.control))
        for one in effects:
            if isinstance(one, Pressed) and one.pedal is not None:
                if not self._here.get(one.pedal, False) and not isinstance(event, PedalWent):
                    raise Broken(7, f"a pedal that is away has fired: {one}")
                if (one.pedal, one.control) not in self._downs and not isinstance(event, PedalCame | PedalWent):
                    raise Broken(7, f"a control that was not touched since its pedal came has fired: {one}")

    def _refused(self, plan: Any, before: Any, after: Any, event: Any, effects: Any, stamp: int) -> None:
        if isinstance(event, Unmapped) and not any(isinstance(one, Refused) for one in effects):
            raise Broken(6, f"what nothing stands for was dropped: {event}")
        if isinstance(event, Moved | Unmapped):
            self._steps_feet += 1
        if isinstance(event, Unmapped):
            key = (event.pedal, stamp // SECOND)
            self._unknown[key] = self._unknown.get(key, 0) + 1
            if self._unknown[key] > UNKNOWN_PER_S:
                raise Broken(8, f"{self._unknown[key]} messages that nothing stands for are recorded in one second")
        refused = {one.press for one in effects if isinstance(one, Refused)}
        if not refused:
            if isinstance(event, Moved) and not effects and replace(after, now=0) == replace(before, now=0):
                raise Broken(6, f"an event of a foot was dropped: {event}")
            return
        others = [one for one in effects if not isinstance(one, Refused | Pressed)]
        for one in others:
            if getattr(one, "press", None) in refused and isinstance(one, Arrived | Changed | Layered):
                raise Broken(6, f"what was refused has changed something: {one}")
        moved = [one for one in others if isinstance(one, Arrived | Changed | Layered | Tracked)]
        if not moved and not self._turned(effects, refused) and after.wishes != before.wishes:
            raise Broken(6, f"a refusal has changed what is asked for: {event}")

    @staticmethod
    def _turned(effects: Any, refused: set[int]) -> bool:
        """Whether anything else was pressed in the same step."""
        return any(isinstance(one, Pressed) and one.press not in refused for one in effects)

    def _bounded(self, state: Any) -> None:
        if len(state.undo) > UNDO_MAX:
            raise Broken(8, f"{len(state.undo)} changes can be taken back, {UNDO_MAX} at the most")
        for kept in state.nudges:
            for send, one in kept.items():
                if len(one.trail) > TRAIL_MAX:
                    raise Broken(8, f"{len(one.trail)} presses of send {send} are remembered, {TRAIL_MAX} at the most")
                if one.shift > 4 * NUDGE_UP_MAX:
                    raise Broken(8, f"a nudge of send {send} has wound up to {one.shift}")
        if self.checked % 16 == 0:
            for send, doubt in state.known.doubts.items():
                if len(doubt.told) > TOLD_MAX or doubt.agains > DOUBTS_AGAINS_MAX:
                    raise Broken(8, f"what is remembered of send {send} has no bound: {doubt}")
            recorder = self.world.recorder
            if recorder is not None and len(recorder._queue) > QUEUE_MAX:
                raise Broken(8, f"{len(recorder._queue)} lines wait for the disk")

    # -- bytes ------------------------------------------------------------------------------------------------

    def sent(self, name: str, packet: bytes) -> None:
        """Bytes leave."""
        self.packets += 1
        if name == "desk":
            level = self.desk.sent(packet)
            if level:
                self.kept.leaves()

    def arrived(self, packet: bytes) -> None:
        self.desk.arrived(packet)

    def heard_desk(self, packet: bytes) -> None:
        self.desk.heard(packet)

    def written(self) -> None:
        """The recorder has had its turn."""
        self.kept.written()

    def settled(self) -> None:
        """Nothing has happened for long."""
        self.settles += 1
        self.desk.settled()
        self.kept.settled()
        self.meaning.settled()
        self.page.settled()
        self.clock.settled()
        self.ends.settled()
        self._all_heard()

    def _all_heard(self) -> None:
        """Every packet of a foot has come to the core, or was counted."""
        life = self.world.life
        if life is None or not life.ready:
            return
        ears = life.daemon.hearing.ears
        counted = sum(sum(ear.counted.values()) for ear in ears) + life.daemon.hearing._inbox.lost
        if self._steps_feet + counted < self._heard_feet:
            raise Broken(
                6, f"{self._heard_feet} packets of feet came in, {self._steps_feet} events and {counted} counted"
            )
