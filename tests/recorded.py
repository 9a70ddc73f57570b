"""A rehearsal that is recorded as a night is, with all that its desk says: a real journal, in no time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from stagectl.core.effects import Effect
from stagectl.core.events import Event, Moved, Wake
from stagectl.core.plan import Plan
from stagectl.journal.record import Recorder, begin
from stagectl.journal.schema import Night
from stagectl.rehearse.room import Moment, Room, Timed
from stagectl.rehearse.script import read_script
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.heard import heard
from stagectl.story.rows import Row, Teller

WALL_US = 1_795_635_000_000_000
"""2026-11-25T19:30:00Z, µs."""

SAID = b"\xb0\x50\x7f"
"""What stands for the bytes of every press."""


class _Overheard(Teller):
    """What a room tells of each event, handed on."""

    def __init__(self, plan: Plan, keep: Callable[[list[Row]], None]) -> None:
        super().__init__(plan)
        self._keep = keep

    def rows(self, effects: Iterable[Effect], now: int | None = None) -> list[Row]:
        rows = super().rows(effects, now)
        self._keep(rows)
        return rows


class Recorded(Room):
    """A rehearsal with a recorder."""

    def __init__(self, show: Show, compiled: Compiled, recorder: Recorder) -> None:
        super().__init__(show, compiled)
        self.recorder = recorder
        self.changes = 0
        self._event: Event = Wake()
        self._teller = _Overheard(self.plan, self._write)

    def _step(self, event: Event, now: int) -> list[Moment]:
        self._event = event
        return super()._step(event, now)

    def _write(self, rows: list[Row]) -> None:
        event, now = self._event, self.state.now
        kept = None if isinstance(event, Wake) else heard(event, now, SAID if isinstance(event, Moved) else None)
        self.recorder.write(rows, WALL_US + now // 1_000, kept)
        self.changes += sum(one.kind == "change" for one in rows)


def recorded(show: Show, path: Path, venue: str | None = None) -> Recorded:
    """A night of a show that begins, in a journal at `path`."""
    setlist = str(show.sources["setlist"].path.resolve())
    head = Night(
        setlist=show.setlist.title, venue=venue, begun_us=WALL_US, program="test", path=setlist, files=show.files
    )
    return Recorded(show, compile_show(show, venue), begin(path, head, lambda _: None))


def record_night(
    folder: Path, path: Path, presses: Sequence[Timed] | None = None, *, venue: str | None = None, ends: bool = True
) -> Recorded:
    """A night of a show, by its own script where no presses are given, in a journal at `path`."""
    show = load_show(folder)
    room = recorded(show, path, venue)
    recorder = room.recorder
    if presses is None:
        presses = read_script(show.folder / "presses.yaml", room.plan)
    for _ in room.play(presses):
        pass
    if ends:
        recorder.write([Row(room.state.now, "end")], WALL_US + room.state.now // 1_000)
    recorder.go()
    recorder.close()
    return room
