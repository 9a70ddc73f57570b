"""A playing frame by frame: whatever is asked for and whenever, what comes out of rtmixer's own callback is the song
from its frame on, faded where it was said to be, and then nothing."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
import pytest
from driven_device import DrivenDevice
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from stagectl.tracks.song import SongTrack
from stagectl.tracks.sound.playing import AHEAD_S, FADE_S, START_S, Playing, fade
from stagectl.tracks.sound.shelf import Ready

RATE = 8_000
RING = 8_192
FADE = round(FADE_S * RATE)
SONG = np.random.default_rng(6).uniform(0.1, 0.9, (60_000, 2)).astype(np.float32)


def ready(frames: int, lead: int = 0) -> Ready:
    return Ready(SongTrack(song=1, name="Rows"), lead, SONG[:frames])


def risen(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """As it comes in from the middle of a song."""
    out = samples.copy()
    out[:FADE] *= (1 - fade(FADE))[: len(out)]
    return out


@given(
    length=st.integers(1, 60_000),
    where=st.floats(0, 1, exclude_max=True),
    lead=st.integers(0, 3_000),
    block=st.sampled_from([16, 64, 128, 1_024]),
    steps=st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=30),
)
def test_what_is_played_and_faded_is_known_to_the_frame(
    length: int, where: float, lead: int, block: int, steps: Sequence[tuple[int, bool]]
) -> None:
    device = DrivenDevice(rate=RATE, frames=block)
    frame = int(where * length)
    playing = Playing(device, ready(length, min(lead, length)), 1, frame)
    came = [np.zeros((0, 2), np.float32)]
    unseen = 0
    for calls, looks in steps:
        calls = min(calls, RING // 2 // block)
        came.append(device.call(calls))
        unseen += calls * block
        # At most a ring between two looks: what is held up for longer is another test's.
        if looks or unseen > RING // 2:
            playing.look()
            unseen = 0
    playing.look()
    taken = sum(map(len, came))
    expected = SONG[frame:length]
    if frame not in (0, min(lead, length)):
        expected = risen(expected)
    if not playing.over:
        place, _ = playing.fade_out()
        assert place - frame <= taken + 2 * block + round(AHEAD_S * RATE)
        assert place - frame == min(taken + 2 * block + round(AHEAD_S * RATE), length - frame)
        falling = expected[place - frame :][:FADE]
        expected = np.concatenate([expected[: place - frame], falling * fade(len(falling))])
    for _ in range(3):
        came.append(device.call(RING // block // 2))
        playing.look()
    came.append(device.call(2))
    playing.look()
    assert playing.over
    out = np.concatenate(came)
    assert np.array_equal(out[: len(expected)], expected[: len(out)])
    assert len(out) >= len(expected)
    assert not out[len(expected) :].any()
    assert playing.stuttered == 0


@pytest.mark.parametrize("taken", range(RING - 6 * 64, 3 * RING // 2, 64))
def test_a_fade_anywhere_in_the_ring(taken: int) -> None:
    """Also where it, or the silence after it, goes on at the ring's beginning."""
    device = DrivenDevice(rate=RATE)
    playing = Playing(device, ready(60_000), 1, 0)
    device.call(RING // 2 // 64)
    playing.look()
    device.call((taken - RING // 2) // 64)
    playing.look()
    place, _ = playing.fade_out()
    out = device.call(RING // 64)
    expected = np.zeros((RING, 2), np.float32)
    expected[: place - taken] = SONG[taken:place]
    expected[place - taken :][:FADE] = SONG[place:][:FADE] * fade(FADE)
    assert np.array_equal(out, expected)


@pytest.mark.parametrize("lead", [0, 1_000])
@pytest.mark.parametrize("frame", [0, 1_000])
def test_the_beginning_and_the_end_of_a_count_in_are_no_middle(lead: int, frame: int) -> None:
    device = DrivenDevice(rate=RATE)
    Playing(device, ready(60_000, lead), 1, frame)
    expected = SONG[frame : frame + 640]
    assert np.array_equal(device.call(10), expected if frame in (0, lead) else risen(expected))


@pytest.mark.parametrize("ago_s", [0, 0.5, -2])
def test_it_begins_so_long_after_it_was_asked_for(ago_s: float) -> None:
    """However long the order took to come; at once, where it took longer than that."""
    device = DrivenDevice(rate=RATE)
    asked = time.monotonic_ns() - round(ago_s * 1e9)
    Playing(device, ready(60_000), 1, 0, asked)
    took = (time.monotonic_ns() - asked) / 1e9 - ago_s
    out = device.call(3 * RATE // 64)
    begins = int(np.flatnonzero(out.any(axis=1))[0])
    due = max(0, (START_S - ago_s) * RATE + 64)
    assert max(0, due - took * RATE - 1) <= begins <= due + 1
    heard = out[begins:][:2_000]
    assert np.array_equal(heard, SONG[: len(heard)])


def test_a_fade_falls_by_half_a_cosine_without_a_step() -> None:
    falls = fade(FADE)[:, 0]
    assert np.all(np.diff(falls) < 0)
    assert 0 < falls[-1] < 0.001 < 0.999 < falls[0] < 1
    assert np.abs(np.diff(falls, prepend=1, append=0)).max() < np.pi / 2 / FADE
    assert falls + falls[::-1] == pytest.approx(np.ones(FADE))


def test_pausing_and_going_on_leaves_nothing_out() -> None:
    device = DrivenDevice(rate=RATE)
    first = Playing(device, ready(60_000), 1, 0)
    before = device.call(100)
    place, _ = first.fade_out()
    before = np.concatenate([before, device.call(20)])
    after = Playing(device, ready(60_000), 2, place)
    out = device.call(100)
    assert after.over is False
    assert np.array_equal(before[:place], SONG[:place])
    assert np.array_equal(out[:FADE], risen(SONG[place : place + FADE]))
    assert np.array_equal(out[FADE:], SONG[place + FADE : place + len(out)])


def test_another_start_fades_the_one_before_and_both_are_added() -> None:
    device = DrivenDevice(rate=RATE)
    first = Playing(device, ready(60_000), 1, 0)
    device.call(10)
    place, _ = first.fade_out()
    Playing(device, ready(60_000), 2, 0)
    out = device.call(10)
    old = np.zeros((640, 2), np.float32)
    old[: place - 640] = SONG[640:place]
    old[place - 640 :][:FADE] = (SONG[place:][:FADE] * fade(FADE))[: 640 - (place - 640)]
    assert out == pytest.approx(old + SONG[:640], abs=1e-6)


def test_a_process_that_was_held_up_goes_on_where_the_ring_was_empty() -> None:
    device = DrivenDevice(rate=RATE)
    playing = Playing(device, ready(60_000), 1, 0)
    out = device.call(RING // 64 + 10)
    assert np.array_equal(out[:RING], SONG[:RING])
    assert not out[RING:].any()
    playing.look()
    assert playing.stuttered == 1 and not playing.over
    assert np.array_equal(device.call(10), risen(SONG[RING : RING + 640]))
    playing.look()
    heard = playing.ear.heard(0)
    assert heard is not None


def test_fading_before_anything_was_played() -> None:
    device = DrivenDevice(rate=RATE)
    playing = Playing(device, ready(60_000), 1, 0)
    assert playing.heard() is None
    place, _ = playing.fade_out()
    out = device.call(20)
    assert np.array_equal(out[:place], SONG[:place])
    assert not out[place + FADE :].any()


def test_a_fade_in_the_last_frames_ends_with_the_song() -> None:
    device = DrivenDevice(rate=RATE)
    playing = Playing(device, ready(1_000), 1, 0)
    device.call(12)
    place, _ = playing.fade_out()
    assert place == min(12 * 64 + 2 * 64 + 40, 1_000)
    out = device.call(6)
    left = 1_000 - place
    assert np.array_equal(out[place - 768 : 232], SONG[place:1_000] * fade(left))
    assert not out[232:].any()
    playing.look()
    assert playing.over
