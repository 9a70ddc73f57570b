"""What is made of what was read: ports, levels, pages, clocks, nights, backups, and all of it in one sentence."""

from __future__ import annotations

import itertools
import os
import socket
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from stagectl.core.events import DeskSaid
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.errors import Fault
from stagectl.journal import record
from stagectl.journal.schema import Night
from stagectl.journal.write import WAL_MAX, Journal
from stagectl.live.desk import PROBE_S
from stagectl.pedals.keyboard import Keyboard
from stagectl.ready import (
    clock,
    desk,
    files,
    finding,
    hosts,
    keyboards,
    nights,
    others,
    page,
    playing,
    ports,
    rights,
    sound,
)
from stagectl.ready.finding import WORDS, Finding, Word, exit_code, sentence
from stagectl.ready.ports import Wanted
from stagectl.ready.proving import Proven
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.timetable import TimetableModel, night_of
from stagectl.story.heard import heard
from stagectl.where import shipped


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Three songs over OSC, of which none moves a whole mix; the accordionist's ceiling is -3 dB."""
    return compile_show(load_show(shipped("setlists") / "three-songs"), None).plan


# -- all of it ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says", "code"),
    [
        ((), "ready for doors", 0),
        (("fine", "unknown"), "ready for doors", 0),
        (("fine", "look"), "ready for doors, with 1 thing to look at", 0),
        (("wrong", "wrong", "fine"), "2 things to see to", 3),
        (("wrong", "look", "look"), "1 thing to see to, and 2 to look at", 3),
    ],
)
def test_all_of_it_in_one_sentence(words: Sequence[Word], says: str, code: int) -> None:
    found = [Finding(word, "what", "says") for word in words]
    assert (sentence(found), exit_code(found)) == (says, code)
    assert exit_code([*found, finding.wrong("show", "line 3", "mend it", written=True)]) == 1


def test_what_is_not_fine_says_what_to_do() -> None:
    some = [
        files.judged(None, 4),
        files.judged(Proven((Fault("a.yaml", 3, "no"), Fault("b.yaml", 1, "no")), 0, ""), 4),
        files.judged(Proven((), 2, "proved: all of it"), 4),
        rights.judged("the limit is 0; do this", asked=True),
        rights.judged(None, asked=True),
        rights.judged("only there", asked=False),
        sound.judged("player", 3, False, "no sound device"),
        sound.judged("player", 3, True, "the built-in player is at `x`"),
        sound.judged("player", 3, False, "the built-in player needs `numpy`: pip install 'stagectl[player]'"),
    ]
    assert [one.word for one in some] == ["look", "wrong", "fine", "look", "fine", "unknown", "wrong", "fine", "wrong"]
    assert some[-1].do == "install that; tracks stay silent without it"
    assert all(bool(one.do) is (one.word in ("look", "wrong")) for one in some)
    assert {one.word for one in some} == {*WORDS}
    assert some[1].says == "a.yaml:3: no; and 1 more" and exit_code(some[:2]) == 1
    assert some[2].says == "check passes, 2 warnings; proved: all of it"


# -- ports ----------------------------------------------------------------------------------------------------


def wanted(what: str, wants: str, *, hears: bool = True, beside: str | None = None, lamps: bool = False) -> Wanted:
    return Wanted(what, wants, hears, "rig.yaml:7", beside, lamps)


def test_each_port_is_found_or_said_to_be_missing() -> None:
    some = [wanted("drums", "two switch"), wanted("keys", "treadel"), wanted("box", "box", hears=False)]
    drums, keys, box = ports.judged(some, ["Two Switch:out 1 20:0", "treadle:out 24:0"], ["box:in"])
    assert (drums.word, drums.says) == ("fine", "at `Two Switch:out 1 20:0`")
    assert (keys.word, box.word) == ("wrong", "fine")
    assert "no port has `treadel` in its name" in keys.says and "treadle:out 24:0" in keys.says
    assert "rig.yaml:7" in keys.do


def test_two_pedals_of_one_name_need_two_ports() -> None:
    """As the night gives them out: what is heard has a port for itself, in the order of the rig."""
    two = [wanted("left foot", "switch"), wanted("right foot", "switch")]
    alone = ports.judged(two, ["switch:a"], [])
    assert [one.word for one in alone] == ["fine", "wrong"] and "another one has the only port" in alone[1].says
    both = ports.judged(two, ["switch:a", "switch:b"], [])
    assert [(one.word, one.says) for one in both] == [("fine", "at `switch:a`"), ("fine", "at `switch:b`")]
    three = ports.judged(two, ["switch:a", "switch:b", "switch:c"], [])
    assert [one.word for one in three] == ["look", "fine"] and "fits 3 ports" in three[0].says


