"""The keys of a night's page outlive a crash, and nobody else reads them."""

from __future__ import annotations

import os
import signal
import stat
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from nights import playing
from page_stage import LIMIT_S, Stage, address, ended

from stagectl.journal.record import begin
from stagectl.journal.schema import Night
from stagectl.live.page_keys import NIGHTS_MAX, KeptKeys, NightKeys


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for what runs, of the test alone."""
    folder = tmp_path / "running"
    monkeypatch.setattr("stagectl.live.page_keys.running", lambda: folder)
    return folder


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.close()


def night(path: Path, begun: int = 1) -> Path:
    """A journal that has just been begun."""
    head = Night(setlist="t", venue=None, begun_us=begun, program="test", zero=7)
    with closing(begin(path, head, lambda _: None)):
        return path


def keys(journal: Path, said: list[str] | None = None) -> NightKeys:
    return KeptKeys(journal).keys((said if said is not None else []).append)


def test_a_night_that_is_taken_up_has_the_keys_that_it_had_wherever_its_journal_is(own: Path, tmp_path: Path) -> None:
    journal = night(tmp_path / "one.night")
    first = keys(journal)
    assert min(map(len, first)) >= 22 and first.read != first.control
    assert keys(journal) == first
    assert keys(journal.rename(tmp_path / "moved.night")) == first
    assert keys(night(tmp_path / "one.night", begun=2)) != first
    [one, other] = own.iterdir()
    assert [stat.S_IMODE(file.stat().st_mode) for file in (own, one, other)] == [0o700, 0o600, 0o600]
    for key in first:
        assert key.encode() not in (tmp_path / "moved.night").read_bytes()
    KeptKeys(tmp_path / "moved.night").forget()
    assert len([*own.iterdir()]) == 1
    assert keys(tmp_path / "moved.night") != first


def test_keys_that_somebody_else_may_know_are_not_used(own: Path, tmp_path: Path) -> None:
    journal = night(tmp_path / "a.night")
    known, path = keys(journal), KeptKeys(journal).path
    assert path is not None
    spoils: list[Callable[[Path], object]] = [
        lambda path: path.chmod(0o644),
        lambda path: path.write_text('{"read": "", "control": "c"}'),
        lambda path: path.write_text('{"read": "same", "control": "same"}'),
        lambda path: path.write_text('["r", "c"]'),
        lambda path: path.write_bytes(b"\xff" * 10_000),
        lambda path: os.symlink(path.rename(tmp_path / "elsewhere"), path),
    ]
    for spoil in spoils:
        spoil(path)
        other = keys(journal)
        assert other != known and "same" not in other
        known = keys(journal)
        assert known == other and not path.is_symlink()


def test_where_they_cannot_be_kept_the_night_has_keys_and_it_is_said(own: Path, tmp_path: Path) -> None:
    own.write_text("no folder")
    said: list[str] = []
    made = keys(night(tmp_path / "a.night"), said)
    assert all(made) and len(said) == 1 and "after a crash" in said[0]
    assert not any(key in said[0] for key in made)
    assert all(keys(tmp_path / "no.night"))
    KeptKeys(tmp_path / "a.night").forget()


def test_the_keys_of_nights_that_were_never_taken_up_have_a_bound(own: Path, tmp_path: Path) -> None:
    last = None
    for begun in range(NIGHTS_MAX + 5):
        journal = night(tmp_path / f"{begun}.night", begun)
        last = keys(journal)
        os.utime(KeptKeys(journal).path or "", (begun, begun))
    assert len([*own.iterdir()]) == NIGHTS_MAX
    assert keys(journal) == last


def test_after_a_crash_whoever_was_let_in_is_let_in_again(stage: Stage) -> None:
    """And a clean end takes the keys away."""
    controls = "page with controls"
    with playing(stage.show, stage.journal, "--page", "127.0.0.1:0", "--control") as daemon:
        first = address(daemon, controls)
        kept = KeptKeys(stage.journal).path
        assert kept is not None and kept.exists()
        os.kill(daemon.process.pid, signal.SIGKILL)
        daemon.process.wait(LIMIT_S)
    with playing(stage.show, stage.journal, "--page", "127.0.0.1:0", "--control") as daemon:
        assert address(daemon, controls).partition("?")[2] == first.partition("?")[2]
        ended(daemon)
    assert not kept.exists()
