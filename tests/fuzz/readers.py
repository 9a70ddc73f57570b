"""Everything that reads a journal: what `log`, `replay`, `report`, `keep` and `nights` do, and taking a night up again.
Each may refuse a journal, in a sentence; whatever else comes out of them is a finding."""

from __future__ import annotations

import json
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any, Final

from click.testing import CliRunner

from fuzz.texts import SETLISTS
from stagectl.cli import log_lines
from stagectl.cli.main import main
from stagectl.cli.nights import lines as listing_lines
from stagectl.errors import FileFaults, JournalError
from stagectl.journal.headings import Headings
from stagectl.journal.query import Asking, last, names
from stagectl.journal.query import Wanted as Asked
from stagectl.journal.read import events, files_of, night, open_read, rows, sensibly
from stagectl.keep.again import Record
from stagectl.keep.nights import lesson_of, night_of
from stagectl.live.broken_off import broken_off
from stagectl.live.resume import chapters, take_up
from stagectl.report.listing import one
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show

LINE_MAX: Final = 100_000
"""Characters of a line that a person is told, with room."""


@cache
def show() -> tuple[Show, Compiled]:
    """The smallest show and its plan."""
    found = load_show(SETLISTS / "three-songs")
    return found, compile_show(found)


def read_all(path: Path) -> None:
    """Everything that reads a journal reads this one. Each may only refuse it, in a sentence."""
    before = path.read_bytes()
    for reads in (tells, _json, _csv, _filters, _replay, _report, _keep, _listed, _resume):
        try:
            reads(path)
        except (JournalError, FileFaults) as error:
            # The program says it as `main.fail` does.
            _bounded(str(error))
    assert path.read_bytes() == before
    assert {one.name for one in path.parent.iterdir()} <= {"a.night", "a.night-wal", "a.night-shm"}


def _told(text: str) -> None:
    """What goes to a terminal moves no cursor and changes no colour."""
    _bounded(text)
    assert not any((ord(char) < 32 and char != "\n") or 127 <= ord(char) < 160 for char in text), repr(text[:300])


def _bounded(text: str) -> None:
    assert max(map(len, text.split("\n"))) < LINE_MAX


def tells(path: Path) -> None:
    """The story in lines for people."""
    with closing(open_read(path)) as connection:
        about = night(connection)
        _told(log_lines.heading(about))
        for clock in (False, True):
            said = log_lines.for_people(about, clock)
            for some in log_lines.whole_presses(rows(connection)):
                _told(said(some))


def _json(path: Path) -> None:
    with closing(open_read(path)) as connection:
        said = log_lines.as_json(connection)
        for some in log_lines.whole_presses(rows(connection)):
            for line in said(some).splitlines():
                json.loads(line, parse_constant=_no_constant)


def _no_constant(name: str) -> None:
    raise AssertionError(f"{name} is no number of JSON")


def _csv(path: Path) -> None:
    with closing(open_read(path)) as connection:
        said = log_lines.as_csv(night(connection))
        for some in log_lines.whole_presses(rows(connection)):
            said(some)


def _filters(path: Path) -> None:
    with closing(open_read(path)) as connection:
        last(connection)
        for part in ("listener", "song", "pedal"):
            for name in names(connection, part)[:2]:
                wanted: dict[str, Any] = {part: name}
                asking = Asking(connection, Asked(**wanted))
                for _ in Headings(connection).over(asking.rows()):
                    pass
        list(Asking(connection, Asked(refused=True, slow_us=1)).rows())


def _replay(path: Path) -> None:
    _told(_command("replay", str(path)))


def _command(*words: str) -> str:
    """What a command says; it ends as one that was given something faulty may."""
    ran = CliRunner().invoke(main, words)
    if ran.exception is not None and not isinstance(ran.exception, SystemExit):
        raise ran.exception
    assert ran.exit_code in (0, 1), (ran.exit_code, ran.output)
    _told(ran.stderr)
    return ran.stdout


def _report(path: Path) -> None:
    # One half of all nights as figures, the other as a page, beside a show that is named.
    if path.stat().st_size and sum(path.read_bytes()) % 2:
        json.loads(_command("report", str(path), "-o", "-", "--json") or "{}", parse_constant=_no_constant)
    else:
        assert "<script" not in _command("report", str(path), "-o", "-", "--setlist", str(SETLISTS / "three-songs"))


def _keep(path: Path) -> None:
    with closing(open_read(path)) as connection:
        record = Record(
            chapters(files_of(connection, path), None, None), lambda: events(connection), lambda: rows(connection)
        )
        with sensibly("an event of the journal cannot be played again"):
            found = night_of(show()[0], "a night", None, record)
        lesson_of(show()[0], [found])


def _listed(path: Path) -> None:
    for line in listing_lines([one(path)]):
        _told(line)


def _resume(path: Path) -> None:
    """Taken up again by the first who may: the file is put back afterwards, since that is no reading."""
    raw = path.read_bytes()
    found = broken_off(path)
    if found is None:
        return
    try:
        taken = take_up(found, *_on(), found.zero + 1, found.wall_us + 1_000_000, lambda _: None)
        taken.recorder.close()
    finally:
        for beside in ("-wal", "-shm"):
            Path(f"{path}{beside}").unlink(missing_ok=True)
        path.write_bytes(raw)


def _on() -> tuple[Show, Any]:
    found, compiled = show()
    return found, compiled.plan
