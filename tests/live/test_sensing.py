"""Active sensing. Source: MIDI 1.0 Detailed Specification 4.2.1: a sender says FE at most 300 ms apart, a receiver
trips above 330 ms, and one that never saw FE works normally."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stagectl.live.sensing import Sensing

MS = 1_000_000
FE, PRESS = b"\xfe", b"\xb0\x50\x7f"


def test_without_the_promise_silence_means_nothing() -> None:
    sensing = Sensing()
    assert not sensing.heard(PRESS, 0)
    assert sensing.due is None
    assert not sensing.silent(10**12)


def test_it_trips_above_330_ms_and_not_at_it() -> None:
    sensing = Sensing()
    sensing.heard(FE, 0)
    assert not sensing.silent(330 * MS)
    assert sensing.silent(330 * MS + 1)
    assert sensing.lost
    # Afterwards it works normally again: nothing is expected until FE is heard.
    assert sensing.due is None
    assert sensing.heard(PRESS, 400 * MS)
    assert not sensing.lost
    assert sensing.due is None


def test_any_message_keeps_the_promise() -> None:
    sensing = Sensing()
    sensing.heard(FE, 0)
    sensing.heard(PRESS, 300 * MS)
    assert not sensing.silent(600 * MS)
    assert sensing.silent(631 * MS)


@given(st.lists(st.integers(1, 300 * MS), min_size=1, max_size=50))
def test_a_sender_that_keeps_its_promise_never_trips(gaps: list[int]) -> None:
    sensing, now = Sensing(), 0
    sensing.heard(FE, now)
    for gap in gaps:
        now += gap
        assert not sensing.silent(now)
        sensing.heard(FE, now)
