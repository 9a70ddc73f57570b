"""What presses mean, looked at after each step: the promises of the design's chapters "Levels", "Scene changes" and
"Advancing", as a bystander with a notepad would check them.

Nothing here asks the core what is right: each check has its own small memory of what feet did, and compares what people
had asked for before a step with what they ask for after it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from stagectl.core.effects import Arrived, Changed, Layered, Pressed, Reason, Refused, Track, Tracked
from stagectl.core.events import Moved, Wanted
from stagectl.core.levels import Off
from stagectl.core.targets import scene_levels

from .clock import MS
from .feet_rules import ADVANCING, FeetRules
from .hand_rules import HandRules
from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

LEVELS, CHANGES = 11, 12

PICK_UP: Final = 50
"""How near a treadle has to be to its level to take hold of it, hundredths of a dB."""

ASKED: Final = ("place", "nudges", "rides", "hushed", "wanted", "undo", "last_next", "layers", "recalled")
"""What of the state a refusal leaves alone."""

COMES_TO: Final = ("nudge", "nudge rest", "next", "back", "hush")
"""What changes something, or is refused."""

OWN: Final = ("nudge", "nudge rest", "hush", "clear nudges", "ride")
"""What somebody does to their own mix alone, where it does not say `everyone`."""


FRESH_NS: Final = 30_000_000_000
"""For so long a step to another stop is taken back by an undo, ns."""


class Meaning:
    """Looks on."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._refusals = 0
        self._cut = False
        self.hands = HandRules(world)
        self.begins()

    def begins(self) -> None:
        """A process begins: what is known of feet counts no more."""
        self._next: int | None = None
        self._last: tuple[str, int, Any] | None = None
        self.feet = FeetRules(self.world)

    def killed(self, power: bool) -> None:
        """The process is no more."""
        self.hands.echoes_lost = True
        self._cut = self._cut or power or self.world.rules.kept.lost

    def begun_anew(self) -> None:
        """There is a new journal, and nothing in it yet."""
        self._refusals, self._cut = 0, False

    def stepped(self, plan: Any, before: Any, event: Any, after: Any, effects: Any) -> None:
        """A step was taken."""
        self._refusals += sum(isinstance(one, Refused) for one in effects)
        self.feet.stepped(plan, event, after, effects)
        self._nexts(plan, before, effects)
        self._tracks(plan, before, effects)
        self.hands.stepped(before, event, after, effects)
        alone = _alone(effects)
        if alone is not None and not before.touches:
            self._refused(before, after, effects, alone)
        if alone is not None:
            self._does(plan, before, event, after, effects, alone)
            self._ways(before, after, effects, alone)
        self._undone(before, after, effects, alone)
        self.feet.stepped_after(event)

    @staticmethod
    def _refused(before: Any, after: Any, effects: Any, by: Pressed) -> None:
        """What is refused leaves everything as it was, and what is not comes to something."""
        if any(isinstance(one, Refused) for one in effects):
            for name in ASKED:
                if getattr(after, name) != getattr(before, name):
                    raise Broken(6, f"`{by.what}` was refused, and has changed `{name}`")
        elif by.what in COMES_TO and after.wishes == before.wishes and len(effects) == 1:
            raise Broken(6, f"nothing came of `{by.what}`, and nothing is said of it")

    # -- what one press does ----------------------------------------------------------------------------------

    def _does(self, plan: Any, before: Any, event: Any, after: Any, effects: Any, by: Pressed) -> None:
        """The only thing that was pressed in a step."""
        action, listener = _asked(plan, before, event, by)
        if any(isinstance(one, Refused) for one in effects) or before.touches:
            return
        everyone = getattr(action, "everyone", None)
        whose = getattr(action, "listener", None)
        whose = listener if whose is None else whose
        if by.what in OWN and action is not None and not everyone and whose is not None:
            for one in effects:
                for send, _, _ in one.moves if isinstance(one, Changed) and one.press == by.press else ():
                    if plan.listener_of(send) != whose:
                        raise Broken(3, f"`{by.what}` of {plan.listeners[whose]} moves the {plan.send_name(send)}")
        if by.what == "hush" and action is not None:
            all_ = frozenset(range(len(plan.listeners)))
            mixes = all_ if everyone or listener is None else frozenset((listener,))
            down = before.hushed - mixes if mixes <= before.hushed else before.hushed | mixes
            if after.hushed != down:
                raise Broken(ADVANCING, f"a hush of {sorted(mixes)} over {sorted(before.hushed)} leaves {after.hushed}")
        if by.what == "fall back" and (after.rides or any(_plain(after.wishes)[1])):
            raise Broken(ADVANCING, f"after falling back somebody's nudges and rides stand: {_plain(after.wishes)}")
        if by.what in ("nudge", "nudge rest") and after.place == before.place:
            self._nudged(plan, before, after)
        if by.what == "ride" and isinstance(event, Moved):
            self._ridden(before, event, after)

    @staticmethod
    def _nudged(plan: Any, before: Any, after: Any) -> None:
        """A nudge goes no further than it is heard, and no further than its range."""
        base = scene_levels(plan, after.place)
        for send in {send for kept in after.nudges for send in kept}:
            level, bounds = base[send], plan.bounds[send]
            if not isinstance(level, int) or bounds is None:
                continue
            old, new = (
                level + state.rides.get(send, 0) + sum(kept[send].shift for kept in state.nudges if send in kept)
                for state in (before, after)
            )
            if any(
                _presses(was, send) > _presses(is_, send) for was, is_ in zip(before.nudges, after.nudges, strict=True)
            ):
                # A press was taken back: what was there before it may be held lower now, as after a change of song.
                continue
            if new > old and new > max(bounds.top, min(level, plan.limits.nudge_floor)):
                raise Broken(
                    LEVELS, f"the {plan.send_name(send)} is nudged to {new}, and goes no higher than {bounds.top}"
                )
            if new > old and new > level + plan.limits.nudge_up:
                raise Broken(8, f"the {plan.send_name(send)} is nudged {new - level} above its scene")

    def _ridden(self, before: Any, event: Moved, after: Any) -> None:
        """The first value of a treadle moves nothing that is not where the treadle is."""
        if not self.feet.first(event) or any(grip.due is not None for grip in before.grips.values()):
            return
        for send, shift in after.rides.items():
            by = abs(shift - before.rides.get(send, 0))
            if by > PICK_UP:
                raise Broken(LEVELS, f"a treadle's first value makes send {send} jump by {by}")

    @staticmethod
    def _ways(before: Any, after: Any, effects: Any, by: Pressed) -> None:
        """The fade that a press has begun: at once, and what falls before what rises."""
        fade = after.fade
        if fade is None or fade is before.fade or fade.catches_up or fade.press != by.press:
            return
        # What was due before the press, and what the press has told already, are on the wire too.
        wire = max(0, before.wire_free - by.at, after.wire_free - by.at)
        stored = any(type(one).__name__ == "RecallStored" for one in effects)
        if fade.begun - by.at > wire and not stored:
            raise Broken(CHANGES, f"a press waits for {(fade.begun - by.at) / MS:.1f} ms, the wire for {wire / MS:.1f}")
        if any(isinstance(one, Arrived) for one in effects):
            rose = False
            for glide in fade.glides:
                rises = glide.start is None or _height(glide.end) > _height(glide.start)
                if rose and not rises:
                    raise Broken(CHANGES, f"send {glide.send} falls after others have risen")
                rose = rose or rises

    # -- next, undo -------------------------------------------------------------------------------------------

    def _nexts(self, plan: Any, before: Any, effects: Any) -> None:
        """Two within the settle time count once; the second does not make the time longer."""
        refused = {one.press: one.reason for one in effects if isinstance(one, Refused)}
        settle = plan.limits.settle_ns
        for one in effects:
            if not isinstance(one, Pressed) or one.what != "next":
                continue
            why = refused.get(one.press)
            gap = None if self._next is None else one.at - self._next
            if gap is not None and gap < settle and why is None:
                raise Broken(ADVANCING, f"a `next` {gap / MS:.0f} ms after another one counts")
            if gap is not None and gap >= settle and why is Reason.TOO_SOON:
                raise Broken(6, f"a `next` is refused {gap / MS:.0f} ms after the last one that counted")
            if why is None:
                self._next = one.at

    def _undone(self, before: Any, after: Any, effects: Any, by: Pressed | None) -> None:
        """An undo brings back what was asked for before, all of it, and is of one's own. A step of long ago stays, and
        so does the end of a hush."""
        last, refused = self._last, any(isinstance(one, Refused) for one in effects)
        by_hand = any(isinstance(one, Changed) and one.cause == "hand" for one in effects)
        if by is not None and by.what == "undo" and not refused and not by_hand:
            self._last = None
            gone = [one for one in before.undo if not any(one is kept for kept in after.undo)]
            others = [one.who for one in gone if one.who not in (by.who, "desk")]
            if others:
                raise Broken(ADVANCING, f"{by.who} takes back what {others[0]} has done")
            if not after.hushed <= before.hushed:
                raise Broken(ADVANCING, f"an undo hushes {sorted(after.hushed - before.hushed)}")
            if last is not None and last[0] == by.who:
                self._back(before, after, last[2], by.at - last[1])
        elif by_hand:
            self._last = None
        elif after.wishes != before.wishes:
            once = by is not None and not refused and by.what != "ride" and after.hushed >= before.hushed
            self._last = (by.who, by.at, _plain(before.wishes)) if by is not None and once else None

    @staticmethod
    def _back(before: Any, after: Any, was: Any, ago: int) -> None:
        """An undo has found what was changed last, so long ago, ns."""
        stop = was[0].stop
        if stop != before.place.stop and ago > FRESH_NS:
            if after.place.stop == stop:
                raise Broken(ADVANCING, f"an undo takes back a step of {ago / MS / 1_000:.0f} s ago")
        elif _plain(after.wishes) != was:
            raise Broken(LEVELS, f"undo gives {_plain(after.wishes)}, and before it was {was}")

    # -- tracks -----------------------------------------------------------------------------------------------

    @staticmethod
    def _tracks(plan: Any, before: Any, effects: Any) -> None:
        """A section that a track gets to is one further on, and brought once; its end brings the next song."""
        stop = before.place.stop
        arrived = {one.press: one.stop for one in effects if isinstance(one, Arrived)}
        for one in effects:
            if isinstance(one, Tracked) and one.what is Track.REACHED and arrived.get(one.press, stop) <= stop:
                raise Broken(ADVANCING, f"a track brings a section where the night is already, or was: {one}")
            if isinstance(one, Tracked) and one.what is Track.ENDED and one.press in arrived:
                song = plan.stops[arrived[one.press]].song
                if song != plan.stops[stop].song + 1:
                    raise Broken(ADVANCING, f"a track's end brings song {song} after song {plan.stops[stop].song}")
            if isinstance(one, Arrived):
                stop = one.stop

    # -- at rest ----------------------------------------------------------------------------------------------

    def settled(self) -> None:
        """Nothing has happened for long."""
        self.feet.settled()
        self.hands.settled()

    def end(self, journal: Any) -> None:
        """The night is over. `journal`: a plain connection to it."""
        (rows,) = journal.execute("SELECT count(*) FROM story WHERE kind = 'refusal'").fetchone()
        if not self._cut and rows < self._refusals:
            raise Broken(6, f"{self._refusals} times something was refused, and the journal has {rows} of them")


