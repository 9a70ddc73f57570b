"""What the desk says, heard by a rig: the virtual desk's own words and bytes written by hand."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shipped import MIXES, PROFILES, SOCKETS, law_of, pair, profile_of, sends, spot_of

from stagectl.core.levels import OFF
from stagectl.desk import meaning, virtual
from stagectl.desk.meaning import ARGUMENTS, DISCARDED, FINE_ALONE, NOT_OSC, OTHER, OUT_OF_RANGE, Asked, Spot
from stagectl.desk.talk import DeskTalk, Said
from stagectl.desk.virtual import Brought, VirtualDesk
from stagectl.show.load import load_show
from stagectl.where import shipped
from stagectl.wire.midi import sysex
from stagectl.wire.osc import build
from stagectl.wire.stream import CUT_SHORT, NO_STATUS, TOO_LONG, UNDEFINED

REASONS = {value for name, value in vars(meaning).items() if name.isupper() and isinstance(value, str)}
REASONS |= {CUT_SHORT, NO_STATUS, TOO_LONG, UNDEFINED}


def _talk(name: str) -> DeskTalk:
    return DeskTalk(profile_of(name), SOCKETS, MIXES)


def _send(mix: int, socket: int | None) -> int:
    column = len(SOCKETS) if socket is None else SOCKETS.index(socket)
    return MIXES.index(mix) * (len(SOCKETS) + 1) + column


@pytest.mark.parametrize("name", PROFILES)
def test_each_question_is_answered_by_the_level_it_asks_for(name: str) -> None:
    speaker, desk = pair(name)
    talk = _talk(name)
    for at, send in enumerate(sends(name)):
        steps = law_of(name, send).grid.steps
        level = steps[(at + 1) * len(steps) // (len(sends(name)) + 2)]
        for packet in speaker.say(send, level):
            desk.hear(packet)
        for question in talk.ask(send):
            (asked,) = desk.happenings(question)
            assert asked == Asked(Spot(*spot_of(send)))
            heard = [said for answer in desk.say(asked.spot) for said in talk.hear(answer)]
            assert heard[-1:] == [Said(send, level)]
    assert (talk.counted, desk.not_understood) == (Counter(), Counter())


@pytest.mark.parametrize("name", PROFILES)
@given(data=st.data())
def test_what_the_desk_says_is_heard(name: str, data: st.DataObject) -> None:
    """Every level that a desk can hold is heard as the nearest step of the law."""
    _, desk = pair(name)
    talk = _talk(name)
    send = data.draw(st.sampled_from(sends(name)))
    law = law_of(name, send)
    level = data.draw(st.one_of(st.just(OFF), st.sampled_from(law.grid.steps)))
    spot = Spot(*spot_of(send))
    held = desk.move(spot, level).level
    heard = talk.hear(b"".join(desk.say(spot))) if desk.profile.over == "midi" else talk.hear(desk.say(spot)[0])
    assert heard == [Said(send, held)]


def test_the_talk_of_a_demo_show() -> None:
    show = load_show(shipped("setlists") / "three-songs")
    talk = DeskTalk.of(show)
    assert (talk.can_read, talk.reports, talk.echoes, talk.renew_ns) == (True, True, False, 20_000_000_000)
    width = len(show.rig.inputs) + 1
    assert talk.ask(width + 1) == (build("/ask/mix/2/from/2"),)
    assert talk.ask(width + width - 1) == (build("/ask/mix/2/whole"),)
    assert talk.ask(10_000) == talk.ask_all() == ()
    assert talk.subscribe() == (build("/reports"),)


def test_a_one_way_desk_is_asked_nothing() -> None:
    talk = _talk("control-pair")
    assert not (talk.can_read or talk.reports or talk.echoes)
    assert talk.renew_ns is None
    assert talk.subscribe() == talk.ask_all() == talk.ask(0) == ()


def test_questions_by_sysex() -> None:
    talk = _talk("sysex")
    assert talk.ask(_send(16, 24)) == (bytes.fromhex("F0 7D 11 0F 17 F7"),)
    assert talk.ask(_send(16, None)) == ()
    assert talk.ask_all() == (bytes.fromhex("F0 7D 12 F7"),)
    assert talk.hear(sysex(bytes.fromhex("F0 7D 10 0F 17 06 21 F7"))) == [Said(_send(16, 24), -1_000)]


def test_a_coarse_part_counts_and_its_fine_part_corrects_it() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: a received MSB resets the LSB to 0; the LSB may come alone.
    talk, law = _talk("control-pair"), law_of("control-pair", 0)
    send = _send(1, 1)
    assert talk.hear(bytes.fromhex("B0 28 10")) == []
    assert talk.counted == Counter({FINE_ALONE: 1})
    coarse, whole, fine = (law.level(code) for code in (0x40 << 7, 0x40 << 7 | 0x10, 0x40 << 7 | 0x11))
    assert talk.hear(bytes.fromhex("B0 08 40")) == [Said(send, coarse)]
    assert talk.hear(bytes.fromhex("B0 28 10")) == [Said(send, whole)]
    assert talk.hear(bytes.fromhex("B0 28 11")) == [Said(send, fine)]
    # In one packet they are one value.
    assert talk.hear(bytes.fromhex("B0 08 40 28 10")) == [Said(send, whole)]
    talk.forget()
    assert talk.hear(bytes.fromhex("B0 28 11")) == []


def test_a_value_between_two_steps_is_the_nearest() -> None:
    talk = _talk("osc-decibels")
    send = _send(3, 5)
    assert talk.hear(build("/mix/3/from/5", (-12.34,))) == [Said(send, -1_230)]
    assert talk.hear(build("/mix/3/from/5", (-12.36,))) == [Said(send, -1_240)]
    assert talk.hear(build("/mix/3/from/5", (-200.0,))) == [Said(send, OFF)]


def test_one_odd_message_costs_no_other_of_its_bundle() -> None:
    """A desk may bundle levels with meters, which stand at minus infinity where nothing is heard."""
    talk = _talk("osc-decibels")
    parts = [build("/mix/3/from/5", (-12.3,)), build("/meter", (float("-inf"),)), build("/mix/3/from/1", (-6.0,))]
    bundle = b"#bundle\0" + bytes(8) + b"".join(len(part).to_bytes(4, "big") + part for part in parts)
    assert talk.hear(bundle) == [Said(_send(3, 5), -1_230), Said(_send(3, 1), -600)]
    assert talk.counted == Counter({DISCARDED: 1})


@pytest.mark.parametrize(
    ("packet", "reason"),
    [
        (build("/mix/3/from/5", (float("nan"),)), DISCARDED),
        (build("/mix/3/from/5", (float("inf"),)), DISCARDED),
        (build("/mix/3/from/5", (11.0,)), OUT_OF_RANGE),
        (build("/mix/3/from/5", ("-12",)), ARGUMENTS),
        (build("/mix/3/from/5", (True,)), ARGUMENTS),
        (build("/mix/3/from/5", (-12.0, -12.0)), ARGUMENTS),
        (build("/ask/mix/3/from/5"), OTHER),
        (build("/mix/4/from/5", (-12.0,)), OTHER),
        (build("/mix/3/from/5", (-12.0,))[:-1], NOT_OSC),
    ],
)
def test_what_means_no_level_is_counted(packet: bytes, reason: str) -> None:
    talk = _talk("osc-decibels")
    assert talk.hear(packet) == []
    assert talk.counted == Counter({reason: 1})


@pytest.mark.parametrize("name", PROFILES)
@given(packets=st.lists(st.binary(max_size=48), max_size=12))
def test_any_bytes_at_all(name: str, packets: list[bytes]) -> None:
    talk = _talk(name)
    for packet in packets:
        for said in talk.hear(packet):
            law = law_of(name, said.send)
            assert law.grid.has_off if said.level is OFF else said.level in law.grid.steps
    assert set(talk.counted) <= REASONS


NUMBERS = st.one_of(
    st.floats(width=32), st.integers(-(2**31), 2**31 - 1), st.booleans(), st.text("-0123456789.enaif", max_size=6)
)


@pytest.mark.parametrize("name", [one for one in PROFILES if profile_of(one).over == "osc"])
@given(number=NUMBERS)
def test_any_argument_at_all(name: str, number: float | bool | str) -> None:
    """A number that is none, or is out of range, or of a wrong type, changes nothing and is counted."""
    desk, talk = VirtualDesk(profile_of(name), SOCKETS, MIXES), _talk(name)
    address = desk.profile.send.say.packets(5, 3, 0)[0].split(b"\0")[0].decode()
    packet = build(address, (number,))
    before, happenings, said = desk.levels(), list(desk.happenings(packet)), talk.hear(packet)
    heard = [one for one in happenings if isinstance(one, Brought)]
    assert len(heard) == len(said)
    assert sum(talk.counted.values()) == 1 - len(said)
    # A number may be what a question asks for: the desk answers that, and a rig that hears it makes nothing of it.
    assert sum(desk.not_understood.values()) == 1 - len(happenings)
    assert (desk.levels() == before) or heard
    assert set(desk.not_understood) <= REASONS | {virtual.NOT_STORED}
