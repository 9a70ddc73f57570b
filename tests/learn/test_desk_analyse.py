"""A desk is learned from listening alone: every shipped profile, profiles drawn by a seed, and desks that contradict
themselves or say what no profile can."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pytest
from depth import LONG, examples
from hands import SPOTS, Hand, random_profile, same_law, single
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF
from stagectl.desk.talk import DeskTalk
from stagectl.learn.desk_analyse import LearnedDesk, analyse
from stagectl.learn.desk_hearing import voices_of
from stagectl.learn.desk_law import Mark, fit
from stagectl.learn.desk_moves import Move, Part, Spot, Way, parse_move
from stagectl.learn.desk_numbering import Strides, strides
from stagectl.learn.desk_write import profile_text, prove, read_profile, summary, verdicts
from stagectl.learn.series import Packet
from stagectl.learn.verdict import Sure
from stagectl.learn.write import write_whole
from stagectl.show.load import load_profile
from stagectl.show.profile import ProfileModel
from stagectl.show.value_laws import SEVEN
from stagectl.where import shipped
from stagectl.wire import midi
from stagectl.wire.osc import build

MS = 1_000_000
PROFILES = sorted(path.stem for path in (shipped("mappings") / "desks").glob("*.yaml"))
FIRST = Spot(1, 1)


def rediscovered(profile: ProfileModel, learned: LearnedDesk, tmp_path: Path) -> LearnedDesk:
    """What was learned; the file that says it loads, and says every level as the profile does."""
    assert learned.cannot == (), learned.cannot
    write_whole(tmp_path / "learned.yaml", profile_text("learned", "a port", learned))
    again = load_profile(str(tmp_path / "learned.yaml"))
    for ours, theirs in ((again.send, profile.send), (again.whole_mix, profile.whole_mix)):
        if theirs is None:
            assert ours is None
            continue
        assert ours is not None
        assert same_law(ours.law(), theirs.law()) == []
        for socket, mix in ((1, 1), (2, 1), (1, 4), (8, 3)):
            assert ours.say.packets(socket, mix, 1) == theirs.say.packets(socket, mix, 1)
    assert again.answers is not None
    assert again.answers.reports
    return learned


# -- rediscovering ----------------------------------------------------------------------------------------


@cache
def moved_through(name: str, seed: int) -> tuple[tuple[Part, ...], LearnedDesk]:
    """What a hand makes a desk of a shipped profile say, and what is learned from it."""
    parts = Hand(load_profile(name), seed).everything()
    return tuple(parts), analyse(parts)


@pytest.mark.parametrize("seed", range(3 if LONG else 1))
@pytest.mark.parametrize("name", PROFILES)
def test_every_shipped_profile_is_rediscovered(name: str, seed: int, tmp_path: Path) -> None:
    profile = load_profile(name)
    parts, learned = moved_through(name, seed)
    rediscovered(profile, learned, tmp_path)
    assert learned.against == ()
    assert learned.send is not None and learned.send.placed.sure is Sure.SURE
    assert learned.sure is (Sure.FAIRLY if profile.send.values.law == "points" else Sure.SURE)
    proof = prove(profile_text("learned", "a port", learned), parts)
    assert "0 during another's" in proof and "Not heard" not in proof


@pytest.mark.parametrize("name", PROFILES)
def test_a_hand_at_the_desk_is_heard_by_what_was_learned(name: str) -> None:
    """The judge is the shipped profile: it says what such a desk sends when a hand moves a level that was not moved
    while it was learned; a hand at rest says its value twice."""
    profile = load_profile(name)
    text = profile_text("learned", "a port", moved_through(name, 0)[1])
    assert "# A hand was heard on " in text
    assert "Nothing was sent to it: whether it can be asked" in text
    assert ("`subscribe`" in text) is (profile.over == "osc")
    talk = DeskTalk(read_profile(text), range(1, 9), range(1, 5))
    assert (talk.reports, talk.can_read, talk.echoes) == (True, False, False)
    law = profile.send.law()
    code = law.code(-2_000)
    *_, said = [one for packet in profile.send.say.packets(7, 4, code) * 2 for one in talk.hear(packet)]
    level = law.level(code)
    # Of the fourth mix the seventh of nine, the last of which is the whole mix.
    assert said.send == 3 * 9 + 6
    assert isinstance(said.level, int) and isinstance(level, int)
    assert abs(said.level - level) <= 20


@pytest.mark.parametrize("seed", range(examples(40)))
def test_profiles_drawn_by_a_seed_are_rediscovered(seed: int, tmp_path: Path) -> None:
    profile = random_profile(seed)
    assert rediscovered(profile, analyse(Hand(profile, seed).everything()), tmp_path).against == ()


@pytest.mark.parametrize("name", PROFILES)
def test_a_desk_that_says_all_levels_again_and_a_hand_that_drags_the_last_one_down(name: str, tmp_path: Path) -> None:
    """And more gets lost; MIDI comes in pieces, with running status."""
    profile = load_profile(name)
    parts = Hand(profile, 7, dumps=True, drags=True, cuts=True, loses=0.05).everything()
    learned = rediscovered(profile, analyse(parts), tmp_path)
    assert learned.against == ()
    # Each level is said during all of the 14 (or 11) moves, and moved during its own.
    other = re.search(r"([\d,]+) during another's", prove(profile_text("learned", "a port", learned), parts))
    assert other is not None and int(other[1].replace(",", "")) > 30


@given(
    st.integers(0, 16_383),
    st.integers(-64, 64),
    st.integers(-64, 64),
    st.lists(st.tuples(st.integers(1, 64), st.integers(1, 16)), min_size=1, max_size=6),
)
def test_strides_are_told_by_an_input_and_a_mix_more(
    first: int, per_input: int, per_mix: int, more: list[tuple[int, int]]
) -> None:
    true = Strides(first, per_input, per_mix)
    spots = {FIRST, Spot(2, 1), Spot(1, 2), *(Spot(*one) for one in more)}
    assert strides({spot: true.at(spot) for spot in spots}) == true


# -- sources outside --------------------------------------------------------------------------------------


def heard_as(*packets: bytes) -> list[tuple[str, float]]:
    """The voices with their values."""
    voices = voices_of([(Move(Way.SWEEP, FIRST), list(enumerate(packets)))])
    return [(str(voice), one.value) for voice, samples in voices.series.items() for one in samples]


def test_a_parameter_is_heard_with_running_status() -> None:
    """MIDI 1.0 Detailed Specification 4.2.1: 99 and 98 choose a parameter, 6 and 38 say its value; running status."""
    assert heard_as(bytes.fromhex("B0 63 0A 62 08 06 40 26 00")) == [("NRPN 1288 on channel 1", 8192)]
    assert heard_as(bytes.fromhex("B0 63 0A 62"), bytes.fromhex("08 FE 06 40 26 01")) == [
        ("NRPN 1288 on channel 1", 8193)
    ]


def test_a_coarse_part_sets_the_fine_part_to_0_and_a_fine_part_may_come_alone() -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, controllers 0 to 31 with 32 to 63."""
    said = "B2 08 10 B2 28 01 B2 08 20 B2 28 02 B2 08 40 B2 28 05 B2 28 06 B2 08 41"
    values = [value for _, value in heard_as(bytes.fromhex(said))]
    assert values == [16 * 128 + 1, 32 * 128 + 2, 64 * 128 + 5, 64 * 128 + 6, 65 * 128]


