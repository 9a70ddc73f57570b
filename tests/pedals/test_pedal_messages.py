"""Every kind of message that a control may send.

Source: MIDI 1.0 Detailed Specification 4.2.1, unless said otherwise.
"""

from __future__ import annotations

from typing import Any

import pytest
from ears import heard, mapping, midi_ear, moves
from pydantic import ValidationError

from stagectl.core.events import Moved, Unmapped
from stagectl.show.mapping import MappingModel

# What is mapped, the bytes, the values that the control says.
ROWS: list[tuple[Any, str, list[int]]] = [
    # Running status and note off by velocity 0: the specification's own example.
    ({"note": 60}, "90 3C 27 3C 00 3E 29", [0x27, 0]),
    ({"note": 60}, "90 3C 01 80 3C 40", [1, 0]),
    ({"note": 60, "channel": 10}, "90 3C 40 99 3C 40 89 3C 00", [0x40, 0]),
    ({"note": 60, "channel": "any"}, "90 3C 40 9F 3C 40", [0x40, 0x40]),
    # Switches are off up to 63 and on from 64: the core tells them apart, the value comes as it is.
    ({"control change": 64}, "B0 40 00 40 3F 40 40 40 7F", [0, 63, 64, 127]),
    ({"control change": 80, "channel": 2}, "B0 50 7F B1 50 7F", [127]),
    ({"program": 5}, "C0 05 05 04", [1, 1]),
    # Bank 00/00 is the first, 00/7F the 128th, 01/00 the 129th, 7F/7F the 16,384th.
    ({"program": 5, "bank": 0}, "B0 00 00 B0 20 00 C0 05", [1]),
    ({"program": 5, "bank": 127}, "B0 00 00 B0 20 7F C0 05", [1]),
    ({"program": 5, "bank": 128}, "B0 00 01 B0 20 00 C0 05", [1]),
    ({"program": 5, "bank": 16383}, "B0 00 7F B0 20 7F C0 05", [1]),
    ({"program": 5, "bank": 128}, "B0 00 01 C0 05", [1]),
    ({"program": 5, "bank": 128}, "C0 05 B0 00 00 C0 05 B1 00 01 C0 05", []),
    ({"program": 5}, "B0 00 01 B0 20 02", []),
    ({"program": 5, "bank": 2}, "B0 20 02 C0 05", [1]),
    ({"program": 5, "bank": 257}, "B0 20 01 B0 00 02 C0 05", [1]),
    ({"program": 5, "bank": 256}, "B0 20 01 B0 00 02 C0 01 B0 00 02 C0 05", [1]),
    # LSB first; E0 00 40 is the centre.
    ("pitch bend", "E0 00 40 E3 00 00 E0 7F 7F", [8192, 0, 16383]),
    ({"pitch bend": None, "channel": 1}, "E1 00 40 E0 01 00", [1]),
    ("channel pressure", "D0 00 7F", [0, 127]),
    ({"channel pressure": None, "channel": 3}, "D0 05 D2 06", [6]),
    ({"key pressure": 60}, "A0 3C 10 3D 11", [16]),
    ({"realtime": "start"}, "FA FB FC", [1]),
    ({"realtime": "continue"}, "FA FB FC", [1]),
    ({"realtime": "stop"}, "FA FB FC", [1]),
    ({"song select": 3}, "F3 02 F3 03 03", [1]),
    # MMC play: F0 7F id 06 02 F7.
    ({"sysex": "F0 7F ?? 06 02 F7"}, "F0 7F 7F 06 02 F7 F0 7F 01 06 02 F7 F0 7F 01 06 01 F7", [1, 1]),
    # Universal master volume: F0 7F 7F 04 01 ll mm F7, LSB first.
    ({"sysex": "F0 7F ?? 04 01 {value lsb} {value msb} F7"}, "F0 7F 7F 04 01 05 02 F7", [261]),
    ({"sysex": "F07D01{value}F7"}, "F0 7D 01 33 F7 F0 7D 01 F7 F0 7D 01 33 00 F7", [51]),
    # Pair: the MSB resets the LSB, and the LSB may come alone.
    ({"control change pair": 11}, "B0 0B 40 B0 2B 05 2B 06", [8192, 8197, 8198]),
    # NRPN 1288 set to 8192 (worked out from the specification), RPN 0 in the same way.
    ({"nrpn": 1288}, "B0 63 0A 62 08 06 40 26 00", [8192, 8192]),
    ({"rpn": 0}, "B0 65 00 64 00 06 02", [256]),
]


