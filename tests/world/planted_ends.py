"""Bugs at the ends of the wires: the desk's silence, stored scenes, keyboards, players and the page; in what the clock
on the wall brings, in what is bounded, and in a journal to which something was done."""

from __future__ import annotations

from typing import Final

from .planted_bug import Bug

OF_ENDS: Final = (
    Bug(
        "probe always asks for the same",
        2,
        "live/desk.py",
        "        self._send(next(self._probes))\n",
        "        self._send(self.talk.ask(0) or self.talk.ask_all())\n",
        needs=("osc", "wires", "hand"),
    ),
    Bug(
        "after a stored scene only what differs is told",
        2,
        "core/stored.py",
        "    work.set(asked=nothing, retell=frozenset(), left=frozenset(), scene_owed=None, known=known)\n",
        "    work.set(retell=frozenset(), left=frozenset(), scene_owed=None, known=known)\n",
        needs=("stored",),
    ),
    Bug(
        "what a stored scene brings counts as a hand's",
        2,
        "core/answers.py",
        "    if stored is None:\n        return False\n",
        "    if stored is None or state.now >= 0:\n        return False\n",
        needs=("stored",),
    ),
    Bug(
        "nobody is told of a whole mix that is off",
        2,
        "live/whole_mixes.py",
        "        return off_at_the_desk(self._plan, state) if state.desk_here else None\n",
        "        return None\n",
        needs=("mix off",),
    ),
    Bug(
        "lost player still counts as here",
        9,
        "core/tracks.py",
        "    work.set(players_here=work.state.players_here - out, players_run=work.state.players_run - out)\n",
        "    work.set(players_run=work.state.players_run - out)\n",
        needs=("sound", "sound dies"),
    ),
    # -- keyboards --------------------------------------------------------------------------------------------
    Bug(
        "auto-repeat counts as a foot",
        7,
        "pedals/keyboard.py",
        "            self.counted[AUTO_REPEAT] += 1\n            return []\n",
        """\
            self.counted[AUTO_REPEAT] += 1
            again = self._controls.get(code)
            moves = () if again is None else (UP, DOWN)
            return [Moved(pedal=self.pedal, control=again or 0, value=one) for one in moves]
""",
    ),
    Bug(
        "key that came up unheard stays down",
        7,
        "pedals/keyboard.py",
        "            return [(code, UP) for code in up]\n",
        "            return [(code, DOWN) for code in up]\n",
        needs=("keys lost",),
    ),
    Bug(
        "keyboard is looked for only once",
        7,
        "live/links.py",
        "        if self._looks % KEYBOARD_LOOKS != 1 or find_keyboard(",
        "        if self._looks != 1 or find_keyboard(",
        needs=("keyboard out",),
    ),
    # -- the page ---------------------------------------------------------------------------------------------
    Bug(
        "page's pipe without bound",
        8,
        "view/client.py",
        "            if pipe.transport.get_write_buffer_size() > WAITING_MAX:\n",
        "            if pipe.transport.get_write_buffer_size() > 99 * WAITING_MAX:\n",
        needs=("page stands still",),
    ),
    Bug(
        "boards without bound while nobody looks",
        8,
        "live/page.py",
        "            every = EVERY_S if self.clients else IDLE_S\n",
        "            every = EVERY_S\n",
        needs=("page dies",),
    ),
    Bug(
        "board is drawn on the way of a press",
        9,
        "live/page.py",
        "strict=False)):\n            self._soon()\n",
        "strict=False)):\n            self._make()\n",
        needs=("page",),
    ),
    Bug(
        "page that takes nothing holds up the others",
        "stage page",
        "view/audience.py",
        "        new, self._new = self._new, {}\n",
        """\
        if any(client.waiting for client in self.clients):
            return
        new, self._new = self._new, {}
""",
        needs=("page client",),
    ),
    Bug(
        "page that comes again is given no boards",
        "stage page",
        "view/client.py",
        "                self._waiting = dict.fromkeys(self._boards)\n",
        "                self._waiting = {}\n",
        needs=("page client", "page dies"),
    ),
    Bug(
        "late want is done all the same",
        "stage page",
        "view/client.py",
        "                if ago_s > LATE_S:\n",
        "                if ago_s > 99 * LATE_S:\n",
        needs=("late",),
    ),
    # -- the clock on the wall --------------------------------------------------------------------------------
    Bug(
        "reminders go by the clock that was",
        "clock",
        "live/daemon.py",
        "        self.jobs.stepped(by_s)\n",
        "",
        needs=("timetable", "clock step"),
    ),
    Bug(
        "reminder comes again when the clock is set back",
        "clock",
        "live/timetable.py",
        "            if one.key not in self._said and (one.at > now or one.key not in self._gone)\n",
        "            if one.at > now or one.key not in self._gone\n",
        needs=("timetable", "clock step"),
    ),
    Bug(
        "missed reminders are not told",
        "clock",
        "live/timetable.py",
        "        if missed and not self._untold:\n",
        "        if missed and self._untold:\n",
        needs=("timetable", "clock step"),
    ),
    # -- bounds -----------------------------------------------------------------------------------------------
    Bug(
        "what can be undone has no bound",
        8,
        "core/work.py",
        "        return (*self.state.undo, entry)[-UNDO_MAX:]\n",
        "        return (*self.state.undo, entry)\n",
    ),
    Bug(
        "nudge's trail has no bound",
        8,
        "core/nudges.py",
        "kept.room))[-TRAIL_MAX:]\n",
        "kept.room))\n",
    ),
    # -- the journal, after something has been done to it -------------------------------------------------------
    Bug(
        "journal that was deleted is not written anew",
        4,
        "journal/write.py",
        "        if old is None or (which(path) == self._file and",
        "        if old is None or path or (which(path) == self._file and",
        needs=("journal deleted",),
    ),
    Bug(
        "journal is written anew without what came in",
        5,
        "journal/anew.py",
        '        copy.execute("PRAGMA journal_mode = DELETE").fetchone()\n',
        '        copy.execute("DELETE FROM heard")\n        copy.execute("PRAGMA journal_mode = DELETE").fetchone()\n',
        needs=("journal deleted",),
    ),
    Bug(
        "after an edit the desk's levels are not kept",
        5,
        "live/daemon.py",
        "        self.printer.say(lines(taken.edits))\n",
        """\
        self.printer.say(lines(taken.edits))
        if taken.changed:
            from stagectl.core.events import DeskSaid

            write = self.journal.write

            def forgets(rows: Any, wall_us: int, heard: Any = None) -> int:
                from stagectl.story.heard import KINDS

                said = heard is not None and heard.kind == KINDS.index(DeskSaid)
                return write(rows, wall_us, None if said else heard)

            self.journal.write = forgets
""",
        needs=("edit",),
    ),
)
