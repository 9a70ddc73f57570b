"""Whole mixes that are off at the desk: said before the night and when the desk is back, where the show leaves them so.

The levels are the desk's own, over real UDP, or told to the core as a desk would; the wording is compared by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from forked import stagectl
from free_ports import free_port
from lines import Program
from msgspec.structs import replace
from nights import deaf, playing, quick_copy
from test_two_way_over_osc import Desk, end

from stagectl.core.actions import GoTo
from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Wake, Wanted
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.live.whole_mixes import WholeMixes, off_at_the_desk
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.whole_mix_fit import NAMED_MAX
from stagectl.where import shipped

SINGER = "the whole mix of singer is off at the desk, and the show leaves it so"


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Three songs, of which none moves a whole mix."""
    return compile_show(load_show(shipped("setlists") / "three-songs"), None).plan


def read(plan: Plan, wholes: Mapping[int, Level], state: State | None = None) -> State:
    """The state when a desk came and was read: inputs at -10 dB, whole mixes at 0 dB but for some listeners'."""
    state, _ = step(plan, state or begin(plan, 0), DeskCame(), 1)
    for send in filter(plan.can_read, range(len(plan.ceilings))):
        listener, column = divmod(send, plan.width)
        level = -1_000 if column != plan.whole else wholes.get(listener, 0)
        assert not state.desk_here
        state, _ = step(plan, state, DeskSaid(send=send, level=level), 2)
    assert state.desk_here
    return state


@pytest.mark.parametrize(
    ("wholes", "says"),
    [
        ({}, None),
        ({0: -6_000}, None),
        ({0: OFF}, SINGER),
        (
            {0: OFF, 2: OFF},
            "the whole mixes of singer and {2} are off at the desk, and the show leaves them so",
        ),
    ],
)
def test_what_is_off_is_said_by_name(plan: Plan, wholes: dict[int, Level], says: str | None) -> None:
    expected = None if says is None else says.format(*plan.listeners)
    assert off_at_the_desk(plan, read(plan, wholes)) == expected


def test_many_are_counted(plan: Plan) -> None:
    names = tuple(f"listener {at}" for at in range(NAMED_MAX + 2))
    many = replace(
        plan,
        listeners=names,
        own=(None,) * len(names),
        ceilings=plan.ceilings[: plan.width] * len(names),
        mix_ceilings=(),
        stops=tuple(replace(stop, levels=stop.levels[: plan.width] * len(names)) for stop in plan.stops),
    )
    said = off_at_the_desk(many, read(many, dict.fromkeys(range(len(names)), OFF)))
    assert said is not None and said.startswith(
        "the whole mixes of listener 0, listener 1, listener 2 and 3 more are off"
    )


def test_the_lowest_level_of_a_desk_that_cannot_say_off_is_said_as_it_is(plan: Plan) -> None:
    cannot = replace(plan, whole_grid=Grid(steps=(-6_000, -300, 0), has_off=False))
    said = off_at_the_desk(cannot, read(cannot, {0: -6_000, 1: -300}))
    assert said == "the whole mix of singer is at -60 dB at the desk, and the show leaves it so"


def driving(plan: Plan, level: Level) -> Plan:
    """The plan with the singer's whole mix at a level everywhere."""
    send = plan.send(0, plan.whole)

    def moved(levels: tuple[Level | None, ...]) -> tuple[Level | None, ...]:
        return (*levels[:send], level, *levels[send + 1 :])

    return replace(plan, stops=tuple(replace(stop, levels=moved(stop.levels)) for stop in plan.stops))


@pytest.mark.parametrize(("level", "is_said"), [(-300, False), (OFF, True)])
def test_one_that_the_first_song_brings_up_is_not_said(plan: Plan, level: Level, is_said: bool) -> None:
    drives = driving(plan, level)
    assert (off_at_the_desk(drives, read(drives, {0: OFF})) is not None) == is_said


