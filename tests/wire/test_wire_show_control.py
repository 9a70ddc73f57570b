"""Machine control and show control: the bytes of the recommended practices, and their bounds."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import WireError
from stagectl.wire.show_control import (
    MACHINE_COMMANDS,
    SHOW_COMMANDS,
    SHOW_FORMATS,
    SHOW_MAX,
    cue_number,
    machine_command,
    machine_locate,
    show_command,
)
from stagectl.wire.time_code import RATES, Rate, TimeCode, frame_begins, frame_of, name_of, read_full_frame

EACH_RATE = pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.word)
CUES = st.from_regex(r"[0-9]{1,8}(\.[0-9]{1,8}){0,3}", fullmatch=True)


# MIDI Machine Control 1.0 (RP-013): F0 7F id 06 cmd F7.
@pytest.mark.parametrize(("word", "code"), [("stop", 1), ("play", 2), ("deferred play", 3), ("pause", 9)])
def test_machine_commands(word: str, code: int) -> None:
    assert machine_command(word) == bytes((0xF0, 0x7F, 0x7F, 0x06, code, 0xF7))
    assert machine_command(word, 16)[2] == 16


def test_the_commands_are_those() -> None:
    assert list(MACHINE_COMMANDS) == ["stop", "play", "deferred play", "pause"]


def test_the_locate_of_the_worked_example() -> None:
    # Arithmetic from RP-013's layout of a locate to a target; the time is MTC's example, 01:37:52:16 at 30 frames.
    rate = RATES["30"]
    packet = machine_locate(frame_begins(frame_of(TimeCode(1, 37, 52, 16), rate), rate), rate)
    assert packet.hex(" ").upper() == "F0 7F 7F 06 44 06 01 61 25 34 10 00 F7"


@EACH_RATE
@given(data=st.data(), device=st.integers(0, 127))
def test_a_locate_names_the_frame_and_its_hundredths(rate: Rate, data: st.DataObject, device: int) -> None:
    position = data.draw(st.integers(0, frame_begins(rate.day, rate) - 1))
    packet = machine_locate(position, rate, device)
    assert packet[:7] == bytes((0xF0, 0x7F, device, 0x06, 0x44, 0x06, 0x01))
    # The first four bytes of the time are those of a full frame.
    heard = read_full_frame(b"\xf0\x7f\x7f\x01\x01" + packet[7:11] + b"\xf7")
    assert heard is not None and heard.rate is rate
    told = (heard.frame + Fraction(packet[11], 100)) / rate.real
    assert 0 <= Fraction(position, 1_000_000_000) - told < 1 / (100 * rate.real)
    assert packet[11] < 100


@EACH_RATE
def test_a_locate_beyond_the_day_is_refused(rate: Rate) -> None:
    last = frame_begins(rate.day, rate) - 1
    assert machine_locate(last, rate)[8:11] == bytes(name_of(rate.day - 1, rate)[1:])
    for position in (-1, last + 1, 10**18):
        with pytest.raises(WireError, match="outside 0 to 24 h"):
            machine_locate(position, rate)


# MIDI Show Control 1.1 (RP-002), 3.1: cue 235.6, list 36.6, path 59.
EXAMPLE = "32 33 35 2E 36 00 33 36 2E 36 00 35 39"


def test_the_cue_numbers_of_the_worked_example() -> None:
    packet = show_command("go", "lighting", "235.6", "36.6", "59")
    assert packet.hex(" ").upper() == f"F0 7F 7F 02 01 01 {EXAMPLE} F7"


# RP-002, 4.1 and 4.3: formats (general categories, all types) and commands.
def test_the_codes_of_formats_and_commands() -> None:
    assert SHOW_FORMATS == {"lighting": 0x01, "sound": 0x10, "video": 0x30, "all": 0x7F}
    assert SHOW_COMMANDS == {"go": 1, "stop": 2, "resume": 3, "load": 5}


@given(
    word=st.sampled_from(list(SHOW_COMMANDS)),
    kind=st.sampled_from(list(SHOW_FORMATS)),
    cue=st.lists(CUES, max_size=3),
    device=st.integers(0, 127),
)
def test_show_commands_have_their_parts_in_order(word: str, kind: str, cue: list[str], device: int) -> None:
    if word == "load" and not cue:
        cue = ["1"]
    packet = show_command(word, kind, *cue, device=device)
    assert packet[:6] == bytes((0xF0, 0x7F, device, 0x02, SHOW_FORMATS[kind], SHOW_COMMANDS[word]))
    assert packet[6:-1] == "\0".join(cue).encode()
    assert mido.Message.from_bytes(list(packet)).type == "sysex"
    assert len(packet) <= SHOW_MAX


def test_a_load_needs_a_cue_and_the_others_do_not() -> None:
    with pytest.raises(WireError, match="needs the number of a cue"):
        show_command("load", "sound")
    assert show_command("stop", "all", device=1).hex(" ").upper() == "F0 7F 01 02 7F 02 F7"


def test_a_message_has_at_most_128_bytes() -> None:
    # RP-002, 2.6: the total number of message bytes must not be more than 128.
    longest = "1" * (SHOW_MAX - 7)
    assert len(show_command("go", "sound", longest)) == SHOW_MAX == 128
    for text in (longest + "1", "1" * 10_000):
        with pytest.raises(WireError, match="longer than 128"):
            show_command("go", "sound", text)


@pytest.mark.parametrize("text", ["", ".", "1.", ".1", "1..2", "-1", "1,5", "1 2", "12b", "1\n", "\uff11", "\0"])
def test_a_cue_number_is_digits_and_points(text: str) -> None:
    with pytest.raises(WireError, match="digits with points between them"):
        cue_number(text)


@pytest.mark.parametrize("device", [-1, 128, 10**9])
def test_devices_out_of_range_are_refused(device: int) -> None:
    calls: tuple[Callable[[], bytes], ...] = (
        lambda: machine_command("play", device),
        lambda: machine_locate(0, RATES["25"], device),
        lambda: show_command("go", "all", device=device),
    )
    for call in calls:
        with pytest.raises(WireError, match=f"device {device} is outside 0 to 127"):
            call()


def test_other_words_are_refused_with_the_nearest() -> None:
    calls: tuple[tuple[Callable[[], bytes], str], ...] = (
        (lambda: machine_command("pley"), "`pley` is no command of machine control; did you mean `play`?"),
        (lambda: show_command("goo", "all"), "`goo` is no command of show control; did you mean `go`?"),
        (lambda: show_command("go", "lights"), "`lights` is no format of show control; did you mean `lighting`?"),
        (lambda: show_command("go", "all", "1", "2", "3", "4"), "4 numbers are too many"),
    )
    for call, says in calls:
        with pytest.raises(WireError, match=re.escape(says)):
            call()
