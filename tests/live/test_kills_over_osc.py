"""The daemon is killed at any instant, on a disk that takes its time, and takes the night up again. More of it, by
seed: `python tests/kill_nights.py`."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from kill_nights import TRIES, Rig, moved, nights, played, read

from stagectl.core.state import State

pytestmark = [pytest.mark.ports, pytest.mark.slow]


def test_nothing_that_reached_the_desk_is_missing_and_no_level_moves_because_of_it() -> None:
    assert nights(6, 5) == []


def test_without_what_is_kept_in_memory_changes_would_be_missing() -> None:
    assert any(nights(4, seed, careless=True) for seed in range(6))


OWN_UP = (6, -300)
"""The fiddler's own send, when the press has moved it up."""


def is_sure(state: State) -> bool:
    """Whether the desk has said of every level that it has come right."""
    wanted = {send: level for send, level in enumerate(state.steps) if level is not None}
    said = all(state.known.said.get(send) == level for send, level in wanted.items())
    return OWN_UP in wanted.items() and said and all(doubt.sure or doubt.was for doubt in state.known.doubts.values())


def test_a_hand_that_moved_something_meanwhile_is_adopted_and_nothing_else_moves(tmp_path: Path) -> None:
    rig, journal = Rig(tmp_path), tmp_path / "hand.night"
    try:
        with played(rig, journal, careless=False) as (daemon, _):
            rig.press("on")
            daemon.until(lambda line: "The Ferry Waltz" in line)
            rig.press("more")
            daemon.until(lambda line: "fiddle -4 dB → -3 dB" in line)
            told = read(rig.plan, journal)
            assert moved(rig, told, rig.of_sends(rig.levels()[0])) == []
            # What the desk has not confirmed yet could not be told from a hand.
            for _ in range(TRIES):
                if is_sure(read(rig.plan, journal).state):
                    break
                rig.levels()
            daemon.process.kill()
            daemon.process.wait()
        before = rig.of_sends(rig.levels()[0])
        rig.desk.say("move 1 1 -9")
        with played(rig, journal, careless=False) as (daemon, ready):
            assert ", at The Ferry Waltz (" in ready
            daemon.until(lambda line: "a hand at the desk: singer: voice" in line)
            rig.press("more")
            daemon.until(lambda line: "fiddle -3 dB → -2 dB" in line)
            after, heard = rig.levels()
            daemon.close(signal.SIGTERM)
        hand = rig.plan.send(0, 0)
        changed = {send for send, level in rig.of_sends(after).items() if level != before[send]}
        assert changed <= {hand, rig.plan.send(1, 1)} and rig.of_sends(after)[hand] == -900
        assert {send for one in heard for send in rig.of_sends(dict([one]))} <= changed | {hand}
        assert (journal.with_suffix(".night-wal")).exists() is False
    finally:
        rig.close()