def test_lamps_are_at_the_pedals_own_port_and_keep_nobody_from_playing() -> None:
    pedal, lamps = wanted("keys", "four"), wanted("lamps of keys", "four", hears=False, beside="keys", lamps=True)
    _, own = ports.judged([pedal, lamps], ["four:b"], ["four:a", "four:b"])
    assert (own.word, own.says) == ("fine", "at `four:b`")
    _, dark = ports.judged([pedal, lamps], ["four:b"], [])
    assert dark.word == "look" and "lamps stay dark" in dark.says


def test_a_keyboard_is_found_or_not() -> None:
    there = [Keyboard(Path("/dev/input/event4"), "Page Turner")]
    assert keyboards.judged([("pedal", "page")], there) == [
        finding.fine("pedal", "`Page Turner` at /dev/input/event4 may be read")
    ]
    (missing,) = keyboards.judged([("pedal", "page tuner")], there)
    assert missing.word == "wrong" and "did you mean `Page Turner`" in missing.says
    (closed,) = keyboards.judged([("pedal", "page")], "the group `input` …")
    assert closed.word == "wrong"


def test_two_keyboards_of_one_name_are_one_for_each_pedal() -> None:
    there = [Keyboard(Path(f"/dev/input/event{at}"), "Page Turner") for at in (4, 5)]
    both = [("left foot", "page"), ("right foot", "Page Turner")]
    assert [(one.word, one.says) for one in keyboards.judged(both, there)] == [
        ("fine", "`Page Turner` at /dev/input/event4 may be read"),
        ("fine", "`Page Turner` at /dev/input/event5 may be read"),
    ]
    _, second = keyboards.judged(both, there[:1])
    assert (second.word, second.says) == (
        "wrong",
        "`Page Turner` is for `left foot`, and no other device with keys has `Page Turner` in its name",
    )


# -- sockets that are really there ----------------------------------------------------------------------------


def test_a_page_that_can_be_served_and_one_that_cannot() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen(1)
        port = taken.getsockname()[1]
        for host in ("127.0.0.1", "0.0.0.0"):
            found = page.address(host, port)
            assert found.word == "wrong" and f"{host}:{port}" in found.says and "another port" in found.do
            # As it is while the show's own night serves its page.
            assert page.address(host, port, played=True).word == "unknown"
    assert page.address("127.0.0.1", port).word == "fine"
    # TEST-NET-1 (RFC 5737) is nobody's.
    foreign = page.address("192.0.2.1", 8480)
    assert foreign.word == "wrong" and "an address of this machine" in foreign.do


def test_a_udp_port_that_is_free_and_one_that_is_taken() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        assert hosts.udp_port("pedal", port).word == "wrong"
        assert hosts.udp_port("pedal", port, played=True).word == "unknown"
    assert hosts.udp_port("pedal", port).word == "fine"


def test_a_host_that_is_known_and_one_that_is_not() -> None:
    known = hosts.host("box", "127.0.0.1", 9000, 5)
    assert known.word == "unknown" and "127.0.0.1:9000" in known.says
    # `.invalid` never resolves (RFC 6761, 6.4).
    assert hosts.host("box", "box.invalid", 9000, 5).word == "wrong"


def test_whether_a_pedal_s_host_has_an_address() -> None:
    assert hosts.sender("pedal", "192.168.1.31", 5) is None
    known, unknown = hosts.sender("pedal", "localhost", 5), hosts.sender("pedal", "pedal.invalid", 5)
    assert known is not None and unknown is not None
    assert (known.word, unknown.word) == ("fine", "wrong") and "127.0.0.1" in known.says
    assert "`from`" in unknown.do


# -- the desk -------------------------------------------------------------------------------------------------


READ = desk.Read("10.0.0.5:9000", "10.0.0.5:9000", False, True, 12_000_000, 340_000_000)


def words(found: Sequence[Finding]) -> list[tuple[str, str]]:
    return [(one.what, one.word) for one in found]


def read_as(plan: Plan, said: Mapping[int, Level]) -> State:
    """What is known when the desk has said that."""
    state = begin(plan, 0)
    return replace(state, known=replace(state.known, said=MappingProxyType(dict(said))))


def silent(plan: Plan) -> dict[int, Level]:
    """Every level that a desk says, with its faders down and its whole mixes at -10 dB."""
    return {
        plan.send(listener, column): -1_000 if column == plan.whole else OFF
        for listener in range(len(plan.listeners))
        for column in range(plan.width)
    }


