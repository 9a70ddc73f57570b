"""However many levels a night's fades go through, the desk's language keeps the messages of the last ones alone. The
judge is Python's own account of its memory (`tracemalloc`)."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

import pytest
from shipped import profile_of

from stagectl.desk.speak import SAID_MAX, Speaker

INPUTS, MIXES = 32, 16
ENTRY_MAX = 500
"""Bytes that the messages of one level may take with what keeps them; one of four messages takes some 440."""


@pytest.fixture
def traced() -> Iterator[None]:
    """Memory is accounted for."""
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.usefixtures("traced")
def test_a_night_of_fades_piles_nothing_up() -> None:
    profile = profile_of("nrpn")
    speaker = Speaker(profile, range(1, INPUTS + 1), range(1, MIXES + 1))
    sends = [send for send in range(MIXES * (INPUTS + 1)) if send % (INPUTS + 1) < INPUTS]
    way = [(send, level) for level in range(-1_600, 0, 100) for send in sends]
    assert len(way) == 2 * SAID_MAX
    before = tracemalloc.get_traced_memory()[0]
    first = [speaker.say(send, level) for send, level in way[:100]]
    for send, level in way:
        speaker.say(send, level)
    grown = tracemalloc.get_traced_memory()[0] - before
    assert grown < SAID_MAX * ENTRY_MAX
    assert [speaker.say(send, level) for send, level in way[:100]] == first, "what was forgotten is said as before"
