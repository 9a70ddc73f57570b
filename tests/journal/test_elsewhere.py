"""A night whose journal takes no more goes on in a copy of it; from then on the copy is the night's journal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from stagectl.errors import JournalError
from stagectl.journal import elsewhere, read, spool
from stagectl.journal.claim import running
from stagectl.journal.elsewhere import copied, unwritable
from stagectl.journal.paths import by_name, ordered
from stagectl.journal.write import Journal

from .nights import NIGHT, WALL, numbered, story, whole
from .test_record import killed
from .test_spool import ON_ITS_WAY, THE_FIVE

READ_ONLY = "it may not be written to"


@pytest.fixture
def broken_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A journal of which five lines are on their way, and get no further: its disk is read-only."""
    path = tmp_path / "nights" / "2026-11-25T19-30-00.night"
    path.parent.mkdir()
    with killed(path, ON_ITS_WAY):
        pass
    for module in (elsewhere, read):
        monkeypatch.setattr(module, "bring_home", lambda _: READ_ONLY)
    yield path
    for left in running().glob("*.spool"):
        if spool._where(left) == path:
            left.unlink()


def test_a_copy_has_what_was_on_its_way_too(broken_off: Path, tmp_path: Path) -> None:
    assert unwritable(broken_off) == READ_ONLY
    taken = tmp_path / "taken"
    taken.write_text("no folder")
    copy = copied(broken_off, [taken, tmp_path / "spare"])
    assert copy == tmp_path / "spare" / broken_off.name
    assert story(broken_off) == [] and story(copy) == THE_FIVE and whole(copy)
    assert [one.name for one in copy.parent.iterdir()] == [copy.name]
    assert by_name(broken_off.parent, copy.parent) == ordered(broken_off.parent, copy.parent) == [copy]


def test_where_no_folder_takes_it_it_stays_as_it_is(broken_off: Path, tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("no folder")
    with pytest.raises(JournalError, match=r"nor can it be copied: .*taken.*: File exists"):
        copied(broken_off, [taken])
    with pytest.raises(JournalError, match="there is no other folder"):
        copied(broken_off, [])
    assert story(broken_off) == [] and spool.on_its_way(broken_off)


def test_a_journal_that_can_be_written_stays_where_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write(numbered(1, 3), WALL)
    assert unwritable(path) is None
    assert [row.at for row in story(path)] == [1, 2, 3]


def test_two_nights_of_one_name_are_two(tmp_path: Path) -> None:
    name = "2026-11-25T19-30-00.night"
    paths = [tmp_path / folder / name for folder in ("nights", "spare")]
    for at, path in enumerate(paths):
        Journal.create(path, replace(NIGHT, begun_us=WALL + at)).close()
    assert by_name(*(path.parent for path in paths)) == paths
