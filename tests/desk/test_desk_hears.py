"""The virtual desk by the rules of MIDI 1.0 and OSC 1.0, with bytes written by hand."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from shipped import picture, profile_of

from stagectl.core.levels import OFF
from stagectl.desk.meaning import (
    ARGUMENTS,
    NO_LEVEL,
    NO_PARAMETER,
    NOT_OSC,
    OTHER,
    OUT_OF_RANGE,
    REALTIME,
    REGISTERED,
    Asked,
    Spot,
)
from stagectl.desk.virtual import NOT_STORED, Brought, Heard, VirtualDesk
from stagectl.errors import WireError
from stagectl.show.profile import ProfileModel
from stagectl.wire.laws import gm2
from stagectl.wire.osc import build


def _desk(name: str, inputs: int = 4, mixes: int = 3) -> VirtualDesk:
    return VirtualDesk(profile_of(name), inputs, mixes)


def _profile(say: dict[str, Any], **more: Any) -> ProfileModel:
    over = "osc" if "osc" in say else "midi"
    values = more.pop("values", {"law": "points", "points": [[0, "off"], [1, -90], [127, 10]]})
    return ProfileModel.model_validate(
        {"name": "invented", "over": over, "send": {"say": say, "values": values}, **more}
    )


def _hex(desk: VirtualDesk, written: str) -> list[Heard]:
    return desk.hear(bytes.fromhex(written))


def test_a_controller() -> None:
    desk = _desk("control-change")
    # With inputs at off; 127 of a whole mix, by GM2, is 0 dB.
    assert all(level == (0 if socket is None else OFF) for (_, socket), level in picture(desk).items())
    # Socket 2 of mix 3: controller 17 on channel 3; GM2's 64 is -11.9 dB.
    assert _hex(desk, "B2 11 40") == [Heard(3, 2, -1190)]
    assert desk.level(2, 3) == -1190
    assert _hex(desk, "B2 07 7F") == [Heard(3, None, 0)]
    assert desk.whole(3) == 0
    assert _hex(desk, "B2 11 00") == [Heard(3, 2, OFF)]


def test_what_the_desk_does_not_have() -> None:
    desk = _desk("control-pair")
    for socket, mix in ((5, 1), (1, 4), (0, 1)):
        with pytest.raises(KeyError):
            desk.level(socket, mix)
    with pytest.raises(KeyError):
        desk.whole(1)


def test_a_controller_pair() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: a received MSB resets the LSB to 0; the LSB may come alone.
    law = gm2(16_383)
    desk = _desk("control-pair")
    assert _hex(desk, "B0 08 40") == [Heard(1, 1, law.level(0x40 << 7))]
    assert _hex(desk, "B0 28 7F") == [Heard(1, 1, law.level(0x40 << 7 | 0x7F))]
    assert _hex(desk, "B0 28 01") == [Heard(1, 1, law.level(0x40 << 7 | 1))]
    assert _hex(desk, "B0 08 41") == [Heard(1, 1, law.level(0x41 << 7))]
    # Each pair and each channel has a state of its own.
    assert _hex(desk, "B0 29 05") == [Heard(1, 2, law.level(5))]
    assert _hex(desk, "B1 28 05") == [Heard(2, 1, law.level(5))]
    assert desk.not_understood == Counter()


NRPN_2_OF_1 = "B0 63 02 B0 62 01"
"""Selects parameter 257: socket 2 of mix 1."""


def test_a_parameter() -> None:
    desk = _desk("nrpn")
    assert _hex(desk, NRPN_2_OF_1) == []
    # 60 00 is the value 12,288, which stands for 0 dB in the profile's chart.
    assert _hex(desk, "B0 06 60 B0 26 00") == [Heard(1, 2, 0), Heard(1, 2, 0)]
    # Data entry goes to the parameter that is selected still, with running status too.
    assert _hex(desk, "B0 06 40 06 20") == [Heard(1, 2, -2000), Heard(1, 2, -4000)]
    # Its fine part alone, after another parameter had its turn.
    _hex(desk, "B0 62 02 B0 06 60")
    _hex(desk, "B0 62 01")
    (heard,) = _hex(desk, "B0 26 7F")
    assert heard[:2] == (1, 2)
    assert isinstance(heard.level, int)
    assert -4000 < heard.level < -3930


@pytest.mark.parametrize("null", ["B0 65 7F B0 64 7F", "B0 64 7F B0 65 7F"])
def test_the_null_parameter_ends_data_entry(null: str) -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: RPN 7F/7F is null, data entry is then ignored.
    desk = _desk("nrpn")
    _hex(desk, NRPN_2_OF_1 + null)
    before = picture(desk)
    assert _hex(desk, "B0 06 60 B0 26 01") == []
    assert picture(desk) == before
    assert desk.not_understood == Counter({NO_PARAMETER: 2})


def test_data_entry_with_nothing_selected() -> None:
    desk = _desk("nrpn")
    assert _hex(desk, "B0 06 60") == []
    # Half a number selects nothing.
    assert _hex(desk, "B0 63 02 B0 06 60") == []
    # Another channel's selection is another's.
    assert _hex(desk, "B1 63 02 B1 62 01 B0 06 60") == []
    assert desk.not_understood == Counter({NO_PARAMETER: 3})


def test_data_entry_for_other_parameters() -> None:
    desk = _desk("nrpn")
    # RPN 00/00 is the pitch bend range: it takes the data entry, and no send hears it.
    assert _hex(desk, NRPN_2_OF_1 + "B0 65 00 B0 64 00 B0 06 02") == []
    assert _hex(desk, "B0 63 7F B0 62 00 B0 06 60") == []
    assert desk.not_understood == Counter({REGISTERED: 1, NO_LEVEL: 1})


def test_stored_scenes_in_banks() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: bank 01/00 is bank 129; bank select alone changes nothing.
    desk = _desk("nrpn")
    _hex(desk, NRPN_2_OF_1 + "B0 06 60")
    desk.store(128 * 128 + 6)
    _hex(desk, "B0 06 40")
    assert _hex(desk, "B0 00 01 B0 20 00") == []
    assert desk.level(2, 1) == -2000
    assert _hex(desk, "C0 05") == [Heard(1, 2, 0)]
    assert desk.level(2, 1) == 0
    # The bank stays selected; a program there that is not stored changes nothing.
    assert _hex(desk, "C0 06") == []
    assert desk.not_understood == Counter({NOT_STORED: 1})
    assert _hex(desk, "C0 05") == []


def test_stored_scenes_without_banks() -> None:
    desk = _desk("control-change")
    _hex(desk, "B0 10 7F B1 07 60")
    desk.store(1)
    before = picture(desk)
    _hex(desk, "B0 10 00 B1 07 00 B2 12 40")
    assert sorted(_hex(desk, "BF 00 05 CF 00"), key=str) == [
        Heard(1, 1, 0),
        Heard(2, None, before[2, None]),
        Heard(3, 3, OFF),
    ]
    assert picture(desk) == before
    # Program changes on other channels are for others.
    assert _hex(desk, "C0 00") == []
    assert desk.not_understood == Counter({OTHER: 1})


@pytest.mark.parametrize(("name", "number"), [("control-change", 0), ("control-change", 129), ("nrpn", 128**3 + 1)])
def test_a_scene_that_no_message_recalls_is_not_stored(name: str, number: int) -> None:
    with pytest.raises(WireError, match=r"scene|bank"):
        _desk(name).store(number)


def test_a_profile_without_stored_scenes_stores_none() -> None:
    with pytest.raises(WireError, match="no stored scenes"):
        _desk("sysex").store(1)


def test_a_recalled_pair_keeps_its_coarse_part() -> None:
    desk = _desk("nrpn")
    _hex(desk, NRPN_2_OF_1 + "B0 06 60 B0 26 10")
    desk.store(1)
    _hex(desk, "B0 06 10 C0 00")
    (heard,) = _hex(desk, "B0 26 00")
    assert heard == Heard(1, 2, 0)


def test_sysex() -> None:
    desk = _desk("sysex")
    # Inputs and mixes count from 0; 06 21 is 801, and 801 steps of 0.1 dB from 1 = -90 dB make -10 dB.
    assert _hex(desk, "F0 7D 10 01 02 06 21 F7") == [Heard(2, 3, -1000)]
    assert _hex(desk, "F0 7D 10 01 02 00 00 F7") == [Heard(2, 3, OFF)]
    assert desk.not_understood == Counter()
    for other in (
        "F0 7D 11 01 02 06 21 F7",
        "F0 7D 10 03 02 06 21 F7",
        "F0 7D 10 01 04 06 21 F7",
        "F0 7D 10 01 02 06 F7",
        "F0 7D 10 01 02 06 21 00 F7",
        "F0 7E 7F 06 01 F7",
    ):
        assert _hex(desk, other) == []
    assert desk.not_understood == Counter({OTHER: 6})
    assert _hex(desk, "F0 7D 10 01 02 7F 7F F7") == []
    assert desk.not_understood[OUT_OF_RANGE] == 1
    assert desk.level(3, 2) is OFF


def test_a_sysex_word_that_stands_twice_has_to_agree() -> None:
    desk = VirtualDesk(_profile({"sysex": "F0 7D {mix} {input} {value} {mix} F7"}), 3, 3)
    assert _hex(desk, "F0 7D 01 02 7F 01 F7") == [Heard(2, 3, 1000)]
    assert _hex(desk, "F0 7D 01 02 7F 02 F7") == []


def test_sends_and_whole_mixes_over_sysex_are_told_apart() -> None:
    values = {"law": "db", "lowest": -60, "highest": 0, "step": 1, "first": 1, "off": 0}
    whole = {"say": {"sysex": "F0 7D {mix} 7F {value} F7"}, "values": values}
    desk = VirtualDesk(_profile({"sysex": "F0 7D {mix} {input} {value} F7"}, **{"whole mix": whole}), 3, 3)
    assert _hex(desk, "F0 7D 01 02 7F F7") == [Heard(2, 3, 1000)]
    assert _hex(desk, "F0 7D 01 7F 3D F7") == [Heard(2, None, 0)]


def test_osc() -> None:
    desk = _desk("osc-decibels")
    assert desk.hear(build("/mix/2/from/3", (-12.5,))) == [Heard(2, 3, -1250)]
    assert desk.hear(build("/mix/2/from/3", (-12,), "i")) == [Heard(2, 3, -1200)]
    assert desk.hear(build("/mix/2/whole", (-100.0,))) == [Heard(2, None, OFF)]
    assert desk.not_understood == Counter()


@pytest.mark.parametrize(
    ("packet", "reason"),
    [
        (build("/mix/9/from/3", (1.0,)), OTHER),
        (build("/mix/02/from/3", (1.0,)), OTHER),
        (build("/mix/*/from/3", (1.0,)), OTHER),
        (build("/mix/2/from/3/", (1.0,)), OTHER),
        (build("/mix/2/from/3", ("loud",)), ARGUMENTS),
        (build("/mix/2/from/3", (True,)), ARGUMENTS),
        (build("/mix/2/from/3", (1.0, 1.0)), ARGUMENTS),
        (build("/mix/2/from/3", (10.1,)), OUT_OF_RANGE),
        (build("/mix/2/from/3", (1e30,)), OUT_OF_RANGE),
        (build("/mix/2/from/3", (1.0,))[:-4], NOT_OSC),
        (b"", NOT_OSC),
    ],
)
def test_osc_that_changes_nothing(packet: bytes, reason: str) -> None:
    desk = _desk("osc-decibels")
    before = picture(desk)
    assert desk.hear(packet) == []
    assert picture(desk) == before
    assert desk.not_understood == Counter({reason: 1})


def _asked(desk: VirtualDesk, packet: bytes) -> list[bytes]:
    """The desk's answers to the questions of a packet."""
    asked = [one.spot for one in desk.happenings(packet) if isinstance(one, Asked)]
    return [answer for spot in asked for answer in desk.say(spot)]