@pytest.mark.parametrize(("sends", "text", "values"), ROWS, ids=lambda one: str(one)[:40])
def test_a_message_moves_its_control(sends: Any, text: str, values: list[int]) -> None:
    ear = midi_ear(sends)
    assert [value for _, value in heard(ear, text)] == values
    # The same byte by byte, as some drivers hand them over.
    ear = midi_ear(sends)
    assert [value for byte in bytes.fromhex(text) for _, value in heard(ear, f"{byte:02X}")] == values


@pytest.mark.parametrize(
    ("sends", "top", "gives_release"),
    [
        ({"note": 1}, 127, True),
        ({"control change": 1}, 127, True),
        ({"control change pair": 1}, 16383, True),
        ({"nrpn": 1}, 16383, True),
        ({"rpn": 1}, 16383, True),
        ({"program": 1}, 1, False),
        ({"program": 1, "bank": 1}, 1, False),
        ("pitch bend", 16383, True),
        ("channel pressure", 127, True),
        ({"key pressure": 1}, 127, True),
        ({"sysex": "F0 7D F7"}, 1, False),
        ({"sysex": "F0 7D {value} F7"}, 127, True),
        ({"sysex": "F0 7D {value msb} {value lsb} F7"}, 16383, True),
        ({"realtime": "start"}, 1, False),
        ({"song select": 1}, 1, False),
        ({"osc": "/a", "top": 5}, 16383, True),
        ({"key": "page down"}, 1, True),
    ],
    ids=lambda one: str(one)[:40],
)
def test_what_a_control_says_at_most_and_whether_it_lets_go(sends: Any, top: int, gives_release: bool) -> None:
    (control,) = mapping(sends).controls.values()
    assert (control.sends.top, control.sends.gives_release) == (top, gives_release)


@pytest.mark.parametrize(
    "sends",
    [
        {"note": 128},
        {"control change pair": 32},
        {"nrpn": 16383},
        {"rpn": 16383},
        {"program": 1, "bank": 16384},
        {"pitch bend": 1},
        {"realtime": "clock"},
        {"song select": 128},
        {"sysex": "F0 7D 80 F7"},
        {"sysex": "F0 F7"},
        {"sysex": "7D 01 F7"},
        {"sysex": "F0 {value msb} F7"},
        {"sysex": "F0 {value} {value} F7"},
        {"sysex": "F0 {value} {value msb} {value lsb} F7"},
        {"sysex": "F0 {level} F7"},
        {"sysex": "F0 7 F7"},
        {"sysex": "F0 " + "00 " * 300 + "F7"},
        {"key": "page dwon"},
        {"note": 1, "bank": 2},
    ],
    ids=lambda one: str(one)[:40],
)
def test_what_no_control_sends(sends: Any) -> None:
    with pytest.raises(ValidationError):
        MappingModel.model_validate({"name": "a pedal", "controls": {"a": {"sends": sends}}})


def test_a_whole_message_of_no_control_is_told() -> None:
    ear = midi_ear({"note": 60})
    said = [event.said for event in ear.hear(bytes.fromhex("90 3D 40 C0 05 FF F6")) if isinstance(event, Unmapped)]
    assert said == ["90 3D 40", "C0 05", "FF", "F6"]


def test_clock_and_active_sensing_are_counted() -> None:
    ear = midi_ear({"note": 60})
    assert ear.hear(bytes.fromhex("F8 F8 FE 90 F9 3C FD 40")) != []
    assert ear.counted == {"clock": 2, "active sensing": 1, "undefined real-time": 2}


def test_time_code_and_song_position_are_counted() -> None:
    ear = midi_ear({"song select": 3}, {"realtime": "continue"})
    assert moves(ear.hear(bytes.fromhex("F1 00 F1 10 F2 00 08 FB F3 03"))) == [(1, 1), (0, 1)]
    assert ear.counted == {"time code": 2, "song position": 1}


@pytest.mark.parametrize("sends", [{"program": 5}, {"program": 5, "bank": 128}], ids=str)
def test_a_bank_belongs_to_its_program(sends: Any) -> None:
    """It is no message of its own that nobody stands for; on a channel without programs it is."""
    ear = midi_ear({**sends, "channel": 1})
    assert ear.hear(bytes.fromhex("B0 00 01 B0 20 00 C0 05")) == [Moved(pedal=0, control=0, value=1)]
    assert ear.hear(bytes.fromhex("B1 00 01")) == [Unmapped(pedal=0, said="B1 00 01")]
