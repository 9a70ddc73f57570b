"""Rehearsing at a terminal: keys stand for the controls of each pedal.

Time passes only when a key is pressed: each press comes after everything before it is done, and its own changes
are shown when they are.
"""

from __future__ import annotations

import codecs
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, NamedTuple

from stagectl.core.actions import Ride
from stagectl.core.events import Moved
from stagectl.core.gestures import Gesture
from stagectl.core.levels import text
from stagectl.core.plan import MS, Plan
from stagectl.core.rides import PICK_UP
from stagectl.core.travel import shift_at
from stagectl.rehearse.room import Moment, Room
from stagectl.rehearse.script import Feet
from stagectl.rehearse.tell import MESSAGES_SHOWN, counted, story_lines, table
from stagectl.show.feet import gestures_of
from stagectl.show.feet_words import action_words, short
from stagectl.show.load import Show
from stagectl.show.yamltext import shown
from stagectl.story.rows import Row, stop_names
from stagectl.story.times import clock
from stagectl.story.wire import Sent
from stagectl.story.words import place

if TYPE_CHECKING:
    from rich.console import Console

KEYS: Final = "1234567890abcefgijklmnoprsuvwxyz"
"""Keys for controls, in their order; the letters d, h, q and t have a meaning of their own."""

BETWEEN_NS: Final = 1_000 * MS
"""Virtual time between the end of one press and the next."""

UNKEYED_MAX: Final = 20
"""Controls without a key that are named; more are counted."""

TURN_STEPS: Final = 8
"""Presses of `+` that take a treadle from heel to toe."""


READ_MAX: Final = 1_024
"""Bytes that are read from the terminal at once."""


class Key(NamedTuple):
    """What a key stands for: indices into the plan."""

    pedal: int
    control: int


def keys_of(plan: Plan) -> dict[str, Key]:
    """A key for each control, as far as there are keys."""
    controls = [Key(p, c) for p, pedal in enumerate(plan.pedals) for c in range(len(pedal.controls))]
    return dict(zip(KEYS, controls, strict=False))


def without_key(plan: Plan) -> str:
    """Which controls have no key, in words; nothing where all have one."""
    names = [f"{pedal.name}, {control.name}" for pedal in plan.pedals for control in pedal.controls][len(KEYS) :]
    if not names:
        return ""
    more = [f"and {len(names) - UNKEYED_MAX} more"] if len(names) > UNKEYED_MAX else []
    listed = "; ".join(names[:UNKEYED_MAX] + more)
    have = f"{counted(len(names), 'more control')} {'has' if len(names) == 1 else 'have'}"
    return f"{have} no key, and can be pressed with `--page`: {listed}"


def at_terminal(room: Room, show: Show) -> None:
    """Rehearse until `q`, Ctrl-C or Ctrl-D."""
    from rich.console import Console

    console = Console(highlight=False)
    Keyboard(room, show, console).run()


