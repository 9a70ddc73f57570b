"""Rehearsing at a terminal: keys stand for the controls of each pedal.

Time passes only when a key is pressed: each press comes after everything before it is done, and its own changes
are shown when they are.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, NamedTuple

from stagectl.core.events import Moved
from stagectl.core.gestures import Gesture
from stagectl.core.levels import Level, text
from stagectl.core.plan import MS, Plan
from stagectl.rehearse.room import Moment, Room
from stagectl.rehearse.script import moves_of
from stagectl.rehearse.tell import MESSAGES_SHOWN, story_lines, table
from stagectl.show.load import Show
from stagectl.story.rows import Row, stop_names
from stagectl.story.wire import Sent
from stagectl.story.words import place

if TYPE_CHECKING:
    from rich.console import Console

KEYS: Final = "1234567890abcefgijklmnoprsuvwxyz"
"""Keys for controls, in their order; the letters d, h, q and t have a meaning of their own."""

BETWEEN_NS: Final = 1_000 * MS
"""Virtual time between the end of one press and the next."""

TURN_STEPS: Final = 8
"""Presses of `+` that take a treadle from heel to toe."""


class Key(NamedTuple):
    """What a key stands for: indices into the plan."""

    pedal: int
    control: int


def keys_of(plan: Plan) -> dict[str, Key]:
    """A key for each control, as far as there are keys."""
    controls = [Key(p, c) for p, pedal in enumerate(plan.pedals) for c in range(len(pedal.controls))]
    return dict(zip(KEYS, controls, strict=False))


def at_terminal(room: Room, show: Show) -> None:
    """Rehearse until `q`, Ctrl-C or Ctrl-D."""
    from rich.console import Console

    console = Console(highlight=False)
    _Desk(room, show, console).run()


class _Desk:
    """The keys, and what each did."""

    def __init__(self, room: Room, show: Show, console: Console) -> None:
        self.room, self.console = room, console
        self.plan = room.plan
        self.keys = keys_of(self.plan)
        self.now = 0
        self.next_is = "press"
        self.turned: dict[Key, int] = {}
        self.treadle: Key | None = None
        self.title = show.setlist.title

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
                self._key(key)

    def _help(self) -> None:
        say = self.console.print
        say(f"{self.title}: a rehearsal with the built-in desk", style="bold", markup=False)
        for key, which in self.keys.items():
            pedal = self.plan.pedals[which.pedal]
            control = pedal.controls[which.control]
            does = "; ".join(f"{gesture.value}: {action.word}" for gesture, action in control.does.items())
            say(f"  {key}  {pedal.name}, {control.name}   {does}", markup=False)
        say("  h then a key: hold it    d then a key: press it twice    + and -: turn the treadle of the last key")
        say("  t: all levels    q: end")

    def _prompt(self) -> None:
        song, section = stop_names(self.plan, self.room.state.place.stop)
        then = "" if self.next_is == "press" else f" ({self.next_is} …)"
        self.console.print(f"[{place(song, section)}]{then} ", end="", markup=False)

    def _key(self, key: str) -> None:
        self.console.print(key, markup=False)
        if key in "hd":
            self.next_is = {"h": "hold", "d": "double press"}[key]
            return
        if key == "t":
            self._levels()
        elif key in "+-" and self.treadle is not None:
            self._turn(self.treadle, 1 if key == "+" else -1)
        elif key in self.keys:
            which = self.keys[key]
            if Gesture.TURN in self.plan.pedals[which.pedal].controls[which.control].does:
                self.treadle = which
                self.console.print("  + and - turn it now", markup=False)
            else:
                self._happen(which, self.next_is)
        else:
            self._help()
        self.next_is = "press"

    def _turn(self, which: Key, way: int) -> None:
        top = self.plan.pedals[which.pedal].controls[which.control].top
        step = max(1, top // TURN_STEPS)
        value = min(top, max(0, self.turned.get(which, top // 2) + way * step))
        self.turned[which] = value
        self._happen(which, f"turn to {value}")

    def _happen(self, which: Key, what: str) -> None:
        control = self.plan.pedals[which.pedal].controls[which.control]
        self.now = max(self.now, self.room.state.now) + BETWEEN_NS
        moments: list[Moment] = []
        for after, value in moves_of(what, control):
            event = Moved(pedal=which.pedal, control=which.control, value=value)
            moments += self.room.do(event, self.now + after)
        moments += self.room.wait()
        self._show(moments)

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
            self.console.print(f"{'':>16}and {len(sent) - MESSAGES_SHOWN} more messages", style="dim")

    def _levels(self) -> None:
        wanted, width = self.room.state.wanted, self.plan.width
        known = [column for column in range(width) if any(level is not None for level in wanted[column::width])]
        body = [[self.plan.column_name(column), *map(_cell, wanted[column::width])] for column in known]
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


def _cell(level: Level | None) -> str:
    return "" if level is None else text(level).removesuffix(" dB")


@contextmanager
def _single_keys() -> Iterator[Callable[[], str]]:
    """A function that reads one key without waiting for Enter; an empty text is the end."""
    if sys.platform == "win32":
        import msvcrt

        yield msvcrt.getwch
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        yield lambda: sys.stdin.read(1)
    except KeyboardInterrupt:
        pass
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