def test_one_that_a_hand_has_turned_off_is_said_at_the_start_of_the_set_too(plan: Plan) -> None:
    """The hand's nudge lasts for the night: no `next` brings it up."""
    send, drives = plan.send(0, plan.whole), driving(plan, -400)
    events = ((GoTo(stop=1), 3), (GoTo(stop=0), 10**10))
    state = read(drives, {0: OFF})
    for action, at in events:
        state, _ = step(drives, state, Wanted(action=action, who="the test"), at)
    state, _ = step(drives, state, DeskSaid(send=send, level=OFF), 2 * 10**10)
    state, _ = step(drives, state, Wake(), 3 * 10**10)
    assert off_at_the_desk(drives, state) == SINGER


def test_it_is_said_once_each_time_that_the_desk_was_read(plan: Plan) -> None:
    said: list[str] = []
    looks = WholeMixes(plan, said.append, load_show(shipped("setlists") / "three-songs").rig)
    assert looks.can_read
    state = read(plan, {0: OFF})
    looks.look(state)
    assert (looks.begin(state), said) == (SINGER, [])
    looks.look(state)
    state, _ = step(plan, state, DeskWent(), 3)
    looks.look(state)
    assert (said, looks.begin(state)) == ([], None)
    for _ in range(2):
        looks.look(read(plan, {0: OFF}))
    assert said == [SINGER]
    looks.look(state)
    looks.look(read(plan, {}))
    assert said == [SINGER]


@pytest.mark.ports
def test_a_dry_run_and_the_ready_line_say_it(tmp_path: Path) -> None:
    """The desk begins with whole mixes at 0 dB; then a hand takes one down."""
    desk_port = free_port()
    show = quick_copy("three-songs", tmp_path, **{"9000": str(desk_port), "9010": str(free_port())})
    desk = Desk(desk_port)
    try:
        assert [desk.levels()[mix, None] for mix in (1, 2, 3)] == [0.0, 0.0, 0.0]
        first = stagectl("run", str(show), "--dry")
        assert (first.returncode, "whole mix" in first.stdout) == (0, False)
        desk.say("move 1 whole off")
        before = desk.levels()
        second = stagectl("run", str(show), "--dry")
        assert (second.returncode, second.stdout.splitlines()[-1]) == (0, f"Warning: {SINGER}.")
        journal = tmp_path / "off.night"
        with playing(show, journal) as daemon:
            ready = _ready(daemon)
            assert desk.levels() == before
            story = end(daemon, journal)
        assert ready.endswith(f"everything is here; {SINGER}")
        assert [one["what"] for one in story if one["kind"] == "trouble"] == [SINGER]
    finally:
        desk.close()


@pytest.mark.ports
def test_of_a_desk_that_cannot_be_read_it_is_said_what_the_ceiling_counts(tmp_path: Path) -> None:
    """By `ready`, a dry run and the start; where the rig says no ceiling of a mix, by none."""
    ports = {"9000": str(free_port()), "9010": str(free_port())}
    show = deaf(quick_copy("three-songs", tmp_path, **ports))
    says = "nothing tells or reads the whole mixes of singer, fiddler and accordionist, and the ceilings of these mixes"
    assert says not in stagectl("run", str(show), "--dry").stdout
    rig = show / "rig.yaml"
    rig.write_text(rig.read_text() + "\nmix ceiling: 3\n")
    dry = stagectl("run", str(show), "--dry")
    assert (dry.returncode, dry.stdout.splitlines()[-1].startswith(f"Warning: {says}")) == (0, True)
    assert says in " ".join(stagectl("ready", str(show)).stdout.split())
    journal = tmp_path / "deaf.night"
    with playing(show, journal) as daemon:
        _ready(daemon)
        story = end(daemon, journal)
    assert [one["what"].startswith(says) for one in story if one["kind"] == "trouble"] == [True]


def _ready(daemon: Program) -> str:
    return daemon.until(lambda line: line.startswith("ready")).rstrip()