class Keyboard:
    """The keys, and what each did."""

    def __init__(self, room: Room, show: Show, console: Console) -> None:
        self.room, self.show, self.console = room, show, console
        self.plan = room.plan
        self.keys = keys_of(self.plan)
        self.now = 0
        self.next_is = "press"
        self.feet = Feet()
        self.turned: dict[Key, int] = {}
        self.treadle: Key | None = None
        self.mappings = [show.mappings[pedal.mapping] for pedal in show.rig.pedals]

    def run(self) -> None:
        self.room.open()
        self._help()
        with _single_keys() as read:
            while True:
                self._prompt()
                key = read()
                if key in ("q", "", "\x03", "\x04"):
                    self.console.print()
                    return
                self.press(key)

    def _help(self) -> None:
        say = self.console.print
        say(f"{self.show.setlist.title}: a rehearsal with the built-in desk", style="bold", markup=False)
        for line in self._controls():
            say(f"  {line}", markup=False)
        if rest := without_key(self.plan):
            say(f"  {rest}", markup=False)
        say("  h then a key: hold it    d then a key: press it twice    + and -: turn the treadle of the last key")
        if any(stop.cue is not None for stop in self.plan.stops):
            say("  space: let the track run to where it next does something")
        say("  t: all levels    ?: these keys    q: end")

    def _controls(self) -> list[str]:
        """Each key, its control, and what that does now."""
        lines = []
        for key, which in self.keys.items():
            pedal = self.plan.pedals[which.pedal]
            lines.append(f"{key}  {pedal.name}, {pedal.controls[which.control].name}   {self._does(which)}")
        return lines

    def _does(self, which: Key) -> str:
        """What a control does now: at this stop, under the layer of its pedal."""
        state, pedal = self.room.state, self.plan.pedals[which.pedal]
        layer = state.layers[which.pedal]
        written = gestures_of(
            self.show.setlist,
            self.mappings[which.pedal],
            pedal.name,
            pedal.controls[which.control].name,
            self.plan.stops[state.place.stop],
            None if layer is None else pedal.layers[layer].name,
        )
        return "; ".join(f"{gesture.value}: {action_words(action)}" for gesture, action in written.items())

    def _prompt(self) -> None:
        song, section = stop_names(self.plan, self.room.state.place.stop)
        then = "" if self.next_is == "press" else f" ({self.next_is} …)"
        track = self.room.state.track
        here = "" if track is None else f", track at {clock(track.position(self.room.state.now))}"
        self.console.print(f"[{place(song, section)}{here}]{then} ", end="", markup=False)

    def press(self, key: str) -> None:
        """A key is pressed."""
        self.console.print(shown(key), markup=False)
        if key in ("h", "d"):
            self.next_is = {"h": "hold", "d": "double press"}[key]
            return
        if key == "t":
            self._levels()
        elif key == " ":
            self._run_on()
        elif key in ("+", "-"):
            if self.treadle is None:
                self.console.print("  press the key of a treadle first")
            else:
                self._turn(self.treadle, 1 if key == "+" else -1)
        elif key in self.keys:
            which = self.keys[key]
            if self.plan.pedals[which.pedal].controls[which.control].turns:
                self.treadle = which
                self.console.print("  + turns it towards the toe, - towards the heel", markup=False)
            else:
                self._happen(which, self.next_is)
        elif key == "?":
            self._help()
        else:
            self.console.print(f"  no such key: {shown(key)}", markup=False)
        self.next_is = "press"

    def _turn(self, which: Key, way: int) -> None:
        """Turn a treadle towards its toe (1) or its heel (-1)."""
        control = self.plan.pedals[which.pedal].controls[which.control]
        top, places = control.top, control.travel.places(control.top)
        up = way if places[-1] >= places[0] else -way
        stood = self.turned.get(which)
        far = max(1, top // TURN_STEPS)
        value = self._first(which, up) if stood is None else min(top, max(0, stood + up * far))
        self.turned[which] = value
        if not self._happen(which, f"turn to {control.as_sent(value)}"):
            self.console.print("  no change")
        grip = self.room.state.grips.get(which)
        if grip is not None and not grip.holds:
            treadle, level = text(grip.shift), text(grip.out)
            self.console.print(
                f"  the treadle stands at a shift of {treadle}, the level at {level}; it takes hold where they meet"
            )

    def _first(self, which: Key, up: int) -> int:
        """Where the first turn takes a treadle, with higher values (1) or lower ones (-1). Until then it stands where
        it meets its level, and it takes hold of that: so the first turn is a small one, in the direction of the key."""
        control, state = self.plan.pedals[which.pedal].controls[which.control], self.room.state
        top, places = control.top, control.travel.places(control.top)
        turn = self.plan.does(*which, state.place.stop, state.layers[which.pedal]).get(Gesture.TURN)
        if not isinstance(turn, Ride):
            return top // 2
        shifts = [shift_at(place, turn.low, turn.high) for place in places]
        meets = min(range(top + 1), key=lambda value: abs(shifts[value]))
        ahead = range(meets, top + 1 if up > 0 else -1, up)
        return max(
            (value for value in ahead if abs(shifts[value]) <= PICK_UP), key=lambda at: abs(at - meets), default=meets
        )

    def _happen(self, which: Key, what: str) -> bool:
        """Something happens to a control; whether there was anything to show."""
        control = self.plan.pedals[which.pedal].controls[which.control]
        self.now = max(self.now, self.room.state.now) + BETWEEN_NS
        before = self._controls()
        moments: list[Moment] = []
        for after, value in self.feet.moves((which.pedal, which.control), what, control):
            event = Moved(pedal=which.pedal, control=which.control, value=value)
            moments += self.room.do(event, self.now + after)
        moments += self.room.settle()
        self._told(moments, before)
        return any(isinstance(moment, Row) and moment.kind in ("change", "refusal") for moment in moments)

    def _run_on(self) -> None:
        """Time passes until the track has done something."""
        due, before = self.room.track_due, self._controls()
        if due is None:
            self.console.print("  no track has anything to do")
            return
        self._told(self.room.wait(due) + self.room.settle(), before)

    def _told(self, moments: list[Moment], before: list[str]) -> None:
        """Show what happened, and which controls do something else now."""
        self._show(moments)
        for was, now in zip(before, self._controls(), strict=True):
            if was != now:
                self.console.print(f"  from here on  {now}", markup=False)

    def _show(self, moments: list[Moment]) -> None:
        for line in story_lines(moments):
            self.console.print(line, markup=False)
        rows = [moment for moment in moments if isinstance(moment, Row)]
        head, body = table(rows)
        if body:
            self._table(head, body)
        sent = [moment for moment in moments if isinstance(moment, Sent)]
        for one in sent[:MESSAGES_SHOWN]:
            self.console.print(one.line(), markup=False, style="dim")
        if len(sent) > MESSAGES_SHOWN:
            more = counted(len(sent) - MESSAGES_SHOWN, "more message")
            self.console.print(f"{'':>16}and {more}", style="dim")

    def _levels(self) -> None:
        wanted, width = self.room.state.wanted, self.plan.width
        known = [column for column in range(width) if any(level is not None for level in wanted[column::width])]
        body = [[self.plan.column_name(column), *map(short, wanted[column::width])] for column in known]
        self._table(["dB", *self.plan.listeners], body)

    def _table(self, head: list[str], body: list[list[str]]) -> None:
        from rich.table import Table
        from rich.text import Text

        made = Table(box=None, padding=(0, 2, 0, 0))
        for at, title in enumerate(head):
            made.add_column(Text(title), justify="left" if at == 0 else "right")
        for row in body:
            made.add_row(*(Text(cell) for cell in row))
        self.console.print(made)


_KEY_TEXT: Final = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.)?|.", re.DOTALL)
"""One key as a terminal sends it. Arrows and the like send a sequence that begins with ESC (ECMA-48, 5.4)."""


def keys_in(text: str) -> list[str]:
    """The keys in what a terminal sent at once."""
    return _KEY_TEXT.findall(text)


def _from_terminal() -> Iterator[str]:
    """Keys as they are pressed; an empty text is the end."""
    decoder = codecs.getincrementaldecoder("utf-8")("replace")
    while data := os.read(sys.stdin.fileno(), READ_MAX):
        yield from keys_in(decoder.decode(data))
    while True:
        yield ""


@contextmanager
def _single_keys() -> Iterator[Callable[[], str]]:
    """A function that reads one key without waiting for Enter; an empty text is the end."""
    if sys.platform == "win32":
        import msvcrt

        def read() -> str:
            key = msvcrt.getwch()
            # Arrows and the like come as two characters.
            return key + msvcrt.getwch() if key in "\0\xe0" else key

        yield read
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        keys = _from_terminal()
        yield lambda: next(keys)
    except KeyboardInterrupt:
        pass
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