def test_what_is_said_of_a_desk(plan: Plan) -> None:
    state = read_as(plan, silent(plan))
    told = list(desk.judged(plan, READ, state))
    assert words(told) == [("desk", "fine"), ("whole mixes", "fine"), ("levels", "fine")]
    assert told[0].says == "at `10.0.0.5:9000`, answers in 12 ms; all 15 levels read in 340 ms"
    assert told[2].says == "none of 15 is above its ceiling"
    for read, word in (
        (READ._replace(port=None), "wrong"),
        (READ._replace(answered=None, known=None), "wrong"),
        (READ._replace(answered=None, heard=False), "wrong"),
        (READ._replace(known=None), "look"),
        (READ._replace(can_read=False), "unknown"),
    ):
        assert next(desk.judged(plan, read, state)).word == word
    two = list(desk.judged(plan, READ._replace(troubles=("`desk` fits 2 ports",)), state))
    assert words(two)[:2] == [("desk", "fine"), ("desk", "look")] and two[1].says == "`desk` fits 2 ports"
    no_midi = READ._replace(port=None, troubles=("No MIDI answers. Do this.",))
    (found,) = desk.judged(plan, no_midi, state)
    assert (found.says, found.do) == ("no MIDI answers", "Do this")


def test_what_a_desk_has_not_said_is_not_fine(plan: Plan) -> None:
    """It answers for each level but one, or for none: nobody knows whether that one is off, or too loud."""
    said = silent(plan)
    for send in said:
        less = {one: level for one, level in said.items() if one != send}
        found = {one.what: one for one in desk.judged(plan, READ._replace(known=None), read_as(plan, less))}
        whole = send % plan.width == plan.whole
        assert found["desk"].word == "look" and "14 of 15 levels read" in found["desk"].says
        assert found["whole mixes"].word == ("look" if whole else "fine")
        assert not whole or found["whole mixes"].says == "the desk has not said whether 1 of 3 is off"
        assert found["levels"].word == "look" and found["levels"].says.endswith("has not said 1 more")
    nothing = list(desk.judged(plan, READ._replace(known=None), begin(plan, 0)))
    assert words(nothing) == [("desk", "look"), ("whole mixes", "look"), ("levels", "look")]
    assert "whether 3 of 3 are off" in nothing[1].says and nothing[2].says == "the desk has said none of 15"


def test_a_whole_mix_that_is_off_is_said_beside_those_that_are_not_known(plan: Plan) -> None:
    first, second, _ = (plan.send(at, plan.whole) for at in range(3))
    said = silent(plan) | {first: OFF}
    assert words(list(desk.whole_mixes(plan, read_as(plan, said)))) == [("whole mixes", "wrong")]
    del said[second]
    found = list(desk.whole_mixes(plan, read_as(plan, said)))
    assert words(found) == [("whole mixes", "wrong"), ("whole mixes", "look")]
    assert "the whole mix of singer is off" in found[0].says


def test_whole_mixes_that_a_desk_never_says_are_not_known(plan: Plan) -> None:
    """A profile may have answers for sends alone; of a desk that has no whole mixes there is nothing to say."""
    mute = replace(plan, answers=replace(plan.answers, whole=False))
    assert words(list(desk.whole_mixes(mute, begin(mute, 0)))) == [("whole mixes", "unknown")]
    none = replace(plan, whole_grid=None)
    assert list(desk.whole_mixes(none, begin(none, 0))) == []


def test_levels_above_their_ceilings_are_wrong_now(plan: Plan) -> None:
    fine: dict[int, Level] = {send: min(0, plan.ceilings[send]) for send in range(len(plan.ceilings))}
    own = plan.sends_by_name["accordionist", "accordion"]
    assert desk.levels(plan, silent(plan) | {own: -300}).word == "fine"
    hot = desk.levels(plan, {own: -250})
    assert hot.word == "wrong" and "accordion in the mix of accordionist at -2.5 dB, ceiling -3 dB" in hot.says
    # A whole mix that this show lets be counts as 0 dB, whatever the ceiling of the sends is; above that it is only
    # worth another look.
    whole = plan.sends_by_name["accordionist", "whole mix"]
    assert desk.levels(plan, silent(plan) | {whole: 0}).word == "fine"
    loud = desk.levels(plan, {whole: 10})
    assert loud.word == "look" and "whole mix in the mix of accordionist at +0.1 dB, ceiling 0 dB" in loud.says
    assert desk.levels(plan, {whole: 10, own: -250}).word == "wrong"
    assert desk.levels(plan, fine).word == "fine"
    assert desk.levels(plan, dict.fromkeys(fine, OFF)).word == "fine"


