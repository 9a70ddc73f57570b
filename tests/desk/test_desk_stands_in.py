"""The contract of a virtual desk that talks, for every profile, under a virtual clock: what is told arrives, what is
asked is answered, what hands do is reported to who wants to know, and nothing is misunderstood."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shipped import MIXES, PROFILES, SOCKETS, law_of, picture, profile_of, sends, spot_of

from stagectl.core.levels import OFF, Level
from stagectl.desk.faults import Faults
from stagectl.desk.meaning import Spot
from stagectl.desk.speak import Speaker
from stagectl.desk.stand_in import CLIENTS_MAX, FINE_NS, WHILE_OFF, Client, Out, StandIn
from stagectl.desk.talk import DeskTalk, Said
from stagectl.desk.virtual import VirtualDesk
from stagectl.show.profile import ProfileModel

MS = 1_000_000
SECOND = 1_000 * MS

ANSWERING = [name for name in PROFILES if (it := profile_of(name).answers) is not None and it.can_read]
REPORTING = [name for name in PROFILES if (it := profile_of(name).answers) is not None and it.reports]
RENEWED = [name for name in REPORTING if (it := profile_of(name).answers) is not None and it.renew is not None]
STORING = [name for name in PROFILES if profile_of(name).stored_scene is not None]


class Stage:
    """A desk, and a rig that speaks to it and hears it. `other`: a second client of an OSC desk."""

    def __init__(self, name: str, faults: Faults | None = None, seed: int = 0, fader_steps: int | None = None) -> None:
        self.name = name
        profile: ProfileModel = profile_of(name)
        self.speaker = Speaker(profile, SOCKETS, MIXES)
        self.talk = DeskTalk(profile, SOCKETS, MIXES)
        self.desk = VirtualDesk(profile, SOCKETS, MIXES, fader_steps)
        self.stand_in = StandIn(self.desk, faults, seed)
        over_osc = profile.over == "osc"
        self.me: Client = ("rig", 1) if over_osc else None
        self.other: Client = ("tablet", 2) if over_osc else None
        self.now = 10 * SECOND

    def tell(self, packets: Iterable[bytes], client: Client = None) -> list[Out]:
        """Packets now, and what comes of them."""
        for packet in packets:
            self.stand_in.hear(packet, client or self.me, self.now)
        return self.wait(0)

    def wait(self, length: int) -> list[Out]:
        """What the desk says while time passes, ns."""
        self.now += length
        return list(self.stand_in.advance(self.now).out)

    def settle(self) -> list[Out]:
        """Until nothing is on its way, at the times when things are due."""
        out = []
        while (due := self.stand_in.due) is not None:
            out += self.wait(max(0, due - self.now))
        return out

    def said(self, out: Iterable[Out], client: Client = None) -> list[Said]:
        """What a client makes of it: a value in two parts is one."""
        packets = [one.packet for one in out if one.to == (client or self.me)]
        if self.desk.profile.over == "osc":
            return [said for packet in packets for said in self.talk.hear(packet)]
        return self.talk.hear(b"".join(packets))


def _at_start(name: str, send: int) -> Level:
    """Where a level begins: off, or the lowest."""
    law = law_of(name, send)
    return law.level(law.code(OFF))


def _levels(name: str, send: int, count: int) -> list[int]:
    steps = law_of(name, send).grid.steps
    return [steps[(at + 1) * len(steps) // (count + 2)] for at in range(count)]


@pytest.mark.parametrize("name", PROFILES)
def test_what_is_told_arrives_and_is_echoed_where_the_desk_echoes(name: str) -> None:
    stage = Stage(name)
    for at, send in enumerate(sends(name)):
        level = _levels(name, send, len(sends(name)))[at]
        said = stage.said(stage.tell(stage.speaker.say(send, level)))
        assert said == ([Said(send, level)] if stage.talk.echoes else [])
        assert picture(stage.desk)[spot_of(send)] == level
    assert (stage.desk.not_understood, stage.talk.counted) == (Counter(), Counter())


@pytest.mark.parametrize("name", ANSWERING)
def test_every_question_is_answered_to_who_asks(name: str) -> None:
    stage = Stage(name)
    for at, send in enumerate(sends(name)):
        level = _levels(name, send, len(sends(name)))[at]
        stage.tell(stage.speaker.say(send, level))
        if stage.talk.ask(send):
            out = stage.tell(stage.talk.ask(send), stage.other)
            assert {one.to for one in out} == {stage.other}
            assert stage.said(out, stage.other) == [Said(send, level)]
    if stage.talk.ask_all():
        said = stage.said(stage.tell(stage.talk.ask_all()))
        assert sorted(one.send for one in said) == sends(name)
        assert {one.send: one.level for one in said} == {one: picture(stage.desk)[spot_of(one)] for one in sends(name)}
    assert all(stage.talk.ask(send) for send in sends(name)) or stage.talk.ask_all()
    assert (stage.desk.not_understood, stage.talk.counted) == (Counter(), Counter())


@pytest.mark.parametrize("name", REPORTING)
def test_a_hand_at_the_desk_is_reported_to_who_subscribed(name: str) -> None:
    stage = Stage(name)
    send = sends(name)[-1]
    spot, (low, high) = Spot(*spot_of(send)), _levels(name, send, 2)
    stage.stand_in.move(spot, low, stage.now)
    if stage.talk.subscribe():
        assert stage.wait(0) == []
        assert stage.tell(stage.talk.subscribe()) == []
    else:
        # Whoever has spoken to it is told; over MIDI there is only one.
        stage.wait(0)
        stage.tell(stage.speaker.say(sends(name)[0], low))
    stage.stand_in.move(spot, high, stage.now)
    assert stage.said(stage.wait(0)) == [Said(send, high)]
    if law_of(name, send).grid.has_off:
        stage.stand_in.move(spot, OFF, stage.now)
        assert stage.said(stage.wait(0)) == [Said(send, OFF)]
    assert (stage.desk.not_understood, stage.talk.counted) == (Counter(), Counter())


@pytest.mark.parametrize("name", [name for name in REPORTING if profile_of(name).over == "osc"])
def test_what_one_client_tells_is_a_hand_for_the_other(name: str) -> None:
    stage = Stage(name)
    send = sends(name)[0]
    (level,) = _levels(name, send, 1)
    stage.tell(stage.talk.subscribe() or stage.talk.ask(send))
    out = stage.tell(stage.speaker.say(send, level), stage.other)
    assert stage.said(out) == [Said(send, level)]
    assert stage.said(out, stage.other) == ([Said(send, level)] if stage.talk.echoes else [])


@pytest.mark.parametrize("name", RENEWED)
def test_a_subscription_ends_where_it_is_not_renewed(name: str) -> None:
    stage = Stage(name)
    renew = stage.talk.renew_ns
    assert renew is not None
    send = sends(name)[0]
    spot, (low, high) = Spot(*spot_of(send)), _levels(name, send, 2)
    for _ in range(5):
        stage.tell(stage.talk.subscribe())
        stage.wait(renew)
        # A renewal that is a little late loses nothing.
        stage.wait(renew // 4)
        stage.stand_in.move(spot, low, stage.now)
        assert stage.said(stage.wait(0)) == [Said(send, low)]
    stage.wait(renew)
    stage.stand_in.move(spot, high, stage.now)
    assert stage.wait(0) == []


@pytest.mark.parametrize("name", STORING)
def test_a_recalled_scene_is_reported(name: str) -> None:
    stage = Stage(name)
    first, last = sends(name)[0], sends(name)[-1]
    (low,) = _levels(name, first, 1)
    stage.desk.store(1)
    stage.tell([*stage.speaker.say(first, low), *stage.speaker.say(last, _levels(name, last, 1)[0])])
    stage.desk.store(2)
    for scene, expected in ((1, _at_start(name, first)), (2, low)):
        said = stage.said(stage.tell(stage.speaker.stored(scene)))
        assert picture(stage.desk)[spot_of(first)] == expected
        if stage.talk.reports:
            assert sorted(one.send for one in said) == [first, last]
            assert Said(first, expected) in said
        else:
            assert said == []
    stage.stand_in.recall(1, stage.now)
    assert (len(stage.said(stage.wait(0))) == 2) == stage.talk.reports
    assert stage.desk.not_understood == Counter()


@pytest.mark.parametrize("name", PROFILES)
def test_switched_off_it_is_silent_and_deaf_and_then_begins_anew(name: str) -> None:
    stage = Stage(name)
    start = picture(stage.desk)
    send = sends(name)[0]
    (level,) = _levels(name, send, 1)
    stage.tell([*stage.talk.subscribe(), *stage.speaker.say(send, level)])
    assert picture(stage.desk) != start
    stage.stand_in.power(False)
    packets = [*stage.speaker.say(send, level), *stage.talk.ask(send), *stage.talk.subscribe()]
    assert stage.tell(packets) == []
    assert stage.wait(60 * SECOND) == []
    assert stage.desk.not_understood == Counter({WHILE_OFF: len(packets)})
    stage.stand_in.power(True)
    assert picture(stage.desk) == start
    if stage.talk.subscribe():
        # It knows nobody any more.
        stage.stand_in.move(Spot(*spot_of(send)), level, stage.now)
        assert stage.wait(0) == []
    stage.tell(stage.speaker.say(send, level))
    assert picture(stage.desk)[spot_of(send)] == level


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("steps", [2, 7, 100])
@settings(max_examples=examples(12, least=4))
@given(data=st.data())
def test_a_fader_of_few_steps_says_back_where_it_stands(name: str, steps: int, data: st.DataObject) -> None:
    """What comes back is a step of the law, the nearest that the fader has; told again it stays there."""
    stage = Stage(name, fader_steps=steps)
    send = data.draw(st.sampled_from(sends(name)))
    grid = law_of(name, send).grid
    level = data.draw(st.sampled_from(grid.steps))
    stage.tell(stage.speaker.say(send, level))
    stands = picture(stage.desk)[spot_of(send)]
    assert isinstance(stands, int)
    assert stands in grid.steps
    last = len(grid.steps) - 1
    places = {grid.steps[at * last // (steps - 1)] for at in range(steps)} if steps <= last else set(grid.steps)
    assert abs(stands - level) == min(abs(place - level) for place in places)
    if stage.talk.ask(send):
        assert stage.said(stage.tell(stage.talk.ask(send))) == [Said(send, stands)]
    stage.tell(stage.speaker.say(send, stands))
    assert picture(stage.desk)[spot_of(send)] == stands


@pytest.mark.parametrize("name", REPORTING)
@settings(max_examples=examples(15))
@given(
    faults=st.builds(
        Faults,
        loss=st.sampled_from([0.0, 0.2]),
        twice=st.sampled_from([0.0, 0.3]),
        reorder=st.sampled_from([0.0, 0.3]),
        delay_ns=st.sampled_from([0, 50 * MS]),
        slow_ns=st.sampled_from([0, 300 * MS]),
    ),
    seed=st.integers(0, 2**16),
    data=st.data(),
)
def test_on_a_bad_wire_the_same_seed_gives_the_same_night(
    name: str, faults: Faults, seed: int, data: st.DataObject
) -> None:
    """And what was lost is made good by telling it again on a sound wire: nothing has gone wrong for good."""
    orders = data.draw(st.lists(st.tuples(st.sampled_from(sends(name)), st.integers(0, 9)), max_size=8))
    nights = []
    for _ in range(2):
        stage = Stage(name, faults, seed)
        stage.tell(stage.talk.subscribe())
        out = []
        for send, part in orders:
            out += stage.tell(stage.speaker.say(send, _levels(name, send, 10)[part]))
            out += stage.tell(stage.talk.ask(send))
        out += stage.settle()
        nights.append((out, stage.desk.levels(), stage.stand_in.inward.counted))
    assert nights[0] == nights[1]
    for one in nights[0][0]:
        stage.talk.hear(one.packet)
    stage.stand_in.inward.faults = stage.stand_in.outward.faults = Faults()
    stage.stand_in.inward.cut()
    for send, part in orders:
        level = _levels(name, send, 10)[part]
        stage.tell(stage.speaker.say(send, level))
        assert picture(stage.desk)[spot_of(send)] == level


@pytest.mark.parametrize("name", ["sysex", "osc-decibels"])
def test_a_slow_desk_answers_later_with_what_it_was_asked_for(name: str) -> None:
    stage = Stage(name, Faults(slow_ns=300 * MS))
    send = sends(name)[0]
    low, high = _levels(name, send, 2)
    stage.tell(stage.speaker.say(send, low))
    assert stage.tell(stage.talk.ask(send)) == []
    stage.tell(stage.speaker.say(send, high))
    assert stage.stand_in.due == stage.now + 300 * MS
    assert stage.wait(299 * MS) == []
    assert stage.said(stage.wait(MS)) == [Said(send, low)]


@pytest.mark.parametrize("name", ["nrpn"])
def test_a_coarse_part_alone_is_echoed_when_its_fine_part_does_not_come(name: str) -> None:
    stage = Stage(name)
    send = sends(name)[0]
    coarse = stage.speaker.say(send, _levels(name, send, 1)[0])[:-1]
    assert stage.tell(coarse) == []
    assert stage.wait(FINE_NS - 1) == []
    assert stage.said(stage.wait(1)) == [Said(send, picture(stage.desk)[spot_of(send)])]


def test_it_knows_only_so_many_clients() -> None:
    stage = Stage("osc-decibels")
    for number in range(CLIENTS_MAX + 1):
        stage.tell(stage.talk.subscribe(), ("client", number))
    send = sends("osc-decibels")[0]
    stage.stand_in.move(Spot(*spot_of(send)), -600, stage.now)
    told = [one.to for one in stage.wait(0)]
    assert told == [("client", number) for number in range(1, CLIENTS_MAX + 1)]
