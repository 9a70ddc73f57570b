"""Stems and click added up for the outputs: sample by sample against numpy's own arithmetic, the conversion of rates
against the formula of a tone, the click against beats counted by hand: a quarter note at T a minute lasts 60/T s."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from stagectl.core.tempo import BarChange, Metre, TempoMap, by_bars
from stagectl.tracks.song import SongTrack, Stem
from stagectl.tracks.sound import stems
from stagectl.tracks.sound.click import ACCENT_DB, ACCENT_HZ, CLICK_DB, CLICK_HZ, CLICK_S, Click, frames_of
from stagectl.tracks.sound.files import TRACK_MAX_S, BadSound
from stagectl.tracks.sound.orders import plain_track, track_from
from stagectl.tracks.sound.stems import CUT_FADE_S, Blend

RATE = 48_000
S = 1_000_000_000
NOISE = np.random.default_rng(5).uniform(-0.2, 0.2, (150_000, 8)).astype(np.float32)


def blended(track: SongTrack, outputs: int = 4, rate: int = RATE) -> tuple[NDArray[np.float32], list[str]]:
    """All of a track for a device, and the notes."""
    with Blend(track, rate, outputs) as blend:
        out = np.concatenate([np.zeros((0, outputs), np.float32), *blend.blocks()])
        assert len(out) == blend.frames
        return out, blend.notes


def track(*given: Stem, **more: Any) -> SongTrack:
    return SongTrack(song=1, name="Rows", stems=given, **more)


def stem(path: Path, samples: NDArray[np.floating], outputs: Sequence[int], rate: int = RATE) -> Stem:
    soundfile.write(path, samples, rate, subtype="FLOAT", format="WAV")
    return Stem(path=str(path), outputs=tuple(outputs))


# -- where what goes ------------------------------------------------------------------------------------------


def test_every_channel_is_on_its_output_sample_by_sample(tmp_path: Path) -> None:
    stereo = stem(tmp_path / "a", NOISE[:, :2], [4, 1])
    mono = stem(tmp_path / "b", NOISE[:70_000, 2], [1, 3])
    out, notes = blended(track(stereo, mono, lead=S // 2))
    assert notes == []
    expected = np.zeros((24_000 + 150_000, 4), np.float32)
    expected[24_000:, 3] = NOISE[:, 0]
    expected[24_000:, 0] = NOISE[:, 1]
    expected[24_000:94_000, 0] += NOISE[:70_000, 2]
    expected[24_000:94_000, 2] = NOISE[:70_000, 2]
    assert np.array_equal(out, expected)


@given(
    sizes=st.lists(st.integers(1, 700), min_size=1, max_size=3),
    lead=st.integers(0, 500),
    length=st.one_of(st.none(), st.integers(1, 900)),
    block=st.integers(1, 300),
)
def test_blocks_of_any_size_make_the_same_whole(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], lead: int, length: int | None, block: int
) -> None:
    folder = tmp_path_factory.mktemp("blocks")
    given_stems = [stem(folder / str(at), NOISE[:size, at], [1 + at % 2]) for at, size in enumerate(sizes)]
    ns = {"lead": lead * S // RATE, "length": None if length is None else length * S // RATE}
    one = track(*given_stems, **ns, tempo=by_bars([BarChange(1, Fraction(1_000))]), click=(2,))
    whole, _ = blended(one, 2)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stems, "BLOCK", block)
        assert np.array_equal(blended(one, 2)[0], whole)
    assert len(whole) == lead + (max(sizes) if length is None else length)


def test_a_track_is_cut_at_its_length_with_a_fade_and_filled_up_to_it(tmp_path: Path) -> None:
    one = stem(tmp_path / "a", np.ones(96_000) / 2, [1])
    out, _ = blended(track(one, length=S), 1)
    fade = round(CUT_FADE_S * RATE)
    assert len(out) == RATE
    assert np.all(out[: RATE - fade, 0] == 0.5)
    assert np.all(np.diff(out[RATE - fade - 1 :, 0]) <= 0)
    assert 0 < out[-1, 0] < 0.001
    out, _ = blended(track(one, length=3 * S), 1)
    assert len(out) == 3 * RATE
    assert np.all(out[:96_000] == 0.5) and not out[96_000:].any()


def test_full_scale_is_never_passed_and_it_is_said_once(tmp_path: Path) -> None:
    loud = np.zeros((100_000, 1))
    loud[70_000:70_100] = 0.8
    out, notes = blended(track(stem(tmp_path / "a", loud, [2]), stem(tmp_path / "b", -loud, [3]), lead=0), 3)
    assert notes == []
    out, notes = blended(track(*(stem(tmp_path / name, loud, [2]) for name in "abc"), lead=S), 3)
    assert np.abs(out).max() == 1
    # 20 log10 2.4 is 7.6 dB; frame 70,000 is in the second second.
    assert notes == [
        "the stems of Rows add up to 7.6 dB above full scale at output 2, most at 0:01: what is above is cut off, "
        "which distorts; make them quieter"
    ]


def test_what_is_no_number_is_silence(tmp_path: Path) -> None:
    bad = NOISE[:, :2].copy()
    bad[100, 0], bad[200, 1], bad[300, 1] = np.nan, np.inf, -np.inf
    for rate in (RATE, 44_100):
        out, notes = blended(track(stem(tmp_path / "a", bad, [1, 2], rate)), 2)
        assert np.isfinite(out).all()
        assert np.abs(out).max() < 0.5
        assert notes == [f"3 samples of `{tmp_path / 'a'}` are no numbers: they are played as silence"]


# -- rates ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_rate", "rate"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (22_050, 48_000)]
)
@pytest.mark.parametrize("pitch", [55, 1_000, 7_000])
def test_a_converted_tone_has_its_frequency_level_and_place(
    tmp_path: Path, given_rate: int, rate: int, pitch: int
) -> None:
    """A = sin(2 π f t) stays that at another rate: within -90 dB of it, sample by sample, so neither its pitch nor its
    level nor its place has changed. The ends are left out, where a tone that begins at once is no pure tone."""
    seconds = 3
    tone = 0.5 * np.sin(2 * np.pi * pitch * np.arange(seconds * given_rate) / given_rate)
    out, notes = blended(track(stem(tmp_path / "a", tone, [1], given_rate)), 1, rate)
    assert notes == []
    assert len(out) == seconds * rate
    expected = 0.5 * np.sin(2 * np.pi * pitch * np.arange(seconds * rate) / rate)
    inner = slice(rate // 10, -rate // 10)
    assert np.abs(out[inner, 0] - expected[inner]).max() < 10 ** (-90 / 20)


@given(at=st.integers(2_000, 20_000))
def test_a_converted_impulse_stays_at_its_time(tmp_path_factory: pytest.TempPathFactory, at: int) -> None:
    impulse = np.zeros(22_050)
    impulse[at] = 0.9
    out, _ = blended(track(stem(tmp_path_factory.mktemp("impulse") / "a", impulse, [1], 44_100)), 1)
    assert abs(int(np.abs(out[:, 0]).argmax()) - at * 48_000 / 44_100) <= 0.5


# -- the click ------------------------------------------------------------------------------------------------


def onsets(wave: NDArray[np.float32]) -> list[int]:
    """Where a tone begins: the frame before the first that sounds, since a sine begins at zero."""
    sounds = np.flatnonzero(wave)
    return [int(sounds[0]) - 1, *(int(at) - 1 for at, gap in zip(sounds[1:], np.diff(sounds), strict=True) if gap > 50)]


def by_hand(*runs: tuple[int, Fraction]) -> list[Fraction]:
    """The times of beats, s: so many of each duration, one after the other; the first at 0."""
    out, now = [], Fraction(0)
    for count, lasts in runs:
        for _ in range(count):
            out.append(now)
            now += lasts
    return out


TEMPOS: dict[str, tuple[TempoMap, list[Fraction], int]] = {
    "96 in 4/4": (by_bars([BarChange(1, Fraction(96))]), by_hand((16, Fraction(60, 96))), 4),
    "100 in 6/8": (by_bars([BarChange(1, Fraction(100), Metre(6, 8))]), by_hand((24, Fraction(30, 100))), 6),
    "90 and a third in 3/4": (
        by_bars([BarChange(1, Fraction(271, 3), Metre(3, 4))]),
        by_hand((12, Fraction(180, 271))),
        3,
    ),
    "132, then 66 from bar 2": (
        by_bars([BarChange(1, Fraction(132)), BarChange(2, Fraction(66))]),
        by_hand((4, Fraction(60, 132)), (8, Fraction(60, 66))),
        4,
    ),
}


@pytest.mark.parametrize("case", TEMPOS)
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_click_is_on_the_frame_of_every_beat(case: str, rate: int) -> None:
    tempo, times, beats = TEMPOS[case]
    lead_s = beats * times[1]
    length = times[-1] + times[1] / 2
    one = track(tempo=tempo, click=(2, 3), lead=round(lead_s * S), length=round(length * S))
    out, notes = blended(one, 3, rate)
    assert notes == []
    assert not out[:, 0].any()
    assert np.array_equal(out[:, 1], out[:, 2])
    lead = round(lead_s * rate)
    expected = [lead + round((at * times[1] - lead_s) * rate) for at in range(beats)]
    expected += [lead + round(time * rate) for time in times]
    found = onsets(out[:, 1])
    assert len(found) == len(expected)
    # Half a frame more where the lead and the beat are both rounded.
    assert max(abs(a - b) for a, b in zip(found, expected, strict=True)) <= 1
    assert sum(a == b for a, b in zip(found, expected, strict=True)) > 0.7 * len(found)
    for at, begins in enumerate(found):
        tone = out[begins : begins + round(CLICK_S * rate), 1]
        accent = at % beats == 0
        peak = 20 * np.log10(np.abs(tone).max())
        assert peak == pytest.approx(ACCENT_DB if accent else CLICK_DB, abs=0.01)
        # The pitch, by where its spectrum is highest.
        spectrum = np.abs(np.fft.rfft(tone, 16 * len(tone)))
        pitch = spectrum.argmax() * rate / (16 * len(tone))
        assert pitch == pytest.approx(ACCENT_HZ if accent else CLICK_HZ, rel=0.05)
        assert np.abs(tone[-10:]).max() < 0.002 * np.abs(tone).max()


def test_a_click_is_well_below_full_scale_however_fast_the_beats_are() -> None:
    fastest = by_bars([BarChange(1, Fraction(1_000), Metre(64, 32))])
    wave = Click(fastest, RATE, 0).between(0, RATE)
    assert np.abs(wave).max() <= 10 ** (ACCENT_DB / 20) * 1.0001
    assert ACCENT_DB <= -12 and CLICK_DB <= -12


def test_a_count_in_may_be_heard_where_no_click_is_made() -> None:
    """A song with a click stem of its own, or with none: one bar at 120 is four beats in two seconds."""
    tempo = by_bars([BarChange(1, Fraction(120))])
    out, _ = blended(track(tempo=tempo, lead=2 * S, length=2 * S, counts=(3,)))
    assert onsets(out[:, 2]) == [0, RATE // 2, RATE, 3 * RATE // 2]
    assert not out[2 * RATE :].any() and not out[:, (0, 1, 3)].any()


# At 120 a bar of four lasts 2 s and a beat 0.5 s: the count-in's beats are those of the 2 s before bar 1.
COUNTED = {
    0.0: [-2.0, -1.5, -1.0, -0.5],
    0.5: [-1.5, -1.0, -0.5, 0.0],
    1.0: [-1.0, -0.5, 0.0, 0.5],
    2.0: [0.0, 0.5, 1.0, 1.5],
    3.0: [1.0, 1.5, 2.0, 2.5],
}


@pytest.mark.parametrize("bar_1_s", COUNTED)
@pytest.mark.parametrize("block", [777, 65_536])
def test_a_count_in_is_heard_up_to_bar_1_wherever_that_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bar_1_s: float, block: int
) -> None:
    """A song whose click is a stem: what is counted goes on over the stem up to bar 1, and no further."""
    monkeypatch.setattr(stems, "BLOCK", block)
    tempo = by_bars([BarChange(1, Fraction(120))], round(bar_1_s * S))
    lead_s = max(0.0, 2 - bar_1_s)
    silent = stem(tmp_path / "a", np.zeros(5 * RATE), [1, 3])
    one = track(silent, tempo=tempo, lead=round(lead_s * S), counts=(3,), counts_from=round((bar_1_s - 2) * S))
    out, _ = blended(one)
    assert onsets(out[:, 2]) == [round((lead_s + at) * RATE) for at in COUNTED[bar_1_s]]
    assert not out[:, (0, 1, 3)].any()
    # Where a click is made, it is the only one: nothing is heard twice.
    made, _ = blended(one._replace(click=(3,)))
    alone, _ = blended(one._replace(click=(3,), counts=()))
    assert np.array_equal(made[round(lead_s * RATE) :], alone[round(lead_s * RATE) :])


def test_a_count_in_without_click_outputs_is_silence(tmp_path: Path) -> None:
    one = track(stem(tmp_path / "a", NOISE[:, 0], [1]), lead=2 * S, tempo=by_bars([BarChange(1, Fraction(120))]))
    out, _ = blended(one, 2)
    assert not out[: 2 * RATE].any()
    assert np.array_equal(out[2 * RATE :, 0], NOISE[:, 0])


@given(ns=st.integers(-(10**13), 10**13), rate=st.sampled_from([8_000, 44_100, 48_000, 384_000]))
def test_times_are_rounded_to_the_nearest_frame(ns: int, rate: int) -> None:
    assert abs(Fraction(ns * rate, S) - frames_of(ns, rate)) <= Fraction(1, 2)


# -- what does not fit ----------------------------------------------------------------------------------------

LONG = (TRACK_MAX_S + 1) * S
TEMPO = by_bars([BarChange(1, Fraction(120))])


@pytest.mark.parametrize(
    ("outputs", "more", "sentence"),
    [
        ((1, 5), {}, r"goes to output 5; the sound device has outputs 1 to 4"),
        ((0, 1), {}, r"goes to output 0"),
        ((), {}, r"the stem `.*` of Rows goes to no output"),
        ((1,), {}, r"has 2 channels for 1 outputs: each channel needs its own"),
        ((1, 2, 3), {}, r"has 2 channels for 3 outputs"),
        ((1, 2), {"click": (6,), "tempo": TEMPO}, r"the click of Rows goes to output 6"),
        ((1, 2), {"click": (1,)}, r"Rows has a click and no tempo"),
        ((1, 2), {"length": LONG}, r"the length of Rows is 3601 s; 0 to 3,600 s are played"),
        ((1, 2), {"lead": LONG}, r"the count-in of Rows is 3601 s"),
        ((1, 2), {"lead": -1}, r"the count-in of Rows is -1e-09 s"),
    ],
)
def test_each_track_that_does_not_fit_has_its_sentence(
    tmp_path: Path, outputs: tuple[int, ...], more: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(BadSound, match=sentence):
        Blend(track(stem(tmp_path / "a", NOISE[:100, :2], outputs), **more), RATE, 4)


def test_a_track_of_nothing() -> None:
    with pytest.raises(BadSound, match="neither stems nor a length"):
        Blend(track(), RATE, 2)
    out, _ = blended(track(length=S))
    assert out.shape == (RATE, 4) and not out.any()
    assert blended(track(length=0))[0].shape == (0, 4)


def test_a_track_goes_to_another_process_and_back() -> None:
    one = track(
        Stem(path="a", outputs=(1, 2)), tempo=TEMPOS["132, then 66 from bar 2"][0], lead=5, length=7, click=(3,)
    )
    assert track_from(plain_track(one)) == one
    other = one._replace(counts=(2, 4), counts_from=-3)
    assert track_from(plain_track(other)) == other
