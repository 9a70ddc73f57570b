"""One process has a claim, and it is free when that process is gone, however it went."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from stagectl.journal import claim as claims
from stagectl.journal.claim import Claim, ClaimedError, holder_of, name_of

HOLDER = """
import sys
from pathlib import Path
from stagectl.journal.claim import Claim
held = Claim(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def holder(tmp_path: Path) -> subprocess.Popen[str]:
    """Another process that has `desk` in the folder."""
    command = [sys.executable, "-c", HOLDER, str(tmp_path / "desk")]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate()


def test_the_second_learns_who_the_first_is(tmp_path: Path, holder: subprocess.Popen[str]) -> None:
    try:
        assert holder_of(tmp_path / "desk") == holder.pid
        for _ in range(2):
            with pytest.raises(ClaimedError) as refused:
                Claim(tmp_path / "desk")
            assert refused.value.holder == holder.pid
            assert str(refused.value) == f"process {holder.pid}"
    finally:
        end(holder)
    # Killed: its file is still there, and nobody's.
    assert (tmp_path / "desk").exists()
    assert holder_of(tmp_path / "desk") is None
    mine = Claim(tmp_path / "desk")
    assert holder_of(tmp_path / "desk") == os.getpid()
    mine.give_up()
    assert not (tmp_path / "desk").exists()
    assert holder_of(tmp_path / "desk") is None


def test_who_claims_anew_need_not_wait(
    tmp_path: Path, holder: subprocess.Popen[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody took the file away, and another process has the new one: that is found out at once, in a loop, too."""
    mine = Claim(tmp_path / "mine")
    try:
        os.link(tmp_path / "desk", tmp_path / "theirs")
        os.replace(tmp_path / "theirs", tmp_path / "mine")
        monkeypatch.setattr("stagectl.journal.claim.time.sleep", lambda _: pytest.fail("it waits"))
        with pytest.raises(ClaimedError) as refused:
            mine.again(waits=False)
        assert refused.value.holder == holder.pid
        assert mine.gone
    finally:
        end(holder)
    mine.again(waits=False)
    assert not mine.gone
    mine.give_up()


def test_a_file_that_is_taken_away_meanwhile_is_nobodys_claim(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between opening and locking, the last holder may take its file away: a lock on that one is worth nothing."""
    path = tmp_path / "desk"
    first = Claim(path)
    real = claims._lock
    taken: list[int] = []

    def lock(file: int, *, shared: bool = False) -> bool:
        if not taken:
            taken.append(file)
            first.give_up()
        return real(file, shared=shared)

    monkeypatch.setattr(claims, "_lock", lock)
    second = Claim(path)
    assert holder_of(path) == os.getpid()
    assert path.exists()
    second.give_up()


def test_a_folder_of_somebody_else_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "getuid", lambda: 12_345)
    with pytest.raises(PermissionError, match="belongs to somebody else"):
        Claim(tmp_path / "desk")


def test_names_are_short_and_each_its_own() -> None:
    names = [name_of("desk", what) for what in ("a", "b", "a" * 5_000, "\udcff", "mixer ✓")]
    assert len({*names}) == 5 and all(len(name) == 29 and "/" not in name for name in names)
    assert name_of("desk", "a") != name_of("spool", "a")
