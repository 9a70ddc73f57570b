"""The changes of a journal as they are read for a report, against SQL of the tests' own, row by row: from nights that
the program writes, and from ones that it never would."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from stagectl.core.levels import OFF
from stagectl.journal.read import open_read
from stagectl.report import bundles
from stagectl.report.build import build
from stagectl.report.bundles import AT_ONCE, Changes
from stagectl.story.rows import BY_DESK, Row

from .made import END, HERE, MINUTE, SECOND, arrival, change, written

TOP = 2**63 - 1
PLAIN = "SELECT at, listener, input, what, level_after, level_sent FROM story WHERE kind = 'change' ORDER BY id"


def plainly(connection: sqlite3.Connection) -> list[tuple[Any, ...]]:
    """Each change: when, the two names, the level that counts."""
    return [
        (at, listener, input_, after if what in BY_DESK else sent)
        for at, listener, input_, what, after, sent in connection.execute(PLAIN)
    ]


def read(changes: Changes, after: int = -TOP, until: int = TOP) -> Iterator[tuple[Any, ...]]:
    for bundle in changes.between(after, until):
        for at, *rest in zip(bundle.ats, bundle.listeners, bundle.inputs, bundle.raws, strict=True):
            yield int(at), *rest


def night(path: Path, changes: int = 60) -> Path:
    """A night with every kind of level."""
    rows = [HERE, arrival(SECOND, "one")]
    for at in range(changes):
        what = ("next", "hand", "read", "nudge")[at % 4]
        level = (-600 - at, OFF, 0)[at % 3]
        row = change(SECOND + at // 5, 0, None, what, input=f"input {at % 7}")
        rows.append(row._replace(after=level, sent=None if at % 11 == 3 else level))
        rows += [Row(row.at, "press", at, "singer", "next")] * (at % 2)
    return written(path, [*rows, END])


def done(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        for statement in statements:
            connection.execute(statement)


def test_they_are_those_of_the_rows(tmp_path: Path) -> None:
    with closing(open_read(night(tmp_path / "n.night"))) as connection:
        counted: list[int] = []
        found = list(read(Changes(connection, counted.append)))
        assert found == plainly(connection) and len(found) == sum(counted) == 60
        assert {type(raw) for *_, raw in found} == {int, str, type(None)}
        some = connection.execute("SELECT id FROM story WHERE kind = 'change' ORDER BY id").fetchall()
        at, to = some[10][0], some[50][0]
        assert list(read(Changes(connection), at, to)) == found[11:51]
        reads = connection.execute("SELECT count(*) FROM story WHERE what = 'read'").fetchone()[0]
        assert sum(bundle.read for bundle in Changes(connection).between(0, TOP)) == reads == 15


def test_sound_rows_are_never_read_singly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundles, "_row_by_row", None)
    with closing(open_read(night(tmp_path / "n.night"))) as connection:
        assert len(list(read(Changes(connection)))) == 60


@pytest.mark.parametrize(
    "odd",
    [
        "input = 'lead' || char(30) || 'vocal'",
        "listener = NULL",
        "input = NULL",
        "input = ''",
        "listener = 'a, b'",
        "level_sent = 'loud', level_after = 'r'",
        "level_sent = -1.5, level_after = -1.5",
        "input = printf('%.*c', 3000, 'x')",
    ],
)
def test_what_does_not_come_out_even_is_read_all_the_same(
    tmp_path: Path, odd: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundles, "TEXT_MAX", 2500)
    path = night(tmp_path / "n.night")
    # Some are beyond what the columns take, as in a file that somebody else made.
    done(path, f"UPDATE story SET {odd} WHERE kind = 'change' AND id % 3 = 0")
    with closing(open_read(path)) as connection:
        usual = connection.getlimit(sqlite3.SQLITE_LIMIT_LENGTH)
        expected = plainly(connection)
        assert list(read(Changes(connection))) == expected
        assert connection.getlimit(sqlite3.SQLITE_LIMIT_LENGTH) == usual
    assert len(expected) == 60


@pytest.mark.parametrize("gap", [1, AT_ONCE - 1, AT_ONCE, 2**62])
def test_numbers_that_leap_cost_no_more(tmp_path: Path, gap: int) -> None:
    path = night(tmp_path / "n.night")
    half = "(SELECT max(id) / 2 FROM story)"
    done(path, f"UPDATE story SET id = id + {gap} + 1000 WHERE id > {half}")
    asked: list[str] = []
    with closing(open_read(path)) as connection:
        expected = plainly(connection)
        connection.set_trace_callback(asked.append)
        assert list(read(Changes(connection))) == expected
    assert len(asked) <= 6


def test_what_was_there_before_the_damage_counts(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    rows = [HERE, arrival(SECOND, "one"), *(change(SECOND + at, -at, -at - 100, "nudge") for at in range(3000)), END]
    written(path, rows)
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2 // 4096 * 4096
    raw[middle : middle + 4096] = b"\xff" * 4096
    path.write_bytes(raw)
    with closing(open_read(path)) as connection:
        report, _ = build(connection)
        # What the sqlite3 module gives before it fails, row by row.
        there: list[Any] = []
        with pytest.raises(sqlite3.DatabaseError):
            there.extend(connection.execute(PLAIN))
    assert 500 < len(there) <= report.counts["change"] < 2500
    cell = report.mixes[0].inputs["lead vocal"][0]
    assert isinstance(cell.level, int) and -cell.level == report.counts["change"] - 1
    assert 500 < cell.ups <= report.counts["change"]
    assert any(note.startswith("the journal cannot be read to its end") for note in report.notes)


def test_what_reads_shows_is_not_loaded_for_a_night_without_one(tmp_path: Path) -> None:
    path = written(tmp_path / "n.night", [HERE, arrival(MINUTE, "one"), change(MINUTE, -600), END])
    script = """
import sys
from stagectl.cli.main import main
main(["report", sys.argv[1], "-o", "-"], standalone_mode=False)
sys.exit(str(sorted(sys.modules.keys() & {"pydantic", "yaml", "stagectl.show.load"})))
"""
    told = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=False)
    assert (told.stderr, told.stdout[:15]) == ("[]\n", "<!DOCTYPE html>")