def test_a_mix_above_its_ceiling_as_a_sum_is_wrong(plan: Plan) -> None:
    """Four inputs at 0 dB come to 6.02 dB (10·log10 4), and a whole mix at 4 dB takes them to 10.02: above 10 dB."""
    inputs: dict[int, Level] = {plan.send(0, column): 0 for column in range(plan.whole)}
    assert plan.mix_ceilings[0] == 1_000 and len(inputs) == 4
    assert desk.levels(plan, inputs | {plan.send(0, plan.whole): 390}).says.count("as a sum") == 0
    assert "the mix of singer as a sum" in desk.levels(plan, inputs | {plan.send(0, plan.whole): 400}).says


# -- the clock ------------------------------------------------------------------------------------------------

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 11, 27, 18, 0, tzinfo=LISBON)


@pytest.mark.parametrize(
    ("later_s", "word"), [(-3600, "fine"), (0, "fine"), (120, "fine"), (121, "wrong"), (1e9, "wrong")]
)
def test_a_clock_is_not_before_the_shows_files(later_s: float, word: str) -> None:
    saved = {Path("rig.yaml"): datetime(2020, 1, 1, tzinfo=UTC), Path("setlist.yaml"): NOW + timedelta(seconds=later_s)}
    found = clock.plausible(NOW, saved)
    assert found.word == word and ("setlist.yaml" in found.says) is (word == "wrong")


def test_the_clock_in_step_matters_where_a_timetable_goes_by_it() -> None:
    assert clock.in_step(clock.InStep(True, 12_000), matters=True).says.endswith("within 12 ms")
    assert clock.in_step(clock.InStep(False, 16_000_000), matters=True).word == "look"
    assert clock.in_step(clock.InStep(False, 16_000_000), matters=False).word == "fine"
    assert clock.in_step(None, matters=True).word == "unknown"


def test_two_zones_are_one_where_they_show_the_same_time() -> None:
    (same,) = clock.zones(NOW, LISBON, ZoneInfo("Europe/London"))
    (other,) = clock.zones(NOW, LISBON, ZoneInfo("Europe/Berlin"))
    (none,) = clock.zones(NOW, None, LISBON)
    assert [one.word for one in (same, other, none)] == ["fine", "look", "fine"]
    assert "CET, UTC+01:00" in other.says and "WET, UTC+00:00" in other.says


def test_how_long_it_is_to_doors_and_set() -> None:
    model = TimetableModel.model_validate({"zone": "Europe/Lisbon", "doors": "19:30", "set": "21:00", "curfew": "1:00"})
    assert clock.to_go(night_of(model, NOW), NOW).says == "doors in 1 h 30 min, at 19:30; set in 3 h, at 21:00"
    late = NOW + timedelta(hours=2)
    assert clock.to_go(night_of(model, late), late).says == "doors 30 min ago, at 19:30; set in 1 h, at 21:00"
    assert clock.to_go((), NOW).word == "fine"


SAID = {"zone": "Europe/Lisbon", "doors": "19:30", "set": "21:00", "curfew": "1:00"}


@pytest.mark.parametrize(
    ("day", "says"),
    [
        (25, "its night, that of 2026-11-25, is over, and it is 2026-11-27 18:00"),
        (26, "its night, that of 2026-11-26, is over, and it is 2026-11-27 18:00"),
        (27, "doors in 1 h 30 min, at 19:30; set in 3 h, at 21:00"),
        (28, "it is for 2026-11-28, and today is 2026-11-27"),
        (30, "it is for 2026-11-30, and today is 2026-11-27"),
    ],
)
def test_a_timetable_of_another_day_is_said(day: int, says: str) -> None:
    """At 18:00 on the 27th."""
    model = TimetableModel.model_validate(SAID | {"date": date(2026, 11, day).isoformat()})
    found = clock.to_go(night_of(model, NOW), NOW)
    assert (found.word, found.says) == ("fine" if day == 27 else "look", says)


@pytest.mark.parametrize(("after_s", "word"), [(0, "fine"), (4 * 3600 - 1, "fine"), (4 * 3600, "look")])
def test_a_dated_night_is_over_when_without_a_date_the_next_would_be_meant(after_s: int, word: str) -> None:
    """The curfew, at 1:00 of the 27th, and how long after it."""
    now = datetime(2026, 11, 27, 1, 0, tzinfo=LISBON) + timedelta(seconds=after_s)
    dated, undated = (TimetableModel.model_validate(SAID | day) for day in ({"date": "2026-11-26"}, {}))
    assert clock.to_go(night_of(dated, now), now).word == word
    assert (night_of(undated, now) == night_of(dated, now)) is (word == "fine")


