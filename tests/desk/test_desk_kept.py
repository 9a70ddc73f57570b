"""Parameters that stay selected: fewer bytes, and the same levels at the desk whatever comes in between."""

from __future__ import annotations

from functools import cache
from typing import Any

from depth import examples
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from shipped import picture

from stagectl.desk.speak import KEPT_NS, Speaker
from stagectl.desk.virtual import VirtualDesk
from stagectl.show.profile import ProfileModel

SOCKETS, MIXES = (1, 2, 5), (1, 2)
MS = 1_000_000


def _profile(kind: str, **more: Any) -> ProfileModel:
    # Parameter numbers whose halves differ between mixes, and between inputs of one mix.
    number = {"first": 120, "per input": 3, "per mix": 128}
    say = {"channel": 2, kind: number, "kept": "yes"}
    values = {"law": "points", "points": [[0, "off"], [1, -90], [16383, 10]]}
    return ProfileModel.model_validate(
        {"name": "invented", "over": "midi", "send": {"say": say, "values": values}, **more}
    )


def _said(speaker: Speaker, send: int, level: int, now: int | None) -> str:
    return b"".join(speaker.say(send, level, now)).hex(" ").upper()


def test_only_what_changed_is_selected_anew() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: data entry is for the parameter that was selected last.
    speaker = Speaker(_profile("nrpn"), SOCKETS, MIXES)
    assert _said(speaker, 0, 1_000, 0) == "B1 63 00 B1 62 78 B1 06 7F B1 26 7F"
    assert _said(speaker, 0, 1_000, MS) == "B1 06 7F B1 26 7F"
    # Input 2 has the parameter 123, input 5 has 132: another LSB, then another MSB and LSB.
    assert _said(speaker, 1, 1_000, 2 * MS) == "B1 62 7B B1 06 7F B1 26 7F"
    assert _said(speaker, 2, 1_000, 3 * MS) == "B1 63 01 B1 62 04 B1 06 7F B1 26 7F"


def test_it_is_all_said_again_where_the_selection_may_be_lost() -> None:
    speaker = Speaker(_profile("nrpn", **{"stored scene": {"channel": 2}}), SOCKETS, MIXES)
    whole = "B1 63 00 B1 62 78 B1 06 7F B1 26 7F"
    assert _said(speaker, 0, 1_000, 0) == whole
    assert _said(speaker, 0, 1_000, KEPT_NS) != whole
    assert _said(speaker, 0, 1_000, 2 * KEPT_NS + 1) == whole
    speaker.forget()
    assert _said(speaker, 0, 1_000, 2 * KEPT_NS + 2) == whole
    speaker.stored(1)
    assert _said(speaker, 0, 1_000, 2 * KEPT_NS + 3) == whole
    speaker.others([bytes.fromhex("B1 07 10")])
    assert _said(speaker, 0, 1_000, 2 * KEPT_NS + 4) == whole
    speaker.others([bytes.fromhex("B0 07 10"), bytes.fromhex("F8")])
    assert _said(speaker, 0, 1_000, 2 * KEPT_NS + 5) == "B1 06 7F B1 26 7F"
    # A clock that went back, and no clock at all.
    assert _said(speaker, 0, 1_000, 0) == whole
    assert _said(speaker, 0, 1_000, None) == whole
    assert _said(speaker, 0, 1_000, 1) == whole


@cache
def _with_whole_mix(kind: str, whole: str) -> ProfileModel:
    """Whole mixes are said on the same channel, by the same or the other kind of parameter or by a controller."""
    values = {"law": "points", "points": [[0, "off"], [1, -90], [127, 10]]}
    say = {"channel": 2, whole: {"first": 40, "per mix": 1}} | ({} if whole == "control change" else {"kept": True})
    return _profile(kind, **{"whole mix": {"say": say, "values": values}, "stored scene": {"channel": 2}})


class AnyNight(RuleBasedStateMachine):
    """A speaker that leaves out what is selected, beside one that says all: two desks that always agree."""

    @initialize(kind=st.sampled_from(["nrpn", "rpn"]), whole=st.sampled_from(["nrpn", "rpn", "control change"]))
    def open(self, kind: str, whole: str) -> None:
        profile = _with_whole_mix(kind, whole)
        self.speaker, self.plain = Speaker(profile, SOCKETS, MIXES), Speaker(profile, SOCKETS, MIXES)
        self.desk, self.other = VirtualDesk(profile, SOCKETS, MIXES), VirtualDesk(profile, SOCKETS, MIXES)
        self.desk.store(1)
        self.other.store(1)
        self.now = 0

    def _hear(self, packets: tuple[bytes, ...], whole: tuple[bytes, ...]) -> None:
        assert len(packets) <= len(whole)
        for packet in packets:
            self.desk.hear(packet)
        for packet in whole:
            self.other.hear(packet)

    @rule(send=st.integers(0, 7), level=st.integers(-9_500, 1_000), wait=st.sampled_from([0, MS, KEPT_NS, 2 * KEPT_NS]))
    def say(self, send: int, level: int, wait: int) -> None:
        self.now += wait
        self._hear(self.speaker.say(send, level, self.now), self.plain.say(send, level))

    @rule()
    def recall(self) -> None:
        self._hear(self.speaker.stored(1), self.plain.stored(1))

    @rule(parameter=st.integers(0, 127))
    def something_else_selects(self, parameter: int) -> None:
        packets = (bytes((0xB1, 0x63, parameter)), bytes((0xB1, 0x62, 1)))
        self.speaker.others(packets)
        self._hear(packets, packets)

    @rule()
    def the_desk_is_switched_off_and_on(self) -> None:
        self.speaker.forget()
        self.desk.start()
        self.other.start()

    @invariant()
    def the_desks_agree(self) -> None:
        if hasattr(self, "desk"):
            assert picture(self.desk) == picture(self.other)


TestAnyNight = AnyNight.TestCase
TestAnyNight.settings = settings(max_examples=examples(40), stateful_step_count=20)