def test_a_desk_with_whole_numbers_over_osc() -> None:
    answers = {"ask": {"osc": "/in/{input}/to/{mix}"}}
    profile = _profile({"osc": "/in/{input}/to/{mix}", "type": "int"}, answers=answers)
    desk = VirtualDesk(profile, 3, 3)
    assert desk.hear(build("/in/3/to/2", (127,))) == [Heard(2, 3, 1000)]
    assert desk.hear(build("/in/3/to/2", (1.0,))) == [Heard(2, 3, -9000)]
    assert desk.hear(build("/in/3/to/2", (1.5,))) == []
    assert desk.not_understood == Counter({OUT_OF_RANGE: 1})
    assert _asked(desk, build("/in/3/to/2")) == [build("/in/3/to/2", (1,), "i")]


def test_a_question_is_answered_with_the_value() -> None:
    desk = _desk("osc-travel")
    desk.hear(build("/mix/2/travel/3", (0.6,)))
    question = build("/ask/mix/2/travel/3")
    assert desk.hear(question) == []
    assert desk.not_understood == Counter()
    # What the desk answers, told to it again, changes nothing.
    (answer,) = _asked(desk, question)
    assert answer == build("/mix/2/travel/3", (0.6,))
    assert desk.hear(answer) == [Heard(2, 3, -1200)]
    assert _asked(desk, answer) == []
    assert _asked(desk, build("/ask/mix/9/travel/3")) == []


