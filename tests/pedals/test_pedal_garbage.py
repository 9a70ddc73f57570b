"""Whatever is on the wire, a control moves only by a message of its own that arrived whole."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from alsa_judge import judged
from ears import heard, midi_ear
from hypothesis import given
from hypothesis import strategies as st

from stagectl.pedals.hear import MidiEar
from stagectl.wire.midi import SYSEX_MAX

# Each kind of one message, its bytes, and what it says.
WHOLE: list[tuple[Any, str, int]] = [
    ({"note": 60, "channel": 3}, "92 3C 40", 64),
    ({"control change": 80, "channel": 3}, "B2 50 7F", 127),
    ({"program": 5, "channel": 3}, "C2 05", 1),
    ({"pitch bend": None, "channel": 3}, "E2 00 40", 8192),
    ({"channel pressure": None, "channel": 3}, "D2 40", 64),
    ({"key pressure": 60, "channel": 3}, "A2 3C 40", 64),
    ({"sysex": "F0 7D 55 {value} F7"}, "F0 7D 55 11 F7", 17),
    ({"song select": 9}, "F3 09", 1),
    ({"nrpn": 1288, "channel": 3}, "B2 63 0A 62 08 06 40", 8192),
]
IDS = [str(sends) for sends, _, _ in WHOLE]


def _ours(sends: Any, message: bytes) -> bool:
    """Could this whole message be of that control? Said here once more, straight from the specification."""
    (kind, number), channel = next(iter(sends.items())), sends.get("channel", 1) - 1
    first = {
        "note": (0x90 | channel, number),
        "control change": (0xB0 | channel, number),
        "program": (0xC0 | channel, number),
        "pitch bend": (0xE0 | channel,),
        "channel pressure": (0xD0 | channel,),
        "key pressure": (0xA0 | channel, number),
        "sysex": (0xF0, 0x7D, 0x55),
        "song select": (0xF3, number),
    }[kind]
    heads = [bytes(first)] + ([bytes((0x80 | channel, number))] if kind == "note" else [])
    return message.startswith(tuple(heads)) and (kind != "sysex" or len(message) == 5)


@pytest.mark.parametrize(("sends", "text", "value"), WHOLE[:-1], ids=IDS[:-1])
@given(garbage=st.lists(st.binary(max_size=30), max_size=6))
def test_garbage_moves_nothing_but_by_whole_messages(sends: Any, text: str, value: int, garbage: list[bytes]) -> None:
    """As often as ALSA's reader finds a message of the control in the garbage, and no more, it moves."""
    raw = bytes.fromhex(text)
    stream = b"".join(part + raw[: at % (len(raw) + 1)] for at, part in enumerate(garbage))
    expected = sum(_ours(sends, message) for message in judged(stream))
    ear = midi_ear(sends)
    assert len(heard(ear, stream.hex())) == expected


@pytest.mark.parametrize(("sends", "text", "value"), WHOLE, ids=IDS)
@given(before=st.binary(max_size=40), data=st.data())
def test_a_half_message_moves_nothing(sends: Any, text: str, value: int, before: bytes, data: st.DataObject) -> None:
    """After garbage that cannot be of the control, each shorter piece of its message moves nothing; a new status ends
    it, and the whole message then moves it, real-time bytes inside or not."""
    raw = bytes.fromhex(text)
    # Garbage on other channels only, with no SysEx and no song select.
    safe = bytes(b for b in before if b < 0x80 or b >= 0xF8 or (b & 0x0F != 2 and b < 0xF0))
    cut = data.draw(st.integers(0, len(raw) - 1))
    ear = midi_ear(sends)
    assert heard(ear, (b"\xf6" + safe + b"\xf6" + raw[:cut] + b"\xf6").hex()) == []
    inside = data.draw(st.lists(st.sampled_from((0xF8, 0xFE, 0xF9, 0xFD)), min_size=len(raw), max_size=len(raw)))
    mixed = bytes(byte for pair in zip(inside, raw, strict=True) for byte in pair)
    # A number that was selected half is finished by its next use.
    heard(ear, "B2 06 00" if "nrpn" in sends else "")
    assert heard(ear, mixed.hex()) == [(0, value)]


@given(st.lists(st.binary(max_size=40), max_size=10))
def test_no_bytes_make_an_ear_stumble(packets: list[bytes]) -> None:
    ear = midi_ear(*(sends for sends, _, _ in WHOLE), {"control change pair": 1}, {"program": 9, "bank": 4})
    for packet in packets:
        for event in ear.hear(packet):
            assert event is not None
        ear.settle()
    assert all(number > 0 for number in ear.counted.values())


def test_every_byte_that_is_no_message_is_counted() -> None:
    ear = midi_ear({"note": 60})
    assert ear.hear(bytes.fromhex("3C 40 90 3C B0 07 F0 7D C0 F4 F7") + b"\xf0" + b"\1" * SYSEX_MAX + b"\xf7") == []
    assert ear.hear(b"") == []
    assert ear.counted == Counter(
        {
            "data bytes with no status before them": 2,
            "a message cut short": 4,
            "an undefined status byte": 2,
            "a SysEx message that is too long": 1,
            "empty": 1,
        }
    )


class _Counting(MidiEar):
    """Counts how often a message is looked at."""

    looked = 0

    def _message(self, message: bytes) -> Any:
        self.looked += 1
        return super()._message(message)


@pytest.mark.parametrize("piece", ["F8", "B0 0B 10", "F0 7D", "F0 7D 01 F7", "3C", "B0 63 01 62 02 06 03", "F4"])
def test_a_flood_leaves_nothing_behind(piece: str) -> None:
    """Work and memory are by the byte: a message is looked at once, and nothing is kept of it."""
    ear = _Counting(0, midi_ear_mapping())
    raw = bytes.fromhex(piece)
    for times in (1, 10, 1000):
        ear.looked = 0
        ear.hear(raw * times)
        assert ear.looked <= len(raw) * times
    assert len(ear._stream._held) <= SYSEX_MAX
    assert len(ear._fines) <= 16 * 3
    assert len(ear._selections) <= 16
    assert len(ear._banks) <= 16


def midi_ear_mapping() -> Any:
    from ears import mapping

    return mapping({"control change pair": 11}, {"nrpn": 130}, {"sysex": "F0 7D 01 F7"})