def _alone(effects: Any) -> Pressed | None:
    """What was pressed, where nothing else has happened in the step."""
    kinds = Pressed | Arrived | Changed | Tracked | Layered | Refused
    presses = {one.press for one in effects if isinstance(one, kinds)}
    pressed = [one for one in effects if isinstance(one, Pressed)]
    return pressed[0] if len(presses) == 1 and len(pressed) == 1 else None


def _asked(plan: Any, before: Any, event: Any, by: Pressed) -> tuple[Any, int | None]:
    """The action that was asked for, where that is sure, and the listener whose foot it was."""
    if by.pedal is None:
        return (event.action, event.listener) if isinstance(event, Wanted) else (None, None)
    key = (by.pedal, by.control)
    hand = before.hands.get(key)
    stop, layer = before.place.stop, before.layers[by.pedal]
    does = plan.does(*key, stop, layer) if hand is None else hand.does
    action = next((one for gesture, one in does.items() if gesture.value == by.gesture), None)
    return (action if action is not None and action.word == by.what else None), plan.pedals[by.pedal].listener


def _plain(wishes: Any) -> tuple[Any, ...]:
    """What is asked for, without how it came to it."""
    nudges = tuple(
        {send: (one.shift, one.lift) for send, one in kept.items() if not one.nothing} for kept in wishes.nudges
    )
    return wishes.place, nudges, {send: shift for send, shift in wishes.rides.items() if shift}, wishes.hushed


def _presses(kept: Any, send: int) -> int:
    """How many presses a nudge remembers."""
    return len(kept[send].trail) if send in kept else 0


def _height(level: Any) -> int:
    return -(10**6) if isinstance(level, Off) else int(level)