def test_questions_in_a_bundle() -> None:
    desk = _desk("osc-decibels")
    desk.hear(build("/mix/1/from/1", (-3.0,)))
    parts = [build("/ask/mix/1/from/1"), build("/ask/mix/1/from/2"), build("/mix/1/from/1", (-6.0,))]
    bundle = b"#bundle\0" + bytes(7) + b"\1" + b"".join(len(one).to_bytes(4, "big") + one for one in parts)
    happenings = list(desk.happenings(bundle))
    assert happenings == [Asked(Spot(1, 1)), Asked(Spot(1, 2)), Brought(Heard(1, 1, -600))]


def test_a_desk_whose_profile_has_no_questions_answers_none() -> None:
    values = {"law": "db", "lowest": -60, "highest": 0, "off": -90}
    desk = VirtualDesk(_profile({"osc": "/in/{input}/to/{mix}"}, values=values), 3, 3)
    assert _asked(desk, build("/in/3/to/2")) == []
    assert desk.not_understood == Counter({ARGUMENTS: 1})


def test_background_messages_are_counted() -> None:
    desk = _desk("control-change")
    assert _hex(desk, "F8 FE 90 3C 40 B0 79 00 E0 00 40 F6 FF") == []
    assert desk.not_understood == Counter({REALTIME: 3, OTHER: 4})


