"""Song position, machine control and show control as a file says them: the bytes of the specifications, and what the
words in a track player's messages stand for."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from stagectl.core.tempo import BarChange, Metre, TempoMap, by_bars
from stagectl.errors import WireError
from stagectl.show.messages import ANY_TRACK, AnySay, HexText, Numbers, Say, track_numbers
from stagectl.wire.osc import build, parse
from stagectl.wire.show_control import MACHINE_COMMANDS, SHOW_COMMANDS, SHOW_FORMATS, machine_locate
from stagectl.wire.time_code import RATES, SONG_POSITION_MAX

SECOND = 1_000_000_000
STEADY = by_bars([BarChange(1, Fraction(120))])
LATE = by_bars([BarChange(1, Fraction(97), Metre(3, 4)), BarChange(9, Fraction(140))], begins=2 * SECOND)


def say(**written: Any) -> Say:
    """The message, written with `_` for spaces."""
    keys = {key.replace("_", " "): value for key, value in written.items()}
    found: Say = TypeAdapter(AnySay).validate_python(keys)
    return found


def sent(message: Say, numbers: Numbers = ANY_TRACK) -> str:
    (packet,) = message.packets(numbers)
    return packet.hex(" ").upper()


# MIDI 1.0 Detailed Specification 4.2.1; MMC (RP-013); MSC (RP-002), its example of a cue with list and path.
@pytest.mark.parametrize(
    ("message", "written"),
    [
        ({"song_position": "10"}, "F2 0A 00"),
        ({"song_position": "16383"}, "F2 7F 7F"),
        ({"mmc": "stop"}, "F0 7F 7F 06 01 F7"),
        ({"mmc": "play", "device": "0"}, "F0 7F 00 06 02 F7"),
        ({"mmc": "deferred play"}, "F0 7F 7F 06 03 F7"),
        ({"mmc": "pause"}, "F0 7F 7F 06 09 F7"),
        ({"mmc": "locate", "to": "1:37:52"}, "F0 7F 7F 06 44 06 01 61 25 34 00 00 F7"),
        ({"mmc": "locate", "to": "2.5 s", "rate": "24"}, "F0 7F 7F 06 44 06 01 00 00 02 0C 00 F7"),
        ({"mmc": "locate", "to": "100 ms", "rate": "25"}, "F0 7F 7F 06 44 06 01 20 00 00 02 32 F7"),
        # What is written is the name. 00:01:00:00 is left out: it stands for the next (RP-002, 3.2, drop frame note 2).
        ({"mmc": "locate", "to": "1:00", "rate": "30 drop"}, "F0 7F 7F 06 44 06 01 40 01 00 02 00 F7"),
        ({"mmc": "locate", "to": "1:00:00", "rate": "30 drop"}, "F0 7F 7F 06 44 06 01 41 00 00 00 00 F7"),
        ({"mmc": "locate", "to": "10:09:01", "rate": "30 drop"}, "F0 7F 7F 06 44 06 01 4A 09 01 00 00 F7"),
        (
            {"msc": "go", "format": "lighting", "cue": "235.6", "list": "36.6", "path": "59"},
            "F0 7F 7F 02 01 01 32 33 35 2E 36 00 33 36 2E 36 00 35 39 F7",
        ),
        ({"msc": "stop", "format": "all"}, "F0 7F 7F 02 7F 02 F7"),
        ({"msc": "resume", "format": "sound", "device": "112"}, "F0 7F 70 02 10 03 F7"),
        ({"msc": "load", "format": "video", "cue": "7"}, "F0 7F 7F 02 30 05 37 F7"),
    ],
    ids=str,
)
def test_the_bytes_of_the_specifications(message: dict[str, str], written: str) -> None:
    assert sent(say(**message), {}) == written


def test_every_command_can_be_written() -> None:
    for word in MACHINE_COMMANDS:
        assert sent(say(mmc=word), {}).split()[4] == f"{MACHINE_COMMANDS[word]:02X}"
    for word in SHOW_COMMANDS:
        for kind in SHOW_FORMATS:
            written = sent(say(msc=word, format=kind, cue="1")).split()
            assert written[4:6] == [f"{SHOW_FORMATS[kind]:02X}", f"{SHOW_COMMANDS[word]:02X}"]


# -- what words stand for ---------------------------------------------------------------------------------------------


@given(st.integers(0, 16_383), st.integers(-10 * SECOND, 3_600 * SECOND), st.sampled_from([STEADY, LATE]))
def test_a_song_position_is_the_sixteenth_at_or_after_the_position(cue: int, position: int, tempo: TempoMap) -> None:
    numbers = track_numbers(cue, position, tempo)
    assert (numbers["cue"], numbers["position"]) == (cue, position)
    unit = numbers["sixteenth"]
    # A sixteenth is a quarter of a quarter note; song positions begin at bar 1.
    assert tempo.at_quarter(Fraction(unit, 4)) >= position
    assert unit == 0 or tempo.at_quarter(Fraction(unit - 1, 4)) < position
    if unit <= SONG_POSITION_MAX:
        expected = f"F2 {unit % 128:02X} {unit // 128:02X}"
        assert sent(say(song_position="position"), numbers) == expected


def test_a_song_position_beyond_its_14_bits_is_refused() -> None:
    # 16,383 sixteenths at 120 quarter notes a minute are 2,047.875 s.
    last = 2_047_875_000_000
    message = say(song_position="position")
    assert sent(message, track_numbers(0, last, STEADY)) == "F2 7F 7F"
    with pytest.raises(WireError, match="song position 16384 is outside 0 to 16383"):
        message.packets(track_numbers(0, last + 1, STEADY))


def test_a_song_position_needs_the_song_s_tempo() -> None:
    message = say(song_position="position")
    with pytest.raises(WireError, match="the song needs a `tempo`"):
        message.packets(track_numbers(0, 0, None))
    assert sent(message, ANY_TRACK) == "F2 00 00"
    assert sent(say(song_position="4"), track_numbers(0, 0, None)) == "F2 04 00"


@given(st.integers(0, 24 * 3_599 * SECOND), st.sampled_from(sorted(RATES)))
def test_a_locate_goes_to_the_position(position: int, rate: str) -> None:
    message = say(mmc="locate", to="position", rate=rate, device="3")
    assert message.packets(track_numbers(0, position, None)) == (machine_locate(position, RATES[rate], 3),)
    # A locate names a time code: that of the song's own place, where it has one.
    hour = 3_600 * SECOND
    assume(position < 23 * hour)
    # 01:00:00:00 is frame 3,600 times 30; at 30 drop it is frame 107,892 of 1.001 / 30 s.
    begins = -(-107_892 * 1_001 * SECOND // 30_000) if rate == "30 drop" else hour
    numbers = track_numbers(0, position, None, hour)
    assert message.packets(numbers) == (machine_locate(begins + position, RATES[rate], 3),)
    assert say(mmc="locate", to="0:10", device="3").packets(track_numbers(0, position, None, hour)) == (
        machine_locate(10 * SECOND, RATES["30"], 3),
    )


@pytest.mark.parametrize("position", [-1, 24 * 3_600 * SECOND, 10**18])
def test_a_locate_beyond_the_day_is_refused(position: int) -> None:
    with pytest.raises(WireError, match="outside 0 to 24 h"):
        say(mmc="locate", to="position").packets(track_numbers(0, position, None))


@given(st.integers(0, 16_383), st.integers(-10 * SECOND, 86_400 * SECOND))
def test_over_osc_a_position_is_in_whole_milliseconds(cue: int, position: int) -> None:
    (packet,) = say(osc="/go", arguments=["cue", "position", "here"]).packets(track_numbers(cue, position, None))
    ((_, arguments),) = parse(packet)
    assert arguments[0::2] == (cue, "here")
    assert isinstance(arguments[1], int) and abs(arguments[1] - Fraction(position, 1_000_000)) <= Fraction(1, 2)
    assert packet == build("/go", arguments)


@given(st.integers(0, 16_383))
def test_a_show_control_cue_may_be_the_song_s(cue: int) -> None:
    (packet,) = say(msc="go", format="sound", cue="cue", list="2").packets(track_numbers(cue, 0, None))
    assert packet[6:-1].decode() == f"{cue}\0" + "2"


MESSAGES: list[dict[str, Any]] = [
    {"song_position": "position"},
    {"mmc": "locate", "to": "position"},
    {"osc": "/at", "arguments": ["position"]},
]


@pytest.mark.parametrize("message", MESSAGES, ids=str)
def test_a_position_stands_for_a_number_only_where_a_track_is_told_of(message: dict[str, Any]) -> None:
    assert say(**message).packets(ANY_TRACK)
    for numbers in ({}, {"song": 3}, {"cue": 1}):
        with pytest.raises(WireError, match="`position` stands for a number only in the messages of a track player"):
            say(**message).packets(numbers)


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ({"note": "position", "channel": 1}, "`position` is not a whole number from 0 to 127, nor `cue` or `song`"),
        ({"song_select": "position"}, "`position` is not a whole number from 0 to 127, nor `cue` or `song`"),
        ({"song_position": "-1"}, "`-1` is not a whole number from 0 to 16,383, nor `position`"),
        ({"song_position": "song"}, "`song` is not a whole number from 0 to 16,383, nor `position`"),
        ({"mmc": "locate", "to": "cue"}, "`cue` is not a time from 0 to 86399 s"),
        ({"mmc": "stop", "to": "position"}, "`to` belongs to `locate`, and not to `stop`"),
        ({"msc": "go", "format": "sound", "cue": "position"}, "`position` is not digits with points between them"),
    ],
    ids=str,
)
def test_what_a_message_cannot_hold_is_refused(message: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=re.escape(says)):
        say(**message)


@pytest.mark.parametrize("space", [" ", "", "\t", "\u00a0", "\u3000", "\x1e"])
def test_bytes_may_be_apart_by_whatever_unicode_takes_for_space(space: str) -> None:
    """As they are pasted from a page: `bytes.fromhex` knows the spaces of ASCII alone."""
    assert HexText().parse(space.join(("F0", "7D", "01", "F7"))) == bytes((0xF0, 0x7D, 0x01, 0xF7))
