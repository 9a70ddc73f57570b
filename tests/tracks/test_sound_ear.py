"""When a frame is heard, worked out from looks at a callback that is simulated: a sound card with a clock of its own,
late callbacks, lost blocks. The truth is known to the simulation alone."""

from __future__ import annotations

import random
from bisect import bisect_right
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.tracks.sound.ear import ENOUGH, LOOKS_MAX, Ear

S = 1_000_000_000
RATE = 48_000


class Card(NamedTuple):
    """A card that is so many millionths too fast, with blocks of frames; each callback is late by up to `late` ns, and
    a look by up to `look`. Blocks from `lost` on come one block later each."""

    ppm: int
    block: int
    late: int
    look: int
    lost: tuple[int, ...] = ()

    @property
    def frame(self) -> float:
        """How long a frame lasts, ns."""
        return S / (RATE * (1 + self.ppm / 1e6))


def played(card: Card, seconds: float, latency: int, seed: int) -> tuple[Ear, float]:
    """An ear that has looked every hundredth of a second, and when frame 0 would be heard by the blocks that are played
    now."""
    chance = random.Random(seed)
    ear = Ear(RATE, card.block, latency)
    begins = chance.uniform(0, 1e6) + 5 * S
    looks, at = [], chance.uniform(0, 1e7)
    while at < seconds * S:
        looks.append(at)
        at += 1e7 + chance.uniform(0, card.look)
    cycle, taken, shift = 0, 0, 0
    calls: list[float] = []
    frames = [0]
    while begins + cycle * card.block * card.frame < 5 * S + seconds * S:
        if cycle - shift in card.lost and shift < card.lost.index(cycle - shift) + 1:
            shift += 1
        else:
            taken += card.block
            calls.append(begins + cycle * card.block * card.frame + chance.uniform(0, card.late))
            frames.append(taken)
        cycle += 1
    for look in looks:
        ear.looked(round(5 * S + look), frames[bisect_right(calls, 5 * S + look)])
    # The blocks at the end began so much later than without what was lost; the card's own pace is in the last second.
    last_cycle = begins + (cycle - 1) * card.block * card.frame
    return ear, last_cycle + latency - (taken - card.block) * S / RATE


@given(
    ppm=st.integers(-200, 200),
    block=st.sampled_from([64, 128, 256, 512, 1_024, 2_048]),
    seed=st.integers(0, 2**32),
    late=st.integers(0, 300_000),
)
def test_it_is_right_within_a_small_part_of_a_buffer(ppm: int, block: int, seed: int, late: int) -> None:
    card = Card(ppm, block, late, 2_000_000)
    ear, truth = played(card, 3, 5_333_333, seed)
    heard = ear.heard(0)
    assert heard is not None
    # Of the last second's hundred looks, one was this near behind a callback, all but surely; and the clocks part in
    # that second by so much.
    near = block * S / RATE / 8 + 30_000 + late
    assert -abs(ppm) * 1_100 - 30_000 <= heard - truth <= near + abs(ppm) * 1_100


def test_it_follows_a_card_for_as_long_as_it_plays() -> None:
    """In 19 s, a card that is 200 millionths too fast comes 3.8 ms ahead of the system's clock."""
    ear, truth = played(Card(200, 128, 50_000, 2_000_000), 20, 0, 1)
    early, _ = played(Card(200, 128, 50_000, 2_000_000), 1, 0, 1)
    heard, then = ear.heard(0), early.heard(0)
    assert heard is not None and then is not None
    assert heard == pytest.approx(truth, abs=500_000)
    assert then - heard == pytest.approx(19 * 200_000, abs=500_000)


def test_blocks_that_were_lost_move_everything_after_them() -> None:
    one = Card(0, 512, 20_000, 2_000_000)
    ear, truth = played(one, 4, 0, 7)
    late, later = played(one._replace(lost=(100, 120)), 4, 0, 7)
    assert later - truth == pytest.approx(2 * 512 * S / RATE, abs=2)
    heard, then = ear.heard(0), late.heard(0)
    assert heard is not None and then is not None
    assert then - heard == pytest.approx(later - truth, abs=500_000)


def test_at_first_it_believes_what_the_callback_said_of_its_first_frame() -> None:
    ear = Ear(RATE, 128, 5_000_000)
    assert ear.heard(0) is None
    ear.looked(S, 0)
    assert ear.heard(0) is None
    ear.first = 2 * S
    for at in range(ENOUGH - 1):
        ear.looked(S + at * 10_000_000, 128 + at * 480)
        assert ear.heard(RATE) == 3 * S
    ear.looked(S + ENOUGH * 10_000_000, 128 + ENOUGH * 480)
    assert ear.heard(RATE) != 3 * S


def test_it_keeps_no_more_looks_than_it_may() -> None:
    ear = Ear(RATE, 128, 0)
    for at in range(3 * LOOKS_MAX):
        ear.looked(S + at * 1_000, 128)
    assert len(ear._looks) == LOOKS_MAX
