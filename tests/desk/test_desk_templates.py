"""SysEx templates, OSC templates and numbering, by standards' own messages and by second opinions."""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shipped import profile_of

from stagectl.core.levels import OFF
from stagectl.desk.meaning import ARGUMENTS, CHECKSUM, OTHER
from stagectl.desk.virtual import Heard, VirtualDesk
from stagectl.errors import WireError
from stagectl.show.numbering import Numbering
from stagectl.show.places import ByNrpn, ByOsc, ByRpn
from stagectl.show.sysex_template import Template, TemplateText
from stagectl.wire.osc import build, parse

BYTES = st.integers(0, 127)


def _template(text: str) -> Template:
    return TemplateText().parse(text)


def test_a_parameter_is_said_as_the_standard_says() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: NRPN 1288 set to 8192, and RPN by 101 and 100 in place of 99 and 98.
    place = ByNrpn.model_validate({"channel": 1, "nrpn": 1288})
    assert b"".join(place.packets(1, 1, 8_192)) == bytes.fromhex("B0 63 0A B0 62 08 B0 06 40 B0 26 00")
    registered = ByRpn.model_validate({"channel": 2, "rpn": 1288})
    assert b"".join(registered.packets(1, 1, 8_192)) == bytes.fromhex("B1 65 0A B1 64 08 B1 06 40 B1 26 00")
    with pytest.raises(WireError, match="stands for none"):
        ByRpn.model_validate({"channel": 1, "rpn": 16_383}).packets(1, 1, 0)


def test_master_volume_is_said_as_the_standard_says() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, universal real-time SysEx: F0 7F device 04 01, LSB first, MSB, F7.
    profile = profile_of("master-volume")
    assert profile.whole_mix is not None
    law = profile.whole_mix.law()
    assert law.level(0x3FFF) == 0
    assert profile.whole_mix.say.packets(1, 3, 0x3FFF) == (bytes.fromhex("F0 7F 02 04 01 7F 7F F7"),)
    assert profile.whole_mix.say.packets(1, 1, 0x0102) == (bytes.fromhex("F0 7F 00 04 01 02 02 F7"),)
    assert profile.whole_mix.say.packets(1, 1, law.code(OFF)) == (bytes.fromhex("F0 7F 00 04 01 00 00 F7"),)


@given(BYTES, BYTES, st.lists(BYTES, min_size=120, max_size=120))
def test_the_exclusive_or_is_that_of_the_sample_dump(channel: int, packet: int, data: list[int]) -> None:
    """MIDI 1.0 Sample Dump Standard, data packet: F0 7E channel 02 packet, 120 bytes, the exclusive or of all that
    stands between F0 and it (from memory), F7."""
    inner = bytes((0x7E, channel, 2, packet, *data))
    words = " ".join(f"{byte:02X}" for byte in inner[:-1])
    template = _template(f"F0 {words} {{value}} {{checksum xor}} F7")
    assert template.fill({}, inner[-1]) == b"\xf0" + inner + bytes((reduce(xor, inner), 0xF7))


@given(BYTES, BYTES, st.integers(0, 0x1F_FFFF), st.sampled_from(["sum", "xor"]), st.integers(0, 6))
def test_what_a_template_fills_it_matches(input_: int, mix: int, value: int, kind: str, start: int) -> None:
    parts = ["7D", "{mix}", "{value lsb}", "{input}", "{value msb}", "{value mid}", "05"]
    parts.insert(start, "{from here}")
    template = _template(f"F0 {' '.join(parts)} {{checksum {kind}}} F7")
    message = template.fill({"input": input_, "mix": mix}, value)
    covered = message[1 + start : -2]
    # The sum with the checksum ends in seven noughts (common practice, no source); the exclusive or with it is 0.
    assert (sum(covered) + message[-2]) % 128 == 0 if kind == "sum" else reduce(xor, [*covered, message[-2]]) == 0
    words = template.match(message)
    assert words is not None
    assert (words["input"], words["mix"], template.value(words)) == (input_, mix, value)
    assert template.is_sound(message)
    damaged = bytearray(message)
    damaged[1 + start] ^= 1
    assert not template.is_sound(bytes(damaged))
    assert template.match(message[:-1]) is None