def test_the_fine_part_of_a_pair_may_be_late_where_nothing_stands_between() -> None:
    first, second = b"\xb0\x08\x10", b"\xb0\x28\x20"
    parts: list[Part] = [(Move(Way.SWEEP, FIRST), [(at * 50 * MS, (first, second)[at % 2]) for at in range(8)])]
    assert [str(voice) for voice in voices_of(parts).series] == ["controllers 8 with 40 on channel 1"]


def test_an_address_is_heard_with_its_number() -> None:
    """The example of the OSC 1.0 specification."""
    packet = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
    assert heard_as(packet) == [("/oscillator/4/frequency", 440.0)]


# -- desks that contradict themselves ---------------------------------------------------------------------


def rising(says: Callable[[int], Iterable[bytes]], start: int, top: int = 127) -> list[Packet]:
    """A sweep through the values, one every 20 ms."""
    return [(start + at * 20 * MS, packet) for at, value in enumerate(range(top + 1)) for packet in says(value)]


def moved(*moves: tuple[str, Callable[[int], Iterable[bytes]]]) -> list[Part]:
    """A part for each move: a sweep, or a value for a mark, `0 dB = 127`."""
    parts: list[Part] = []
    for at, (typed, says) in enumerate(moves):
        typed, _, code = typed.partition(" = ")
        start = at * 10_000 * MS
        values = [(start, packet) for packet in says(int(code))] if code else rising(says, start)
        parts.append((parse_move(typed), values))
    return parts


def control(number: int, channel: int = 1) -> Callable[[int], Iterable[bytes]]:
    return lambda value: (midi.control_change(channel, number, value),)


def osc(address: str, *more: Any) -> Callable[[int], Iterable[bytes]]:
    return lambda value: (build(address, (value / 127, *more)),)


def gm2_marks(says: Callable[[int], Iterable[bytes]]) -> list[tuple[str, Callable[[int], Iterable[bytes]]]]:
    """GM2 v1.2a 3.3.4 prints -11.9 for 64 and -23.9 for 32; by its law 8 is -48.0."""
    return [
        (f"input 1 mix 1 at {mark}", says) for mark in ("off = 0", "-48 = 8", "-23.9 = 32", "-11.9 = 64", "0 = 127")
    ]


def sends(first: Any, second: Any, other_mix: Any, *more: Any) -> list[Part]:
    return moved(
        ("input 1 mix 1 bottom to top", first),
        *gm2_marks(first),
        ("input 2 mix 1 bottom to top", second),
        ("input 1 mix 2 bottom to top", other_mix),
        *more,
    )


def test_an_input_that_no_stride_explains_is_told() -> None:
    learned = analyse(
        sends(
            control(16), control(40), control(16, 2), ("input 3 mix 1", control(18)), ("input 4 mix 2", control(19, 2))
        )
    )
    assert learned.against == (
        "input 2 mix 1 was said by controller 40 on channel 1; after the other levels it would be controller 17 on "
        "channel 1",
    )
    assert learned.sure is Sure.NOT
    assert learned.send is not None
    assert learned.send.placed.typed[1] == "control change: {first: 16, per input: 1}"
    text = profile_text("x", "a port", learned)
    assert "# Contradicts: input 2 mix 1 was said by controller 40" in text
    assert "Not heard: input 2 mix 1." in prove(text, sends(control(16), control(40), control(16, 2)))


def test_a_level_that_says_nothing_is_told() -> None:
    learned = analyse(sends(control(16), lambda _: (), control(16, 2), ("input 3 mix 1", control(18))))
    assert learned.against == ("no message followed the hand on input 2 mix 1",)
    assert learned.cannot == ()


