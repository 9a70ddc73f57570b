"""The player's process on a JACK server, heard by a second client: what it plays, sample by sample, and when, by JACK's
own clock."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from processes import children
from sound_stage import OUTPUTS, RATE, Player, S, jack_server, player, stem, takes

from stagectl.core.tempo import BarChange, by_bars
from stagectl.tracks.song import SongTrack, SoundDevice, Stem
from stagectl.tracks.sound.orders import plain_track
from stagectl.tracks.sound.playing import FADE_S, fade
from stagectl.tracks.sound.stems import Blend

pytestmark = [pytest.mark.ports, pytest.mark.slow]

NOISE = np.random.default_rng(7).uniform(0.05, 0.2, (RATE, 3)).astype(np.float32)
"""A second in which no sample is zero."""

FADE = round(FADE_S * RATE)


@pytest.fixture(scope="module")
def process() -> Iterator[Player]:
    """One process on one server for all tests that leave both alive."""
    with jack_server(), player() as process:
        here = process.event("here")
        assert (here["device"], here["rate"], here["frames"]) == ("system", RATE, 512)
        yield process


def song(folder: Path, song: int = 1, click: tuple[int, ...] = (4,)) -> SongTrack:
    """A second of noise on three outputs, two bars of click before and through it."""
    return SongTrack(
        song=song,
        name="Lanterns",
        stems=(stem(folder / "a", NOISE[:, :2], [2, 1]), stem(folder / "b", NOISE[:, 2], [3])),
        tempo=by_bars([BarChange(1, Fraction(960))]),
        lead=S // 2,
        click=click,
    )


def wanted(track: SongTrack) -> NDArray[np.float32]:
    """All of it, as it is blended; how that is right is shown elsewhere."""
    with Blend(track, RATE, OUTPUTS) as blend:
        return np.concatenate(list(blend.blocks()))


def test_every_sample_is_on_its_output_from_the_count_in_to_the_end(process: Player, tmp_path: Path) -> None:
    track = song(tmp_path)
    (ready,) = process.keep(track)
    assert ready == {"is": "ready", "song": 1, "length": S, "notes": []}

    def act() -> None:
        process.start(1, -S // 2)
        process.event("ended", turn=process.turn)

    take = takes(process, act, tmp_path)
    # The count-in is a click alone; its tone begins at zero, so the stems tell where it began.
    begins = take.begins(0) - RATE // 2
    assert begins == take.begins(1) - RATE // 2 == take.begins(2) - RATE // 2
    expected = wanted(track)
    assert np.array_equal(take.samples[begins : begins + len(expected)], expected)
    assert not take.samples[:begins].any()
    assert not take.samples[begins + len(expected) :].any()


def test_pause_go_on_and_another_start(process: Player, tmp_path: Path) -> None:
    track = song(tmp_path, 2, click=())
    process.keep(track)
    places: list[int] = []

    def act() -> None:
        places.clear()
        process.start(2, 0)
        process.order(do="pause")
        paused = process.event("said", turn=process.turn, runs=False)
        process.start(2, paused["position"])
        process.start(2, S // 2)
        process.order(do="stop")
        stopped = process.event("said", turn=process.turn, runs=False)
        moved = [one for one in process.seen if one["is"] == "said" and one["turn"] == process.turn - 1]
        assert moved[-1]["runs"] is False
        places.extend((one["position"] * RATE + S // 2) // S for one in (paused, moved[-1], stopped))

    take = takes(process, act, tmp_path)
    first, second, third = places
    # From the beginning at once, to where it was paused and faded; from there on, rising, with nothing left out; and
    # from the middle, while that still fades.
    parts = [
        part(0, first),
        part(first, second, rises=True),
        part(RATE // 2, third, rises=True),
    ]
    left = take.samples[:, :3].astype(np.float64)
    at = 0
    for wanted_part in parts:
        # What rises begins so softly that its first frames may count as silence.
        heard = at + int(np.flatnonzero(np.abs(left[at:]).max(axis=1) > 1e-6)[0])
        at = min(range(max(0, heard - 4), heard + 1), key=lambda place: _differs(left[place:], wanted_part))
        left[at:][: len(wanted_part)] -= wanted_part
    assert np.abs(left).max() < 1e-6


def _differs(heard: NDArray[np.float64], wanted_part: NDArray[np.float64]) -> float:
    """How far the first frames are from those that are wanted; the next part may begin soon."""
    return float(np.abs(heard[:24] - wanted_part[:24]).max())


def part(begins: int, ends: int, *, rises: bool = False) -> NDArray[np.float64]:
    """A part of the noise as it should be heard: to a frame, and a fade from there."""
    out = NOISE[begins : ends + FADE, [1, 0, 2]].astype(np.float64)
    out[ends - begins :] *= fade(FADE)
    if rises:
        out[:FADE] *= 1 - fade(FADE)
    return out


TRIES = 3
"""With no sound card and no real-time priority JACK's own count of frames falls behind now and then, and says so only
later: what is judged by it is played again."""


def test_it_says_when_it_is_heard_by_the_clock_of_jack(process: Player, tmp_path: Path) -> None:
    """A block is 10.7 ms, and the latency two of them: it may not be off by either. What is said first is told by one
    callback, which may have come late, if not by a block, for JACK would have counted that; what is said then, by the
    best of many."""
    track = song(tmp_path, 3, click=())
    process.keep(track)
    since = 0

    def act() -> None:
        nonlocal since
        since = len(process.seen)
        process.start(3, -S // 4)
        process.event("ended", turn=process.turn)

    for _ in range(TRIES):
        take = takes(process, act, tmp_path)
        assert take.latency == 1_024
        begins = take.begins()
        said = [one for one in process.seen[since:] if one["is"] == "said"]
        assert len(said) >= 6
        assert [one["runs"] for one in said] == [True] * (len(said) - 1) + [False]
        assert said[0]["position"] == -S // 4
        assert said[-1]["position"] == S
        offs = [one["at"] - take.heard_at(begins) - one["position"] for one in said]
        if -2_500_000 < offs[0] < take.block * S // RATE and max(map(abs, offs[1:])) < 2_500_000:
            return
    raise AssertionError(offs)


def test_what_makes_no_sense_is_said_and_does_no_harm(process: Player, tmp_path: Path) -> None:
    track = song(tmp_path, 4)
    process.keep(track)
    for order in ({}, {"do": "dance"}, {"do": "start"}, {"do": "keep", "songs": [{"song": 1}]}):
        process.order(**order)
        assert process.event("trouble")["text"].startswith("an order made no sense to the player: ")
    process.say("{ no json")
    process.say('"do"')
    for position in (-S, 2 * S, 10**30):
        process.order(do="start", turn=99, song=4, position=position)
        assert process.event("failed")["text"].startswith("Lanterns has no place ")
    process.order(do="start", turn=99, song=77, position=0)
    assert process.event("failed", song=77)["text"] == "the track is not ready yet; it is being made ready"
    assert process.start(4)["runs"] is True
    process.order(do="stop")
    process.event("said", runs=False)


def test_only_what_is_wanted_is_kept_and_what_fails_says_why(process: Player, tmp_path: Path) -> None:
    good = [song(tmp_path, number) for number in (5, 6)]
    bad = SongTrack(song=7, name="Rows", stems=(stem(tmp_path / "c", NOISE[:, 0], [9]),))
    process.order(do="keep", songs=[])
    process.keep(*good)
    process.order(do="start", turn=50, song=6, position=0)
    assert process.event("said")["turn"] == 50
    process.order(do="keep", songs=[])
    # What plays goes on playing.
    assert process.event("ended")["turn"] == 50
    process.order(do="start", turn=51, song=6, position=0)
    process.event("failed", song=6)
    process.order(do="keep", songs=[plain_track(bad), plain_track(good[0])])
    text = process.event("unready", song=7)["text"]
    assert text == f"the stem `{tmp_path / 'c'}` of Rows goes to output 9; the sound device has outputs 1 to 4"
    process.event("ready", song=5)
    # It is tried again when it is asked for again, and a stem that was written anew is made ready anew.
    stem(tmp_path / "a", NOISE[:500, :2], [2, 1])
    stem(tmp_path / "b", NOISE[:600, 2], [3])
    process.order(do="keep", songs=[plain_track(good[0])])
    assert process.event("ready", song=5)["length"] == 600 * S // RATE


def test_what_is_wanted_first_waits_for_nothing_else(process: Player, tmp_path: Path) -> None:
    """Ten minutes of silence would be made ready first, and are not; and in the end by nobody."""
    soundfile.write(tmp_path / "long", np.zeros(600 * 8_000), 8_000, format="WAV")
    long = SongTrack(song=8, name="Rows", stems=(Stem(path=str(tmp_path / "long"), outputs=(1, 2)),))
    short = song(tmp_path, 9)
    process.order(do="keep", songs=[plain_track(long)])
    process.order(do="keep", songs=[plain_track(short), plain_track(long)])
    process.event("ready", song=9)
    assert not any(one["is"] == "ready" and one["song"] == 8 for one in process.seen)
    process.order(do="keep", songs=[])
    limit = time.monotonic() + 10
    while time.monotonic() < limit:
        at_work = children(process.process.pid)
        if not any("prepare" in command for command in at_work.values()):
            return
    raise AssertionError(at_work)


def test_a_device_that_is_not_there(process: Player) -> None:
    """Whatever else is wanted of it is said in one sentence, and the process ends."""
    cases = {
        SoundDevice(name="sytsem", outputs=2): "no sound device `sytsem`; did you mean `system`?",
        SoundDevice(name="SYS", outputs=9): "the sound device `system` has 8 outputs; 9 are wanted",
        SoundDevice(rate=44_100): "the sound device `system` does not play 44,100 frames a second: it says 48,000",
    }
    for device, sentence in cases.items():
        with player(device) as other:
            assert other.event("gone")["text"].startswith(sentence)
            assert other.process.wait(10) == 3
    with player(SoundDevice(name="stem", frames=64)) as other:
        assert other.event("here")["frames"] == 512
        assert "512 frames, not 64: on JACK its server decides" in other.event("trouble")["text"]


def test_it_ends_with_its_standard_input(process: Player, tmp_path: Path) -> None:
    with player() as other:
        other.event("here")
        other.keep(song(tmp_path))
        other.start(1)
        assert other.process.stdin is not None
        other.process.send_signal(signal.SIGINT)
        other.process.stdin.close()
        assert other.event("said", runs=False)
        assert other.process.wait(10) == 0
