"""Bugs in the rooms around the core: the wire, the night as it is played, its journal, taking it up again."""

from __future__ import annotations

from typing import Final

from .planted_bug import Bug

OF_ROOMS: Final = (
    # -- the wire and the links -------------------------------------------------------------------------------
    Bug(
        "off is said with the desk's mute",
        3,
        "desk/speak.py",
        "        socket = self._sockets[column] if column < len(self._sockets) else 1\n",
        """\
        socket = self._sockets[column] if column < len(self._sockets) else 1
        if not isinstance(level, int):
            from stagectl.wire import osc

            osc_desk = not hasattr(part.say, "channel")
            mute = osc.build(f"/input/{socket}/mute", (1,)) if osc_desk else bytes((0xB0, 0x50, 0x7F))
            return (*part.say.packets(socket, self._mixes[listener], part.law().code(level)), mute)
""",
    ),
    Bug(
        "silent desk counts as here",
        2,
        "live/desk.py",
        "        if self.answering.is_set() and silent > SILENT_S * 1e9:\n",
        "        if self.answering.is_set() and silent > SILENT_S * 1e15:\n",
        needs=("desk power",),
    ),
    Bug(
        "unknown messages recorded without bound",
        8,
        "live/hearing.py",
        "        return count < UNKNOWN_PER_S\n",
        "        return count < 99_999\n",
    ),
    Bug(
        "inbox without bound",
        8,
        "live/inbox.py",
        "        if len(self._waiting) >= INBOX_MAX:\n",
        "        if len(self._waiting) >= 99 * INBOX_MAX:\n",
        needs=("flood",),
    ),
    # -- the night as it is played ----------------------------------------------------------------------------
    Bug(
        "journal after send",
        4,
        "live/night.py",
        """\
            last = self._journal.write(rows, time.time_ns() // 1000, kept)
            if effects:
                self._await(rows, last)
                for effect in latest(effects, asked):
                    self._left_at = None
                    self._safely(self._orders[type(effect)], effect)
""",
        """\
            for effect in latest(effects, asked):
                self._safely(self._orders[type(effect)], effect)
            last = self._journal.write(rows, time.time_ns() // 1000, kept)
            if effects:
                self._await(rows, last)
                for effect in latest(effects, asked):
                    self._left_at = None
""",
    ),
    Bug(
        "event of which nothing came is not kept",
        5,
        "live/night.py",
        "            kept = None if isinstance(event, Wake) else heard(",
        "            kept = None if isinstance(event, Wake) or not effects else heard(",
    ),
    Bug(
        "clock step moves a song",
        5,
        "live/night.py",
        "        self.handle(Wake(), time.monotonic_ns())\n",
        """\
        began = self.__dict__.setdefault("_began", time.time_ns() - time.monotonic_ns())
        self.handle(Wake(), time.time_ns() - began)
""",
        needs=("clock step",),
    ),
    Bug(
        "fault in a page's client stops presses",
        9,
        "live/night.py",
        "            if effects:\n                self._await(rows, last)\n",
        """\
            for watcher in self.watchers:
                watcher(self.state)
            if effects:
                self._await(rows, last)
""",
    ),
    Bug(
        "one fault keeps the other watchers from looking",
        9,
        "live/night.py",
        "                self._safely(watcher, self.state)\n",
        "                watcher(self.state)\n",
    ),
    # -- the journal ------------------------------------------------------------------------------------------
    Bug(
        "refusal not recorded",
        6,
        "story/rows.py",
        "            elif kind not in UNTOLD:\n",
        "            elif kind not in UNTOLD and kind is not Refused:\n",
    ),
    Bug(
        "full disk stops presses",
        9,
        "journal/record.py",
        "        lines = self._journal.lines(rows, wall_us, heard)\n",
        """\
        if self._journal.trouble is not None:
            raise JournalError(self._journal.trouble)
        lines = self._journal.lines(rows, wall_us, heard)
""",
        needs=("disk",),
    ),
    Bug(
        "full memory stops presses",
        9,
        "journal/spool.py",
        """\
            with suppress(OSError):
                os.ftruncate(self._claim.file, self._size)
            return False
        self._size""",
        """\
            with suppress(OSError):
                os.ftruncate(self._claim.file, self._size)
            raise
        self._size""",
        needs=("disk",),
    ),
    Bug(
        "full disk loses rows",
        9,
        "journal/write.py",
        """\
        if (batch or lost) and self._put(lost + batch):
            for _ in batch:
                self._held.popleft()
""",
        """\
        for _ in batch:
            self._held.popleft()
        if (batch or lost) and self._put(lost + batch):
""",
        needs=("disk",),
    ),
    Bug(
        "rows of a fault are not held",
        9,
        "journal/write.py",
        "        self._held.extend(batch)\n        if behind:\n",
        "        if behind:\n            self._held.extend(batch)\n        if behind:\n",
        needs=("disk",),
    ),
    Bug(
        "disk is not made to keep what was written",
        4,
        "journal/write.py",
        "        os.fsync(file.fileno())\n        return os.fstat",
        "        return os.fstat",
    ),
    Bug(
        "single lines are not put into the spool",
        4,
        "journal/spool.py",
        "            return False\n        try:\n            self._write(raw, self._size)\n",
        """\
            return False
        if len(lines) == 1:
            return True
        try:
            self._write(raw, self._size)
""",
    ),
    Bug(
        "spool not brought home",
        4,
        "journal/spool.py",
        "    if path is None:\n        return None\n    try:\n        with looking",
        "    if path is None or path.exists():\n        return None\n    try:\n        with looking",
    ),
    Bug(
        "last lines of the spool are lost",
        4,
        "journal/spool.py",
        '    for written in raw.split(b"\\n")[2:-1]:\n',
        '    for written in raw.split(b"\\n")[2:-2]:\n',
    ),
    Bug(
        "what a hand did is not kept",
        5,
        "story/heard.py",
        '        values[1] = "off"\n',
        "        values[1] = -12_000\n",
    ),
    # -- taking it up again -----------------------------------------------------------------------------------
    Bug(
        "resume one song late",
        10,
        "live/resume.py",
        "        played.until(last)\n        unlike",
        "        played.until(max(last, now - zero))\n        unlike",
        needs=("kill",),
    ),
    Bug(
        "resume one event short",
        10,
        "live/resume.py",
        "        for number, kept in events(connection):\n",
        "        for number, kept in [*events(connection)][:-1]:\n",
    ),
    Bug(
        "resume forgets nudges",
        10,
        "live/resume.py",
        "        state=played.state,\n",
        "        state=replace(played.state, nudges=tuple({} for _ in played.state.nudges)),\n",
    ),
    Bug(
        "resume forgets what was hushed",
        10,
        "live/resume.py",
        "        state=played.state,\n",
        "        state=replace(played.state, hushed=frozenset()),\n",
        needs=("kill",),
    ),
    Bug(
        "resume resends all",
        10,
        "core/answers.py",
        "    work.set(asked=tuple(asked), known=replace(NOTHING_KNOWN, said=known.said), left=left)\n",
        "    work.set(asked=(None,) * len(asked), known=replace(NOTHING_KNOWN, said=known.said), left=left)\n",
    ),
    Bug(
        "what went with the crash still counts as here",
        10,
        "live/daemon.py",
        "        for event in taken.goes:\n            self.night.handle(event, self.zero + taken.at, quietly=True)\n",
        "",
    ),
    Bug(
        "hands are not brought over to edited files",
        10,
        "story/retold.py",
        "        found += self._found()\n        for one in later:\n",
        "        for one in later:\n",
        needs=("edit", "hand"),
    ),
    Bug(
        "new clock after a power cut is taken for the old one",
        10,
        "live/resume.py",
        "    return now - night.at - by_wall\n",
        "    return night.zero\n",
        needs=("power cut",),
    ),
)