def test_what_else_follows_the_hand_is_told() -> None:
    def linked(value: int) -> Iterable[bytes]:
        return (*control(16)(value), *control(80)(value))

    learned = analyse(sends(linked, control(17), control(16, 2), ("input 3 mix 2", control(18, 2))))
    assert learned.against == (
        "input 1 mix 1 moved controller 16 on channel 1, and with it controller 80 on channel 1",
    )
    assert learned.send is not None and learned.send.placed.typed[1].startswith("control change: {first: 16")


@pytest.mark.parametrize(
    ("spots", "says"),
    [
        (("/ch/01/mix/01", "/ch/02/mix/01", "/ch/01/mix/02"), ["osc: /ch/{input}/mix/{mix}", "digits: 2"]),
        (
            ("/ch/0/mix/1", "/ch/1/mix/1", "/ch/0/mix/2"),
            ["osc: /ch/{input}/mix/{mix}", "input: {first: 0, per input: 1}"],
        ),
        (
            ("/level/1", "/level/2", "/level/25"),
            ["osc: /level/{input}", "input: {first: 1, per input: 1, per mix: 24}"],
        ),
    ],
)
def test_numbers_in_an_address_count_as_the_desk_does(spots: Sequence[str], says: list[str]) -> None:
    learned = analyse(sends(*map(osc, spots)))
    assert learned.cannot == ()
    assert learned.send is not None and learned.send.placed.typed == (*says, "type: float")