def test_a_desk_that_cannot_say_off_begins_at_its_lowest() -> None:
    values = {"law": "db", "lowest": -60, "highest": 0, "step": 1, "first": 10}
    desk = VirtualDesk(_profile({"channel": 1, "control change": {"first": 20, "per input": 1}}, values=values), 2, 1)
    assert set(picture(desk).values()) == {-6000}
    assert _hex(desk, "B0 14 09") == []
    assert desk.not_understood == Counter({OUT_OF_RANGE: 1})


def test_a_coarse_part_out_of_range_waits_for_its_fine_part() -> None:
    values = {"law": "points", "points": [[200, -60], [16_383, 10]]}
    desk = VirtualDesk(_profile({"channel": 1, "nrpn": {"first": 1, "per input": 1}}, values=values), 2, 1)
    assert _hex(desk, "B0 63 00 B0 62 01 B0 06 01") == []
    assert _hex(desk, "B0 26 48") == [Heard(1, 1, -6000)]


CONTROL = {"channel": {"first": 1, "per mix": 1}, "control change": {"first": 16, "per input": 1}}


@pytest.mark.parametrize(
    ("say", "more", "inputs", "mixes", "why"),
    [
        (CONTROL, {}, 4, 17, "channel 17"),
        # From 120 on controllers are channel mode messages (MIDI 1.0): 121 resets, 123 is all notes off.
        (CONTROL, {}, 105, 1, "number 120"),
        (CONTROL, {}, 0, 0, None),
        (CONTROL, {}, [1, 0], 1, "counted from 1"),
        (CONTROL, {}, [3, 3], 1, "same message"),
        ({"channel": 1, "control change": {"first": 16, "per input": 1, "per mix": 3}}, {}, 4, 2, "same message"),
        (CONTROL, {"whole mix": {"say": {"channel": 1, "control change": 17}}}, 4, 1, "same message"),
        ({"channel": 1, "control change pair": {"first": 30, "per input": 1}}, {}, 3, 1, "number 32"),
        ({"channel": 1, "control change pair": {"first": 6}}, {}, 1, 1, None),
        (CONTROL, {"stored scene": {"channel": 1, "banks": "yes"}}, 17, 1, "selects banks"),
        (CONTROL, {"whole mix": {"say": {"channel": 1, "nrpn": 5}}}, 23, 1, "enters data"),
        ({"channel": 1, "nrpn": {"first": 16_383, "per input": 1}}, {}, 2, 1, "number 16384"),
        ({"sysex": "F0 7D {mix} {value} F7"}, {}, 2, 1, "same message"),
        ({"sysex": "F0 7D {mix} {input} {value} F7"}, {}, 129, 1, "SysEx byte"),
        ({"osc": "/to/{mix}{input}"}, {}, 11, 11, "same message"),
    ],
)
def test_a_rig_that_does_not_fit(
    say: dict[str, Any], more: dict[str, Any], inputs: int | list[int], mixes: int, why: str | None
) -> None:
    points = {"law": "points", "points": [[0, "off"], [1, -90], [127, 10]]}
    if "whole mix" in more:
        more = {"whole mix": {"values": points, **more["whole mix"]}}
    profile = _profile(say, **more)
    if why is None:
        VirtualDesk(profile, inputs, mixes)
        return
    with pytest.raises(WireError, match=why):
        VirtualDesk(profile, inputs, mixes)
