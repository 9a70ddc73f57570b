"""MIDI time code and song position: the values of the specifications, mido, and a count by hand."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import WireError
from stagectl.wire.time_code import (
    FRAMES_A_NAME,
    PIECES,
    RATES,
    SONG_POSITION_MAX,
    Heard,
    Rate,
    TimeCode,
    frame_at,
    frame_begins,
    frame_of,
    full_frame,
    name_of,
    named_at,
    quarter_begins,
    quarter_frame,
    quarter_from,
    read_full_frame,
    read_pieces,
    read_song_position,
    song_position,
)

DROP = RATES["30 drop"]
DAY_NS = 24 * 3_600 * 1_000_000_000

EACH_RATE = pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.word)


def _frames(rate: Rate) -> st.SearchStrategy[int]:
    return st.integers(0, rate.day - 1)


def test_the_rates_have_their_codes() -> None:
    # MTC (RP-004/008), the hours byte 0yyzzzzz: 24, 25, 30 drop, 30.
    assert [(rate.word, rate.code) for rate in RATES.values()] == [("24", 0), ("25", 1), ("30 drop", 2), ("30", 3)]
    assert DROP.real == Fraction(30_000, 1_001)


# MTC (RP-004/008), the worked example: 01:37:52:16 at 30 frames a second, non-drop.
EXAMPLE = TimeCode(1, 37, 52, 16)
EXAMPLE_PIECES = "00 11 24 33 45 52 61 76"


def test_the_quarter_frames_of_the_worked_example() -> None:
    rate = RATES["30"]
    first = frame_of(EXAMPLE, rate) * 4
    sent = [quarter_frame(first + piece, rate) for piece in range(PIECES)]
    assert [packet.hex(" ").upper() for packet in sent] == [f"F1 {piece}" for piece in EXAMPLE_PIECES.split()]
    assert read_pieces(tuple(packet[1] & 0x0F for packet in sent)) == Heard(first // 4, rate)


def test_the_full_frame_of_the_worked_example() -> None:
    # Arithmetic from the layout F0 7F id 01 01 hr mn sc fr F7.
    rate = RATES["30"]
    packet = full_frame(frame_of(EXAMPLE, rate), rate)
    assert packet.hex(" ").upper() == "F0 7F 7F 01 01 61 25 34 10 F7"
    assert read_full_frame(packet) == Heard(frame_of(EXAMPLE, rate), rate)


@EACH_RATE
@given(data=st.data())
def test_quarter_frames_agree_with_mido(rate: Rate, data: st.DataObject) -> None:
    quarter = data.draw(st.integers(0, rate.day * 4 - 1))
    message = mido.Message.from_bytes(list(quarter_frame(quarter, rate)))
    assert (message.type, message.frame_type) == ("quarter_frame", quarter % PIECES)
    assert bytes(message.bytes()) == quarter_frame(quarter, rate)


@EACH_RATE
@given(data=st.data())
def test_eight_pieces_name_the_frame_of_the_first(rate: Rate, data: st.DataObject) -> None:
    first = data.draw(st.integers(0, rate.day // FRAMES_A_NAME - 1)) * PIECES
    sent = [quarter_frame(first + piece, rate) for piece in range(PIECES)]
    assert [packet[1] >> 4 for packet in sent] == list(range(PIECES))
    assert read_pieces(tuple(packet[1] & 0x0F for packet in sent)) == Heard(first // 4, rate)


# -- drop-frame -------------------------------------------------------------------------------------------------------


def test_each_minute_but_every_tenth_lacks_two_names() -> None:
    """The rule taken at its word: names in order, 00 and 01 of such minutes left out, counted (RP-002, 3.2.2)."""
    whole = list(product(range(60), range(30)))
    lacking = [(seconds, frames) for seconds, frames in whole if not (seconds == 0 and frames < 2)]
    count = 0
    for hours, minutes in product(range(24), range(60)):
        names = lacking if minutes % 10 else whole
        # Every frame of the first quarter of an hour, and around each minute of the rest.
        looked = range(len(names)) if hours == 0 and minutes < 15 else (*range(4), *range(len(names) - 32, len(names)))
        for at in looked:
            name = TimeCode(hours, minutes, *names[at])
            assert name_of(count + at, DROP) == name
            assert frame_of(name, DROP) == count + at
        count += len(names)
    assert count == DROP.day


# RP-002 (MIDI Show Control), 3.2.2, drop frame note 3: 00:22:00:02 is the frame that non-drop calls 00:21:58:22; 40
# names are left out before it. The others by two libraries for time code, opentimelineio 0.18.1 and timecode 1.5.1, of
# which the first agreed in every frame of a day.
@pytest.mark.parametrize(
    ("frame", "text"),
    [
        ((21 * 60 + 58) * 30 + 22, "00:22:00;02"),
        (1_799, "00:00:59;29"),
        (1_800, "00:01:00;02"),
        (17_981, "00:09:59;29"),
        (17_982, "00:10:00;00"),
        (19_780, "00:10:59;28"),
        (107_892, "01:00:00;00"),
        (1_294_704, "12:00:00;00"),
        (2_589_407, "23:59:59;29"),
        (2_589_408, "00:00:00;00"),
    ],
)
def test_names_of_drop_frames(frame: int, text: str) -> None:
    assert name_of(frame, DROP).text(DROP) == text
    assert frame_of(name_of(frame, DROP), DROP) == frame % DROP.day


def test_a_name_that_is_left_out_stands_for_the_next() -> None:
    # RP-002, 3.2.2, drop frame note 2: instead of 00:22:00:00 the next higher number, 00:22:00:02.
    there = frame_of(TimeCode(0, 22, 0, 2), DROP)
    assert [frame_of(TimeCode(0, 22, 0, frames), DROP) for frames in (0, 1)] == [there, there]
    assert frame_of(TimeCode(0, 20, 0, 0), DROP) == frame_of(TimeCode(0, 19, 59, 29), DROP) + 1


def test_an_hour_of_drop_frames_is_an_hour() -> None:
    """Its clock is right to 3.6 ms an hour, 86 ms a day, where non-drop names at that rate are 3.6 s late."""
    hour = frame_begins(frame_of(TimeCode(1, 0, 0, 0), DROP), DROP)
    assert hour == 3_599_996_400_000
    assert frame_begins(DROP.day, DROP) == DAY_NS - 86_400_000


# -- positions --------------------------------------------------------------------------------------------------------


# At 30 drop a name begins 1.001 / 30 s times the number of its frame after 00:00:00:00: minute 1 with frame 1,800 (its
# names 00 and 01 are left out), minute 9 with 16,184 (of eight minutes before it, too), an hour with 6 times 17,982.
@pytest.mark.parametrize(
    ("seconds", "frame", "text"),
    [
        (0, 0, "00:00:00;00"),
        (59, 1_770, "00:00:59;00"),
        (60, 1_800, "00:01:00;02"),
        (9 * 60, 16_184, "00:09:00;02"),
        (600, 17_982, "00:10:00;00"),
        (3_600, 107_892, "01:00:00;00"),
        (10 * 3_600, 1_078_920, "10:00:00;00"),
        (86_399, 2_589_378, "23:59:59;00"),
    ],
)
def test_a_time_that_is_a_name_is_where_that_begins(seconds: int, frame: int, text: str) -> None:
    at = named_at(seconds * 10**9, DROP)
    assert 0 <= at - Fraction(frame * 1_001 * 10**9, 30_000) < 1
    assert name_of(frame_at(at, DROP), DROP).text(DROP) == text
    assert quarter_from(at, DROP) == 4 * frame
    # A second has 30 names: half of one is 15 frames on.
    assert frame_at(named_at(seconds * 10**9 + 10**9 // 2, DROP), DROP) == frame + 15 - (text[-2:] == "02") * 2


@EACH_RATE
@given(st.integers(-2 * DAY_NS, 2 * DAY_NS))
def test_where_no_name_is_left_out_a_name_is_its_time(rate: Rate, time: int) -> None:
    at = named_at(time, rate)
    if not rate.drops:
        assert at == time
    # Never further apart than by the two names that a minute lacks, for each of nine minutes, and the day's 86 ms.
    assert abs(at - time) <= 200_000_000 + 3 * 86_400_000


@EACH_RATE
@given(data=st.data())
def test_a_frame_is_on_from_its_first_ns_to_the_next_one_s(rate: Rate, data: st.DataObject) -> None:
    frame = data.draw(_frames(rate))
    first, after = frame_begins(frame, rate), frame_begins(frame + 1, rate)
    assert frame_at(first, rate) == frame_at(after - 1, rate) == frame
    assert frame_at(after, rate) == (frame + 1) % rate.day
    assert Fraction(first, 1_000_000_000) - frame / rate.real < Fraction(1, 1_000_000_000)
    assert after - first in (1_000_000_000 // rate.real, 1_000_000_000 // rate.real + 1)


@EACH_RATE
@given(data=st.data())
def test_names_there_and_back(rate: Rate, data: st.DataObject) -> None:
    frame = data.draw(_frames(rate))
    assert frame_of(name_of(frame, rate), rate) == frame


@EACH_RATE
@given(position=st.integers(-DAY_NS, 3 * DAY_NS))
def test_the_next_quarter_is_the_first_that_begins_no_earlier(rate: Rate, position: int) -> None:
    quarter = quarter_from(position, rate)
    assert quarter_begins(quarter, rate) >= position
    assert quarter_begins(quarter - 1, rate) < position


@EACH_RATE
def test_a_day_ends_where_the_names_begin_anew(rate: Rate) -> None:
    assert name_of(rate.day, rate) == name_of(0, rate) == TimeCode(0, 0, 0, 0)
    assert name_of(rate.day - 1, rate) == TimeCode(23, 59, 59, rate.names - 1)
    assert frame_at(frame_begins(rate.day, rate), rate) == 0
    assert quarter_frame(rate.day * 4 + 3, rate) == quarter_frame(3, rate)


@pytest.mark.parametrize("name", [(24, 0, 0, 0), (0, 60, 0, 0), (0, 0, 60, 0), (0, 0, 0, 25), (-1, 0, 0, 0)])
def test_a_name_out_of_range_is_refused(name: tuple[int, int, int, int]) -> None:
    with pytest.raises(WireError, match="at 25 frames a second"):
        frame_of(TimeCode(*name), RATES["25"])


# -- reading ----------------------------------------------------------------------------------------------------------


@EACH_RATE
@given(data=st.data(), device=st.integers(0, 127))
def test_full_frames_there_and_back(rate: Rate, data: st.DataObject, device: int) -> None:
    frame = data.draw(_frames(rate))
    assert read_full_frame(full_frame(frame, rate, device)) == Heard(frame, rate)


@pytest.mark.parametrize("device", [-1, 128, 10**9])
def test_a_device_out_of_range_is_refused(device: int) -> None:
    with pytest.raises(WireError, match="0 to 127"):
        full_frame(0, DROP, device)


@pytest.mark.parametrize(
    "written",
    [
        "",
        "F0 F7",
        "F0 7F 7F 01 01 61 25 34 F7",
        "F0 7F 7F 01 01 61 25 34 10 00 F7",
        "F0 7E 7F 01 01 61 25 34 10 F7",
        # 01 02 are user bits, and no time.
        "F0 7F 7F 01 02 61 25 34 10 F7",
        # 31 o'clock, minute 60, frame 30 of 30, frame 24 of 24.
        "F0 7F 7F 01 01 7F 25 34 10 F7",
        "F0 7F 7F 01 01 61 3C 34 10 F7",
        "F0 7F 7F 01 01 61 25 34 1E F7",
        "F0 7F 7F 01 01 01 25 34 18 F7",
        "F0 7F 7F 01 01 61 A5 34 10 F7",
    ],
)
def test_what_is_no_full_frame_names_nothing(written: str) -> None:
    assert read_full_frame(bytes.fromhex(written)) is None


@given(st.binary(max_size=12))
def test_garbage_never_raises(packet: bytes) -> None:
    assert read_full_frame(packet) is None or len(packet) == 10
    read_song_position(packet)


@given(st.lists(st.integers(0, 15), min_size=PIECES, max_size=PIECES))
def test_any_eight_nibbles_name_a_frame_or_nothing(nibbles: list[int]) -> None:
    heard = read_pieces(tuple(nibbles))
    assert heard is None or 0 <= heard.frame < heard.rate.day


# -- song position ----------------------------------------------------------------------------------------------------


# MIDI 1.0 Detailed Specification 4.2.1, song position pointer: LSB first, 14 bits.
@pytest.mark.parametrize(
    ("unit", "written"), [(0, "F2 00 00"), (10, "F2 0A 00"), (128, "F2 00 01"), (16_383, "F2 7F 7F")]
)
def test_song_positions_as_the_specification_writes_them(unit: int, written: str) -> None:
    assert song_position(unit).hex(" ").upper() == written


@given(st.integers(0, SONG_POSITION_MAX))
def test_song_positions_agree_with_mido(unit: int) -> None:
    assert song_position(unit) == bytes(mido.Message("songpos", pos=unit).bytes())
    assert read_song_position(song_position(unit)) == unit


@pytest.mark.parametrize("unit", [-1, SONG_POSITION_MAX + 1, 10**9])
def test_a_song_position_out_of_range_is_refused(unit: int) -> None:
    with pytest.raises(WireError, match="song position"):
        song_position(unit)


@pytest.mark.parametrize("packet", [b"", b"\xf2", b"\xf2\x00", b"\xf2\x00\x80", b"\xf1\x00\x00", b"\xf2\x00\x00\x00"])
def test_what_is_no_song_position_names_nothing(packet: bytes) -> None:
    assert read_song_position(packet) is None