# -- the nights -----------------------------------------------------------------------------------------------


def test_how_many_nights_there_is_room_for(plan: Plan) -> None:
    night = nights.night_bytes(plan)
    for some, word in ((0, "wrong"), (1, "look"), (9, "look"), (10, "fine"), (10_000, "fine")):
        found = nights.space_judged(Path("/there"), WAL_MAX + night * some, night)
        assert found.word == word and (not some or f" {some:,} night" in found.says)
    assert nights.space_judged(Path("/there"), WAL_MAX + night - 1, night).word == "wrong"


def test_a_desk_that_only_answers_takes_no_more_than_is_said(plan: Plan, tmp_path: Path) -> None:
    """Half an hour in which nobody presses: the desk is asked every `PROBE_S`, and each answer is kept."""
    path, said = tmp_path / "n.night", round(30 * 60 / PROBE_S)
    of_night = Night(setlist="a set", begun_us=1_790_000_000_000_000, program="0.1.0")
    most = 0
    with Journal.create(path, of_night) as journal:
        for number in range(said):
            journal.write([], 0, heard(DeskSaid(send=number % 200, level=-600), number * round(PROBE_S * 1e9)))
            if number % 100 == 0:
                journal.checkpoint()
                most = max(most, sum(file.stat().st_size for file in tmp_path.iterdir()))
    assert most < nights.night_bytes(plan) + WAL_MAX
    ten_hours = path.stat().st_size * 20
    assert ten_hours < nights.NIGHT_BYTES


def test_the_changes_of_a_set_are_counted_as_they_are_told(plan: Plan) -> None:
    """Counted here by hand, stop by stop."""
    grid: Grid = plan.grid
    assert grid.steps
    steps = [rest.steps for rest in plan.rests]
    moved = sum(level is not None for level in steps[0])
    for before, after in itertools.pairwise(steps):
        moved += len([1 for send in range(len(before)) if before[send] != after[send]])
    assert nights.changes_of(plan) == moved > 0


def test_whoever_plays_this_show_is_named_and_nobody_is_to_end_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By what is on its way into a journal, wherever that lies; a night that has ended, and one of another show, are
    none of it."""
    monkeypatch.setenv("STAGECTL_RUNNING", str(tmp_path / "running"))
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "setlist.yaml").touch()
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        assert playing.player(folder) is None
    recorder = record.begin(
        tmp_path / "elsewhere.night",
        Night(setlist="a set", begun_us=0, program="1", path=str(here / "setlist.yaml")),
        lambda _: None,
    )
    assert playing.player(here) == playing.player(here / "setlist.yaml") == os.getpid()
    assert playing.player(there) is None
    recorder.close()
    assert playing.player(here) is None
    said = others.played(4_711)
    assert (said.word, said.says) == ("look", "this show is being played now, by process 4711")
    assert "end" not in said.do.split()


def lies(*, ends: bool = False, heard_at: int = 0) -> nights.Lies:
    """A night at a hall, whose last row was written at 0."""
    head = Night(setlist="three songs", venue="Hall", begun_us=0, program="1", zero=0, path="/s")
    return nights.Lies(path=Path("a.night"), head=head, at=0, wall_us=0, heard_at=heard_at, zero=0, ends=ends)


@pytest.mark.parametrize(
    ("ends", "venue", "ago_s", "word", "says"),
    [
        (True, "Hall", 60, "fine", "ended"),
        (False, "Hall", 59, "look", "59 s ago at Hall: `run` takes it up again"),
        (False, "Hall", 7_200, "look", "2 h ago at Hall: `run` takes it up again"),
        (False, "Hall", 7_201, "fine", "too long"),
        (False, None, 60, "look", "1 min ago at Hall: `run` takes it up again"),
        (False, "Cellar", 60, "look", "at Hall: `run` at another one refuses"),
        (False, "Hall", -30, "look", "takes it up again"),
    ],
)
def test_what_becomes_of_the_last_night(ends: bool, venue: str | None, ago_s: int, word: str, says: str) -> None:
    """By the rules that `run` has: two hours since the last that came in, and no other venue."""
    found = nights.last_judged(lies(ends=ends), venue, ago_s * 1_000_000)
    assert found.word == word and says in found.says
    # An hour after the last row, the desk was still heard.
    found = nights.last_judged(lies(ends=ends, heard_at=3_600 * 10**9), venue, (ago_s + 3_600) * 1_000_000)
    assert found.word == word and says in found.says