@pytest.mark.parametrize(
    "text",
    [
        "F0 7D {value mid} {value lsb} F7",
        "F0 7D {value} {value msb} {value lsb} F7",
        "F0 7D {value} {from here} F7",
        "{from here} F0 7D {value} {checksum sum} F7",
        "F0 {from here} 7D {from here} {value} {checksum sum} F7",
        "F0 7D {value} {checksum} F7",
    ],
)
def test_templates_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="F0"):
        _template(text)


def test_a_wrong_checksum_changes_nothing() -> None:
    desk = VirtualDesk(profile_of("sysex-checksum"), 4, 2)
    # 01 + 01 + 22 + 07 + 08 is 33 in hexadecimal; 80 - 33 is 4D. 07 08 is the value 904: -90 + 90.4 dB.
    assert desk.hear(bytes.fromhex("F0 7D 20 01 01 22 07 08 4D F7")) == [Heard(2, 3, 40)]
    assert desk.hear(bytes.fromhex("F0 7D 20 01 01 22 07 08 4C F7")) == []
    assert desk.hear(bytes.fromhex("F0 7D 20 01 01 44 07 08 2B F7")) == []
    assert desk.not_understood == {CHECKSUM: 1, OTHER: 1}


def test_osc_arguments_around_the_value() -> None:
    desk = VirtualDesk(profile_of("osc-arguments"), 4, 2)
    whole = build("/level", ("send", 12, 2, True, -123, 0.5))
    assert desk.hear(whole) == [Heard(2, 3, -1_230)]
    for wrong in (
        ("send", 12, 2, False, -123, 0.5),
        ("send", 12, 2, 1, -123, 0.5),
        ("send", 12, 2, True, -123, 0.25),
        ("send", 12, 2, True, "-123", 0.5),
        ("send", 12, 2, True, -123),
        ("sends", 12, 2, True, -123, 0.5),
        ("send", 12, 9, True, -123, 0.5),
    ):
        assert desk.hear(build("/level", wrong)) == []
    assert desk.not_understood == {ARGUMENTS: 7}


@pytest.mark.parametrize(
    ("code", "text"), [(-12.5, "-12.5"), (0.0, "0"), (-0.0, "0"), (6, "6"), (100.0, "100"), (-0.1 - 0.2, "-0.3")]
)
def test_a_level_as_text(code: float, text: str) -> None:
    place = ByOsc.model_validate({"osc": "/to/{mix}/in/{input}", "type": "string", "digits": 2})
    (packet,) = place.packets(3, 11, code)
    assert parse(packet) == [("/to/11/in/03", (text,))]


@pytest.mark.parametrize("text", ["", "off", "nan", "-inf", "1e3", "--1", "1,5", "0x1", "9" * 60])
def test_a_text_that_is_no_number_changes_nothing(text: str) -> None:
    desk = VirtualDesk(profile_of("osc-text"), 3, 2)
    assert desk.hear(build("/to/01/in/02", (text,))) == []
    assert desk.not_understood == {ARGUMENTS: 1}


@given(st.integers(1, 40), st.integers(1, 12), st.integers(0, 90), st.integers(-3, 3), st.integers(-3, 3))
def test_a_table_says_what_strides_say(socket: int, mix: int, first: int, per_input: int, per_mix: int) -> None:
    strides: dict[str, Any] = {"first": first + 200, "per input": per_input, "per mix": per_mix}
    number = Numbering.model_validate(strides)
    by_input = {"table": [number.at(at, 1) for at in range(1, 41)], "per mix": per_mix}
    by_mix = {"table": [number.at(1, at) for at in range(1, 13)], "by": "mix", "per input": per_input}
    each = {"table": [[number.at(one, at) for one in range(1, 41)] for at in range(1, 13)]}
    for table in (by_input, by_mix, each):
        made = Numbering.model_validate(table)
        assert made.at(socket, mix) == number.at(socket, mix)
        with pytest.raises(WireError, match="entries 1 to"):
            made.at(41 if table is not by_mix else 1, 13 if table is by_mix else 1)