def test_arguments_beside_the_value_tell_levels_apart_or_stay_the_same() -> None:
    def say(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        return lambda value: (build("/set", ("to: all", input_, value / 127, mix - 1, True, 0.5)),)

    parts = sends(say(1, 1), say(2, 1), say(1, 2), ("input 3 mix 2", say(3, 2)))
    learned = analyse(parts)
    assert (learned.cannot, learned.against) == ((), ())
    assert learned.send is not None and learned.send.placed.typed == (
        "osc: /set",
        "mix: {first: 0, per mix: 1}",
        'arguments: [\'to: all\', "{input}", "{value}", "{mix}", yes, 0.5]',
        "type: float",
    )
    text = profile_text("x", "a port", learned)
    assert read_profile(text).send.say.packets(2, 1, 1.0) == tuple(say(2, 1)(127))
    assert "0 during another's" in prove(text, parts) and "Not heard" not in prove(text, parts)


def test_a_registered_parameter_says_a_level() -> None:
    """MIDI 1.0 Detailed Specification 4.2.1: 101 and 100 choose a registered parameter."""

    def rpn(number: int) -> Callable[[int], Iterable[bytes]]:
        return lambda value: tuple(bytes((0xB0, *pair)) for pair in ((101, 2), (100, number), (6, value), (38, 0)))

    learned = analyse(sends(rpn(3), rpn(4), rpn(19)))
    assert learned.cannot == ()
    assert learned.send is not None
    assert learned.send.placed.typed == ("channel: 1", "rpn: {first: 259, per input: 1, per mix: 16}")


def test_of_two_that_follow_the_hand_the_one_that_fits_the_others_is_taken() -> None:
    def linked(value: int) -> Iterable[bytes]:
        return (*control(80)(value), *control(16)(value))

    learned = analyse(sends(linked, control(17), control(16, 2), ("input 3 mix 2", control(18, 2))))
    assert learned.send is not None and learned.send.placed.explained == 4
    assert learned.against == (
        "input 1 mix 1 moved controller 16 on channel 1, and with it controller 80 on channel 1",
    )


def test_what_trembles_during_one_sweep_is_not_the_level() -> None:
    def noisy(value: int) -> Iterable[bytes]:
        return (*control(16)(value // 4), midi.control_change(1, 99 - 80, value * 37 % 128))

    parts = moved(
        ("input 1 mix 1 bottom to top", noisy),
        ("input 2 mix 1 bottom to top", control(17)),
        ("input 1 mix 2 bottom to top", control(16, 2)),
    )
    learned = analyse(parts)
    assert learned.send is not None
    assert str(learned.send.voices[FIRST]) == "controller 16 on channel 1"


def test_meters_of_the_same_kind_as_the_levels_are_told_apart() -> None:
    parts = sends(control(16), control(17), control(16, 2), ("input 3 mix 2", control(18, 2)))
    meter: list[Part] = [
        (
            move,
            sorted([*packets, *((packets[0][0] + at * 7 * MS, bytes((0xB0, 3, at * 37 % 128))) for at in range(30))]),
        )
        for move, packets in parts
    ]
    learned = analyse(meter)
    assert (learned.against, learned.sure) == ((), Sure.SURE)
    assert learned.anyway == ("controller 3 on channel 1 (270 messages, during 9 of 9 moves)",)


def test_a_mark_that_is_no_number_is_left_out_and_told() -> None:
    """A desk may say the bottom as minus infinity, which OSC can carry and no level is."""
    parts = sends(osc("/a/1/1"), osc("/a/2/1"), osc("/a/1/2"))
    endless = build("/a/1/1", (0.0,), "f")[:-4] + bytes.fromhex("ff800000")
    at_off = [(move, [(packets[0][0], endless)] if str(move).endswith("off") else packets) for move, packets in parts]
    learned = analyse(at_off)
    assert learned.against == ("the mark off is left out: a packet came meanwhile that cannot be read",)
    assert learned.odd == {"an OSC argument is -inf, which is no number": 1}
    # Without it nobody knows how the desk is told off.
    assert "no mark is off" in learned.cannot[0]


KEEPS_ALIVE: tuple[tuple[bytes, str], ...] = (
    (build("/meter/1", (0.0,), "f")[:-4] + bytes.fromhex("ff800000"), "an OSC argument is -inf, which is no number"),
    (b"alive\0\0\0", "not an OSC packet: no address"),
    (b"GET /a/1/2", "not an OSC packet: its length is no multiple of 4"),
    (
        b"#bundle\0"
        + bytes(8)
        + b"\0\0\0\x10"
        + build("/a/1/1", (0.5,))
        + b"\0\0\0\x14"
        + build("/meter/1", (0.0,), "f")[:-4]
        + bytes.fromhex("7fc00000"),
        "an OSC argument is nan, which is no number",
    ),
    (b"", ""),
)
"""Packets that say nothing of a hand at input 1 of mix 1, and why they are left out."""


@pytest.mark.parametrize(("packet", "why"), KEEPS_ALIVE)
def test_what_cannot_be_read_and_is_not_of_the_hand_does_no_harm(packet: bytes, why: str) -> None:
    """It comes before all else too, and so does not tell OSC from MIDI."""
    parts = sends(osc("/a/1/1"), osc("/a/2/1"), osc("/a/1/2"))
    beside = [(move, [(packets[0][0] - 1, packet), *packets]) for move, packets in parts]
    learned = analyse(beside)
    assert (learned.over, learned.cannot, learned.against) == ("osc", (), ())
    assert learned.odd == ({why: len(parts)} if why else {})
    assert learned.send is not None and learned.send.placed.typed[0] == "osc: /a/{input}/{mix}"


@given(st.lists(st.sampled_from(range(128)), min_size=8, max_size=8).map(bytes))
def test_midi_that_is_cut_anywhere_is_not_taken_for_osc(body: bytes) -> None:
    assert analyse([(Move(Way.SWEEP, FIRST), [(0, b"\xf0\x7d"), (1, b"/a" + body[:6]), (2, b"\xf7")])]).over == "midi"


@pytest.mark.parametrize("marks", [("off = 0", "0 = 127"), ("off = 0", "-60 = 8", "-30 = 40", "-10 = 85", "0 = 127")])
def test_whole_numbers_that_a_desk_types_as_integers_are_of_the_same_voice(marks: tuple[str, ...]) -> None:
    """0 and 1 at the ends, and floats between: two marks at the ends would be a straight line in dB."""

    def mixed(address: str) -> Callable[[int], Iterable[bytes]]:
        return lambda value: (build(address, (value // 127 if value % 127 == 0 else value / 127,)),)

    parts = moved(
        ("input 1 mix 1 bottom to top", mixed("/a/1/1")),
        *((f"input 1 mix 1 at {mark}", mixed("/a/1/1")) for mark in marks),
        ("input 2 mix 1 bottom to top", mixed("/a/2/1")),
        ("input 1 mix 2 bottom to top", mixed("/a/1/2")),
    )
    learned = analyse(parts)
    assert learned.against == ()
    assert learned.send is not None
    assert learned.send.placed.typed == ("osc: /a/{input}/{mix}", "type: float")
    if len(marks) == 2:
        assert "1 usable mark with a level tells no law" in learned.cannot[0]
        return
    profile = read_profile(profile_text("x", "y", learned))
    assert profile.send.law().level(float(single(40 / 127))) == -3_000
    assert "0 during another's. Not" not in prove(profile_text("x", "y", learned), parts)


def test_a_place_beside_the_value_is_one_of_floats_where_some_are() -> None:
    def says(input_: int) -> Callable[[int], Iterable[bytes]]:
        return lambda value: (build(f"/a/{input_}/1", (1 if value % 2 else 1.0, value / 127)),)

    learned = analyse(sends(says(1), says(2), osc("/a/1/2")))
    assert learned.send is not None
    assert learned.send.placed.typed[1] == 'arguments: [1.0, "{value}"]'


@pytest.mark.parametrize(
    ("say", "who"),
    [
        (lambda value: (build("/a/1/1", (f"{value} dB",)),), "/a/1/1 came along with it, but it holds no number"),
        (lambda value: (bytes((0xE0, 0, value)),), "pitch bend on channel 1 came along with it, but no profile says"),
    ],
)
def test_what_followed_the_hand_without_a_number_is_named(say: Callable[[int], Iterable[bytes]], who: str) -> None:
    parts = moved(
        ("nothing", control(7)),
        ("input 1 mix 1 bottom to top", say),
        ("input 2 mix 1", lambda value: say(value) if value == 3 else ()),
        ("input 1 mix 2", control(16, 2)),
    )
    quiet = [(move, packets) for move, packets in parts[1:2]]
    [why] = analyse(quiet).cannot
    assert why.startswith(f"no message followed the hand that says its level in a number: {who}")


def test_whole_mixes_may_have_marks_and_a_law_of_their_own() -> None:
    whole = [
        ("whole mix 1 bottom to top", control(7)),
        *((f"whole mix 1 at {mark}", control(7)) for mark in ("off = 0", "-63 = 1", "-31.5 = 64", "0 = 127")),
        ("whole mix 2 bottom to top", control(7, 2)),
    ]
    learned = analyse(sends(control(16), control(17), control(16, 2), *whole))
    assert learned.against == ()
    assert learned.whole is not None and learned.whole.fitted is not None
    typed = {"law": "db", "lowest": "-63", "highest": "0", "step": "0.5", "first": "1", "off": "0"}
    assert learned.whole.fitted.typed == typed
    assert learned.whole.placed.typed == ("channel: {first: 1, per mix: 1}", "control change: 7")
    profile = read_profile(profile_text("x", "y", learned))
    assert profile.whole_mix is not None and profile.send.values.law == "gm2"


def test_a_whole_mix_that_cannot_be_said_is_left_out_with_the_reason() -> None:
    parts = sends(control(16), control(17), control(16, 2), ("whole mix 1 bottom to top", control(7)))
    learned = analyse(parts)
    text = profile_text("x", "y", learned)
    assert "# Whole mixes are left out: no mark of a whole mix was moved, and its scale may be another one" in text
    assert any("set whole mix 1 to some marks" in one for one in learned.wanted)
    assert read_profile(text).whole_mix is None
    # Off alone is no mark of a scale: every one has it.
    parts = sends(
        control(16),
        control(17),
        control(16, 2),
        ("whole mix 1 bottom to top", control(7)),
        ("whole mix 1 at off = 0", control(7)),
    )
    assert read_profile(profile_text("x", "y", analyse(parts))).whole_mix is None


@pytest.mark.parametrize(("marks", "zero"), [(("0 = 127",), 127), (("off = 0", "0 = 100", "10 = 127"), 100)])
def test_a_whole_mix_has_the_sends_law_only_where_its_marks_say_so(marks: tuple[str, ...], zero: int) -> None:
    """The values of both go as far; at the second desk the top of a whole mix is 10 dB louder than that of a send."""
    whole = [("whole mix 1 bottom to top", control(7)), *((f"whole mix 1 at {mark}", control(7)) for mark in marks)]
    learned = analyse(sends(control(16), control(17), control(16, 2), *whole))
    profile = read_profile(profile_text("x", "y", learned))
    assert profile.whole_mix is not None and profile.send.values.law == "gm2"
    assert profile.whole_mix.law().code(0) == zero
    if zero == 127:
        assert learned.whole is not None and learned.whole.fitted is not None
        assert learned.whole.fitted.why == "the sends' law: 1 mark of a whole mix agrees with it"


def test_two_levels_of_one_message_cannot_be_said() -> None:
    learned = analyse(sends(control(16), control(16), control(16, 2), ("input 3 mix 2", control(18, 2))))
    assert "input 1 mix 1 and input 2 mix 1 are both said by controller 16 on channel 1" in learned.cannot


def test_a_message_that_comes_along_with_every_level_is_told() -> None:
    learned = analyse(sends(control(16), control(16), control(16), ("input 3 mix 2", control(16))))
    assert learned.cannot == ("no message followed the hand",)
    assert "controller 16 on channel 1 rose while input 1 mix 1 did" in " ".join(learned.against)


def test_what_the_desk_sends_anyway_is_named() -> None:
    profile = load_profile("osc-decibels")
    told = " ".join(summary(analyse(Hand(profile, 1).everything())))
    assert re.search(
        r"Sent whatever was moved: /meter/\d+ and 2 like it \([\d,]+ messages, during 20 of 20 moves\)", told
    )
    assert re.search(r"Sent whatever was moved: /alive \(\d+ messages, during 20 of 20 moves\)", told)
    told = " ".join(summary(analyse(Hand(load_profile("sysex"), 1).everything())))
    assert "Sent whatever was moved: SysEx F0 7D 7F .. F7" in told
    assert "active sensing" in told


@pytest.mark.parametrize(
    ("mark", "says"),
    [
        ("-30 = 100", "the mark -30 dB was said as 100, but -23.9 dB as 32: values have to rise with the level"),
        ("off = 90", "the mark off was said as 90, but -48 dB as 8"),
    ],
)
def test_a_mark_that_does_not_fit_is_told(mark: str, says: str) -> None:
    more = ("input 3 mix 2", control(18, 2)), (f"input 1 mix 1 at {mark}", control(16))
    learned = analyse(sends(control(16), control(17), control(16, 2), *more))
    assert learned.cannot == ()
    assert len(learned.against) == 1 and says in learned.against[0]
    assert learned.send is not None and learned.send.fitted is not None
    assert learned.send.fitted.typed == {"law": "gm2"}


def test_a_mark_that_was_said_twice_in_points_is_told() -> None:
    marks = [
        (f"input 1 mix 1 at {mark}", control(16)) for mark in ("off = 0", "-60 = 20", "-20 = 60", "0 = 100", "0 = 104")
    ]
    learned = analyse(
        moved(
            ("input 1 mix 1 bottom to top", control(16)),
            *marks,
            ("input 2 mix 1", control(17)),
            ("input 1 mix 2", control(16, 2)),
        )
    )
    assert learned.send is not None and learned.send.fitted is not None
    assert learned.send.fitted.typed["law"] == "points"
    assert learned.against == ("the mark 0 dB was said as 100 and 104; 100 is taken",)
    assert "values beyond 100 to 127 are above the highest mark, and unknown" in learned.send.fitted.notes
    assert learned.send.fitted.sure is Sure.NOT


def law_of(marks: Sequence[str], says: Callable[[int], Iterable[bytes]], codes: Iterable[int]) -> dict[str, Any]:
    """The law as the file says it, from a sweep through these codes and marks such as `-10 = 64`."""
    swept = [(at * 20 * MS, packet) for at, code in enumerate(codes) for packet in says(code)]
    first: Part = (parse_move("input 1 mix 1 bottom to top"), swept)
    learned = analyse([first, *moved(*((f"input 1 mix 1 at {mark}", says) for mark in marks))])
    assert learned.send is not None and learned.send.fitted is not None, learned
    return learned.send.fitted.typed


def test_a_law_that_leaves_values_out_above_off_is_no_even_law() -> None:
    marks = ("off = 0", "-60 = 40", "-30 = 70", "-13 = 87")
    assert law_of(marks, control(16), range(120))["law"] == "db"
    leaps = law_of(marks, control(16), [0, *range(40, 120)])
    assert leaps == {"law": "points", "points": [["0", "off"], ["40", "-60"], ["70", "-30"], ["87", "-13"]]}


def test_two_marks_fit_any_even_law_and_say_nothing_of_it() -> None:
    fitted = {
        number: fit([Mark(level, code) for level, code in marks], range(128), (0, 127), SEVEN)
        for number, marks in ((2, ((-1_000, 80), (0, 100))), (3, ((-2_000, 60), (-1_000, 80), (0, 100))))
    }
    assert [(one.typed["law"], one.sure) for one in fitted.values()] == [("db", Sure.NOT), ("db", Sure.SURE)]
    assert fitted[2].wanted == "set a send to one more mark of its scale"


def test_a_hand_between_two_values_is_half_a_value_off_and_no_more() -> None:
    """Steps of 1 dB; the desk shows tenths."""
    even = {"law": "db", "lowest": "-90", "highest": "10", "step": "1", "first": "0"}
    assert law_of(("-60.4 = 30", "-30 = 60", "-9.6 = 80", "0 = 90"), control(16), range(101)) == even
    more = ("-90 = 0", "-60.4 = 30", "-30 = 60", "-9.2 = 80", "0 = 90")
    assert law_of(more, control(16), range(101))["law"] == "points"


def test_a_law_that_is_nearly_known_is_told_by_its_marks() -> None:
    """0.3 dB below the law of General MIDI 2 in the middle, by 14 bits."""

    def pair(value: int) -> Iterable[bytes]:
        return midi.control_change_14(1, 8, value)

    codes = range(0, 16_384, 128)
    right = ("off = 0", "-48.2 = 1024", "-24.1 = 4096", "-12 = 8192", "-5 = 12288", "0 = 16383")
    assert law_of(right, pair, [*codes, 16_383]) == {"law": "gm2"}
    assert law_of((*right[:3], "-12.3 = 8192", *right[4:]), pair, [*codes, 16_383])["law"] == "points"


def test_a_top_that_trembles_is_the_highest_of_the_last_values() -> None:
    marks = ("-90 = 0", "-60 = 30", "-30 = 60", "0 = 90")
    assert law_of(marks, control(16), [*range(101), 99])["highest"] == "10"


LAWLESS = (("off", 0), ("-60", 8), ("-30", 40), ("-10", 85), ("0", 100), ("10", 127))
"""Marks of a scale that no known law fits."""


@pytest.mark.parametrize(
    ("marks", "says"),
    [
        (("off", "0", "10"), "nothing is known below 0 dB, the lowest mark, which is 79% up the travel; set a send to"),
        (
            ("0", "-10", "-30"),
            "nothing is known below -30 dB, the lowest mark, which is 31% up the travel, and no mark",
        ),
        (("0", "-10", "-60"), "nothing is known below -60 dB, the lowest mark, which is 6% up the travel, and no mark"),
        (("off", "-30", "-10", "0"), ""),
        (("off", "-60", "0", "10"), ""),
    ],
)
def test_marks_that_leave_the_bottom_open_are_no_law(marks: tuple[str, ...], says: str) -> None:
    """What is asked for below the lowest mark would go to the desk as that one."""
    scale = dict(LAWLESS) | ({"-30": 32} if not says else {})
    say = osc("/a/1")
    typed = [(f"input 1 mix 1 at {mark} = {scale[mark]}", say) for mark in marks]
    learned = analyse(moved(("input 1 mix 1 bottom to top", say), *typed))
    assert [why[: len(says)] for why in learned.cannot] == ([says] if says else [])
    assert not says or "such as off, -30, -10 and 0 dB" in learned.cannot[0]
    if not says:
        assert learned.send is not None and learned.send.fitted is not None
        assert learned.send.fitted.law.grid.has_off and learned.send.fitted.law.grid.steps[0] <= -3_000


@pytest.mark.parametrize("apart", [False, True])
def test_values_that_fall_as_the_level_rises_are_points(apart: bool) -> None:
    """Off is the highest value, or stands beyond that of the highest level."""

    def down(number: int, channel: int = 1) -> Callable[[int], Iterable[bytes]]:
        return lambda value: control(number, channel)(0 if apart and not value else 127 - value)

    parts = moved(
        ("input 1 mix 1 bottom to top", down(16)),
        *((f"input 1 mix 1 at {level} = {code - (code == 127)}", down(16)) for level, code in LAWLESS),
        ("input 2 mix 1 bottom to top", down(17)),
        ("input 1 mix 2 bottom to top", down(16, 2)),
        ("input 3 mix 2 bottom to top", down(18, 2)),
    )
    learned = analyse(parts)
    assert (learned.cannot, learned.against) == ((), ())
    send = read_profile(profile_text("x", "y", learned)).send
    assert [send.law().level(127 - code) for _, code in LAWLESS[1:5]] == [-6_000, -3_000, -1_000, 0]
    assert send.law().code(OFF) == (0 if apart else 127)
    assert send.say.packets(3, 2, 5) == (midi.control_change(2, 18, 5),)


def test_marks_that_fall_while_the_hand_made_the_values_rise_are_no_law() -> None:
    """Somebody read the scale upside down: told -60 dB, the desk would get the top."""
    levels, codes = zip(*LAWLESS[1:], strict=True)
    typed = [f"input 1 mix 1 at {level} = {code}" for level, code in zip(levels, codes[::-1], strict=True)]
    marks = ("input 1 mix 1 at off = 0", *typed)
    learned = analyse(moved(("input 1 mix 1 bottom to top", control(16)), *((one, control(16)) for one in marks)))
    assert "values have to rise with the level" in learned.cannot[0]


def test_sysex_whose_value_falls_is_heard() -> None:
    def down(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        return lambda at: (bytes((0xF0, 0x7D, mix, input_, (127 - at) * 9 >> 7, (127 - at) * 9 & 127, 0xF7)),)

    learned = analyse(moved(*((f"input {i} mix {m} bottom to top", down(i, m)) for i, m in ((1, 1), (2, 1), (1, 2)))))
    assert learned.send is not None
    assert learned.send.placed.typed[0] == "sysex: F0 7D {mix} {input} {value msb} {value lsb} F7"


def test_sysex_that_is_dumped_in_one_move_does_not_hide_the_value() -> None:
    """512 levels rest at the same value, said at once, in their order."""
    dump = [(at, bytes((0xF0, 0x7D, at // 32, at % 32, 0, 0, 0xF7))) for at in range(512)]

    def says(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        return lambda value: (bytes((0xF0, 0x7D, mix - 1, input_ - 1, value * 8 & 127, value * 8 >> 7, 0xF7)),)

    parts = sends(says(1, 1), says(2, 1), says(1, 2))
    parts[0] = (parts[0][0], [*dump, *((at + 1_000, packet) for at, packet in parts[0][1])])
    learned = analyse(parts)
    assert learned.send is not None
    assert learned.send.placed.typed == ("sysex: F0 7D {mix} {input} {value lsb} {value msb} F7",)


def test_the_order_of_two_bytes_is_told_by_a_few_values() -> None:
    """From 23 to 343 in steps of 5: the more significant byte goes from 0 to 2."""

    def says(value: int) -> Iterable[bytes]:
        return (bytes((0xF0, 0x7D, 1, value >> 7, value & 127, 0xF7)),)

    learned = analyse([(parse_move("input 1 mix 1 bottom to top"), rising(lambda at: says(23 + 5 * at), 0, 64))])
    assert learned.send is not None
    assert learned.send.placed.typed == ("sysex: F0 7D 01 {value msb} {value lsb} F7",)
    assert learned.send.ends == (23, 343)


def test_what_was_not_moved_is_asked_for() -> None:
    one = analyse(moved(("input 1 mix 1 bottom to top", control(16)), *gm2_marks(control(16))))
    assert one.cannot == () and one.sure is Sure.NOT
    assert "move another input of the same mix" in one.wanted[0]
    assert "move the same in another mix" in one.wanted[1]
    three = analyse(sends(control(16), control(17), control(16, 2)))
    assert (three.cannot, three.sure, three.against) == ((), Sure.FAIRLY, ())
    assert three.wanted == ("move one more level, with another input and another mix: it proves the numbers",)
    no_marks = analyse(moved(("input 1 mix 1 bottom to top", control(16)), ("input 2 mix 1", control(17))))
    assert "0 usable marks with a level tells no law" in no_marks.cannot[0]
    assert analyse([]).cannot == ("no message followed the hand",)


# -- what no profile can say ------------------------------------------------------------------------------


def template(*words: str) -> Callable[[int, int], Callable[[int], Iterable[bytes]]]:
    """SysEx for an input and a mix: `i`, `m`, `v`, `b` (both in one), `s` (a checksum: the sum of the others)."""

    def of(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        def says(value: int) -> Iterable[bytes]:
            fill = {"i": input_ - 1, "m": mix - 1, "v": value, "b": input_ + 8 * mix}
            body = [fill[word] if word in fill else int(word, 16) for word in words if word != "s"]
            return (bytes((0xF0, 0x7D, *body, *([(0x7D + sum(body)) % 128] if "s" in words else ()), 0xF7)),)

        return says

    return of


@pytest.mark.parametrize(
    ("first", "second", "other_mix", "says"),
    [
        (osc("/ch/01/mix/1"), osc("/ch/02/mix/1"), osc("/ch/01/mix/2"), "pads a number with zeros to 2 digits, and an"),
        (osc("/a/1/1", "A"), osc("/a/1/1", "B"), osc("/a/2/1", "A"), "its argument 2 changes, and only whole numbers"),
        (osc("/a/1/1", None), osc("/a/2/1", None), osc("/a/1/2", None), "its argument 2 is nothing that a file says"),
        *(
            (says(1, 1), says(2, 1), says(1, 2), why)
            for says, why in (
                (template("10", "m", "i", "v", "s"), "byte 7 is a checksum of a kind that profiles cannot say"),
                (template("b", "m", "i", "v"), "3 of its numbers change from level to level in ways of their own"),
            )
        ),
    ],
)
def test_what_no_profile_can_say_is_told_plainly(first: Any, second: Any, other_mix: Any, says: str) -> None:
    learned = analyse(sends(first, second, other_mix))
    assert says in "; ".join(learned.cannot)
    assert any(line.startswith("send: a profile cannot say it: ") and says in line for line in verdicts(learned))


@pytest.mark.parametrize(
    ("written", "why"),
    [
        (lambda at: bytes((at * 2 >> 4, at * 2 & 15)), "the value is written in halves of a byte (nibbles), 0 to 15"),
        (lambda at: bytes((at * 8 >> 8, at * 8 >> 4 & 15, at * 8 & 15)), "the value is written in halves of a byte"),
        (lambda at: f"{at:03d}".encode(), "the value is written as the text of digits, and in a profile each byte"),
        (lambda at: f"{at * 8:4d}".encode(), "the value is written as the text of digits"),
        (lambda at: f"{at * 8:03X}".encode(), "the value is written as the text of digits"),
    ],
)
def test_a_value_in_bytes_of_less_than_seven_bits_is_refused(written: Callable[[int], bytes], why: str) -> None:
    """Taken for two bytes of seven bits, -15 dB at such a desk would be heard as +6.9."""

    def of(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        return lambda at: (bytes((0xF0, 0x7D, 1, input_, mix, *written(at), 0xF7)),)

    learned = analyse(sends(of(1, 1), of(2, 1), of(1, 2), ("input 3 mix 2", of(3, 2))))
    assert any(one.startswith(why) for one in learned.cannot), learned.cannot
    assert learned.sure is Sure.NOT


def test_seven_bits_of_each_byte_are_told_by_any_of_them() -> None:
    """From 512 to 639 in steps of 1: the less significant byte goes through all of its values."""
    learned = analyse(
        [
            (
                parse_move("input 1 mix 1 bottom to top"),
                rising(lambda at: (bytes((0xF0, 0x7D, 1, (at + 60) // 128, (at + 60) % 128, 0xF7)),), 0),
            )
        ]
    )
    assert learned.send is not None and learned.send.placed.cannot == ()


@pytest.mark.parametrize("seed", range(examples(12, least=6)))
@pytest.mark.parametrize("top", [15, 100])
def test_meters_as_long_as_a_level_do_not_make_a_command_part_of_the_value(top: int, seed: int) -> None:
    """Four of their bytes change at once, and some stand where a level has its numbers."""
    random = Random(seed)

    def of(input_: int, mix: int) -> Callable[[int], Iterable[bytes]]:
        return lambda at: (
            bytes((0xF0, 0x7D, 1, input_, mix, at * 125 >> 7, at * 125 & 127, 0xF7)),
            bytes((0xF0, 0x7D, 2, *(random.randint(0, top) for _ in range(4)), 0xF7)),
        )

    quiet: Part = (parse_move("nothing"), rising(of(9, 9), 0))
    parts = [
        (move, [one for one in packets if one[1][2] == 2 or move.spot])
        for move, packets in [quiet, *sends(of(1, 1), of(2, 1), of(1, 2), ("input 5 mix 3 bottom to top", of(5, 3)))]
    ]
    learned = analyse(parts)
    assert learned.send is not None
    assert learned.send.placed.typed[0] == "sysex: F0 7D 01 {input} {mix} {value msb} {value lsb} F7"


def test_what_no_profile_can_say_is_not_passed_over_for_something_heard_once() -> None:
    parts = sends(osc("/a/1/1", b"dB"), osc("/a/2/1", b"dB"), osc("/a/1/2", b"dB"))
    parts.append((parse_move("input 3 mix 2"), rising(osc("/other"), 10**12)))
    assert "its argument 2 is nothing that a file says" in analyse(parts).cannot[0]


def test_a_padded_number_that_never_changes_is_text() -> None:
    parts = sends(osc("/bank/01/1/1"), osc("/bank/01/2/1"), osc("/bank/01/1/2"))
    learned = analyse(parts)
    assert learned.send is not None
    assert learned.send.placed.typed[0] == "osc: /bank/01/{input}/{mix}"
    assert learned.cannot == ()


# -- whatever is heard ------------------------------------------------------------------------------------

packets = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=12),
        st.binary(min_size=2, max_size=2).map(lambda two: bytes((0xB0, two[0] & 127, two[1] & 127))),
        st.binary(min_size=3, max_size=6).map(lambda body: bytes((0xF0, *(byte & 127 for byte in body), 0xF7))),
        st.tuples(st.sampled_from("ab/12"), st.floats(-100, 10, width=32)).map(
            lambda one: build(f"/x{one[0]}", (one[1],))
        ),
        st.tuples(
            st.integers(-3, 3), st.floats(-100, 10, width=32), st.sampled_from((None, True, "#", "{value}", "5", b"x"))
        ).map(lambda one: build("/y", one)),
    ),
    max_size=20,
)
moves = st.sampled_from(
    [Move(Way.NOTHING), *(Move(way, spot, -600) for way in (Way.SWEEP, Way.MARK, Way.ANY) for spot in (FIRST, *SPOTS))]
)


@given(st.lists(st.tuples(moves, packets), max_size=8))
def test_whatever_is_heard_gives_a_verdict(heard: list[tuple[Move, list[bytes]]]) -> None:
    """Nothing raises, and a profile is sound whenever one is given."""
    parts: list[Part] = [(move, [(at, packet) for packet in said]) for at, (move, said) in enumerate(heard)]
    learned = analyse(parts)
    told = [*verdicts(learned), *summary(learned)]
    assert all(told)
    if not learned.cannot:
        assert isinstance(read_profile(profile_text("x", "y", learned)), ProfileModel)
