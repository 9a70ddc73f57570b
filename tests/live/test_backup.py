"""The copy of the desk's levels: it reads like a base, is whole whenever it is looked at, and holds nobody up."""

from __future__ import annotations

import asyncio
import os
import stat
import unicodedata
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from virtual_time import VirtualLoop, played

from stagectl.core.actions import GoTo
from stagectl.core.doubt import Known
from stagectl.core.events import DeskCame, DeskSaid, Wanted
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.link import Answers
from stagectl.core.plan import Plan, Stop
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.live.backup import (
    FADE_S,
    Backup,
    backup_path,
    known_levels,
    levels_text,
)
from stagectl.live.timetable import EVERY_NS, NightJobs, backup_every, night_jobs
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.show.setlist import SetlistModel
from stagectl.show.values import NAME_MAX
from stagectl.show.yamltext import read_text

BEGINS = datetime(2026, 11, 27, 18, tzinfo=UTC)

FINE = Grid(steps=range(-9_000, 1_001, 10))


def plan_of(*names: str, listeners: tuple[str, ...] = ("ada", "bea"), whole: bool = True) -> Plan:
    """A plan of so many inputs, on a desk that says what it has."""
    width = len(names) + 1
    levels: tuple[Level | None, ...] = ((-600,) * len(names) + (None,)) * len(listeners)
    return Plan(
        inputs=names,
        listeners=listeners,
        own=(None,) * len(listeners),
        ceilings=(0,) * (width * len(listeners)),
        grid=FINE,
        whole_grid=FINE if whole else None,
        stops=(Stop(name="the base", song=-1, section=-1, levels=levels, fade_ns=0),),
        answers=Answers(each=True, whole=True, reports=True),
    )


def having(plan: Plan, levels: Mapping[int, Level], here: bool = True) -> State:
    """A state in which the desk has said so much."""
    said = MappingProxyType(dict(levels))
    return replace(begin(plan, 0), desk_here=here, known=Known(said=said))


class Keeping:
    """A backup, and what it says."""

    def __init__(self, plan: Plan, path: Path, now: Callable[[], datetime], state: State) -> None:
        self.state = state
        self.said: list[str] = []
        self.backup = Backup(plan, lambda: self.state, path, "`duo`", UTC, self.said.append, now)


def kept(path: Path) -> dict[str, dict[str, str]]:
    """The levels that stand in a file, by the program's own reader."""
    found = read_text(path.read_bytes(), path.name)
    assert found.faults == []
    base: dict[str, dict[str, str]] = found.data["base"]
    return base


# -- the text -------------------------------------------------------------------------------------------------


def test_it_reads_like_a_base() -> None:
    plan = plan_of("kick", "lead vocal")
    levels = known_levels(having(plan, {0: -600, 1: OFF, 2: 0, 3: -1_250, 4: 305}))
    assert levels_text(plan, levels, "The levels of the desk.") == (
        "# The levels of the desk.\n"
        "# It reads like the `base:` of a setlist.\n"
        "# Not known, and left out: 1 level.\n"
        "base:\n"
        "  ada:\n"
        "    kick: -6\n"
        "    lead vocal: off\n"
        "    whole mix: 0\n"
        "  bea:\n"
        "    kick: -12.5\n"
        "    lead vocal: 3.05\n"
    )


def test_what_the_desk_said_counts_before_what_it_was_asked_for() -> None:
    plan = plan_of("kick", whole=False)
    state = replace(having(plan, {0: -590}), asked=(-600, None, -700, None))
    assert known_levels(state) == (-590, None, -700, None)
    assert "Not known" not in levels_text(plan, known_levels(state), "x")


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1, max_size=20).filter(
    lambda name: name.strip() == name and name != "<<"
)
LEVELS = st.just(OFF) | st.integers(-12_000, 2_000)


@given(names=st.lists(NAMES, min_size=2, max_size=6, unique=True), data=st.data())
def test_whatever_the_names_it_comes_back_as_a_base(names: list[str], data: st.DataObject) -> None:
    """By the reader and the model of the setlist, and by PyYAML."""
    names = list(dict.fromkeys(unicodedata.normalize("NFC", name) for name in names))
    plan = plan_of(*names, listeners=(names[0],))
    levels = {send: data.draw(LEVELS) for send in range(len(names) + 1)}
    text = levels_text(plan, known_levels(having(plan, levels)), f"The levels of {names[0]}")
    found = read_text(text.encode(), "backup")
    assert found.faults == []
    columns = [*names, "whole mix"]
    want = {name: levels[at] for at, name in enumerate(columns)}
    model = SetlistModel.model_validate({"title": "x", "rig": "y", "songs": [{"name": "z"}], **found.data})
    assert model.base == {names[0]: want}
    assert list(yaml.load(text, Loader=yaml.BaseLoader)["base"][names[0]]) == columns


@pytest.mark.parametrize(
    "name",
    [
        "off",
        "yes",
        "~",
        "1:30",
        "808",
        "a: b",
        "- x",
        "#1",
        "'s",
        '"',
        "é",
        "\u2028x",
        "x\u00a0y",
        "😀",
        "x" * NAME_MAX,
    ],
)
def test_names_that_yaml_takes_for_something_else(name: str, tmp_path: Path) -> None:
    plan = plan_of(name, "kick", listeners=("ada",))
    path = tmp_path / "x.yaml"
    path.write_text(levels_text(plan, (-600, OFF, None), "x"), "utf-8")
    assert kept(path) == {"ada": {name: "-6", "kick": "off"}}


def test_a_name_that_cannot_be_a_key_is_left_out_and_spoils_nothing(tmp_path: Path) -> None:
    plan = plan_of("<<", "kick", listeners=("ada", "<<"))
    path = tmp_path / "x.yaml"
    path.write_text(levels_text(plan, (-600, OFF, None) * 2, "x"), "utf-8")
    assert kept(path) == {"ada": {"kick": "off"}}


def duo(folder: Path, backup: str = "", profile: str = "osc-decibels") -> Show:
    """A show with a desk over OSC, which can be read."""
    desk = f"{{profile: {profile}, host: 127.0.0.1:1{backup}}}"
    rig = "inputs: [{name: voice, socket: 1}, {name: '#1: box', socket: 2}]\n"
    rig += f"listeners: [{{name: ada, mix: 1}}, {{name: 'off', mix: 2}}]\ndesk: {desk}\n"
    (folder / "rig.yaml").write_text(rig)
    setlist = "title: duo\nrig: rig.yaml\nbase: {ada: {rest: -12}, 'off': {rest: -6}}\n"
    (folder / "setlist.yaml").write_text(setlist + "fade: 20\nsongs: [{name: Seven Gates}]\n")
    return load_show(folder)


def read(plan: Plan, levels: Mapping[int, Level]) -> State:
    """The state when the desk has come and said what it has."""
    state, _ = step(plan, begin(plan, 0), DeskCame(), 0)
    for send, level in levels.items():
        state, _ = step(plan, state, DeskSaid(send=send, level=level), 1_000_000)
    assert state.desk_here
    return state


HAD: Mapping[int, Level] = {0: -1_000, 1: OFF, 2: -300, 3: -2_250, 4: -600, 5: OFF}


def test_a_desk_that_was_read_can_be_given_back_what_it_had(tmp_path: Path) -> None:
    """The real core reads the desk; the file is put in the place of a show's base, and the show is loaded."""
    show = duo(tmp_path)
    plan = compile_show(show).plan
    state = read(plan, HAD)

    async def night(loop: VirtualLoop) -> list[str]:
        keeping = Keeping(plan, tmp_path / "night.levels.yaml", loop.now, state)
        await keeping.backup.keep()
        await keeping.backup.close()
        return keeping.said

    assert played(BEGINS, night) == []
    text = (tmp_path / "night.levels.yaml").read_text("utf-8")
    assert text.startswith("# The levels of the desk at 2026-11-27 18:00:00 +0000, of the night of `duo`.\n")
    setlist = (tmp_path / "setlist.yaml").read_text()
    base = next(line for line in setlist.splitlines() if line.startswith("base:"))
    (tmp_path / "setlist.yaml").write_text(setlist.replace(base + "\n", text))
    again = compile_show(load_show(tmp_path)).plan
    assert again.stops[0].levels == tuple(HAD[send] for send in range(6))


@pytest.mark.parametrize(
    ("typed", "profile", "every"),
    [
        ("", "osc-decibels", EVERY_NS),
        (", backup every: 5 min", "osc-decibels", 300 * 10**9),
        (", backup every: no", "osc-decibels", None),
    ],
)
def test_how_often(typed: str, profile: str, every: int | None, tmp_path: Path) -> None:
    show = duo(tmp_path, typed, profile)
    assert backup_every(show.rig, compile_show(show).plan) == every


@pytest.mark.parametrize(("typed", "every"), [("", None), ("\n  backup every: 5 min", 300 * 10**9)])
def test_a_desk_that_cannot_be_read_has_a_backup_where_it_is_asked_for(
    typed: str, every: int | None, tmp_path: Path
) -> None:
    show = duo(tmp_path)
    rig = (tmp_path / "rig.yaml").read_text()
    bare = f"desk:\n  profile: control-change\n  port: desk{typed}\n"
    (tmp_path / "rig.yaml").write_text(rig[: rig.index("desk:")] + bare)
    show = load_show(tmp_path)
    assert backup_every(show.rig, compile_show(show).plan) == every


def test_it_stands_beside_the_journal() -> None:
    journal = Path("nights") / "2026-11-27T18-00-00-2.night"
    assert backup_path(journal) == Path("nights") / "2026-11-27T18-00-00-2.levels.yaml"


# -- again and again ------------------------------------------------------------------------------------------

PLAN = plan_of("kick", "snare", listeners=("ada",))


def levels(kick: int) -> State:
    return having(PLAN, {0: kick, 1: -900, 2: 0})


def test_every_ten_minutes_it_is_written_where_anything_has_changed(tmp_path: Path) -> None:
    path = tmp_path / "x.levels.yaml"

    async def night(loop: VirtualLoop) -> None:
        keeping = Keeping(PLAN, path, loop.now, levels(-600))
        jobs = NightJobs(
            timetable=None,
            zone=UTC,
            remind=keeping.said.append,
            trouble=keeping.said.append,
            backup=keeping.backup,
            backup_every=EVERY_NS,
            now=loop.now,
        )
        assert jobs.begin() == []
        await asyncio.sleep(599)
        assert not path.exists()
        await asyncio.sleep(2)
        first = path.read_bytes()
        assert kept(path) == {"ada": {"kick": "-6", "snare": "-9", "whole mix": "0"}}
        number = path.stat().st_ino
        await asyncio.sleep(600)
        assert (path.read_bytes(), path.stat().st_ino) == (first, number), "nothing has changed"
        keeping.state = levels(-500)
        await asyncio.sleep(600)
        assert kept(path)["ada"]["kick"] == "-5"
        # The clock on the wall goes back by a day: the period is one of the other clock.
        loop.set_wall(timedelta(days=-1))
        jobs.stepped(-86_400.0)
        keeping.state = levels(-400)
        await asyncio.sleep(601)
        assert kept(path)["ada"]["kick"] == "-4"
        keeping.state = levels(-300)
        await jobs.close()
        assert kept(path)["ada"]["kick"] == "-3", "what was there at the end"
        keeping.state = levels(-200)
        await asyncio.sleep(1200)
        assert kept(path)["ada"]["kick"] == "-3"
        assert keeping.said == []
        assert [one.name for one in tmp_path.iterdir()] == [path.name]

    played(BEGINS, night)


def test_it_waits_for_a_fade_to_be_over_but_not_for_ever(tmp_path: Path) -> None:
    """The real core fades: 20 s to the first song."""
    show = duo(tmp_path)
    plan = compile_show(show).plan
    rest = read(plan, HAD)
    fading, _ = step(plan, rest, Wanted(action=GoTo(stop=1), who="ada", listener=0), 2_000_000)
    assert fading.fade is not None
    path = tmp_path / "x.levels.yaml"

    async def night(loop: VirtualLoop) -> None:
        keeping = Keeping(plan, path, loop.now, fading)
        keep = asyncio.ensure_future(keeping.backup.keep())
        await asyncio.sleep(20)
        assert not path.exists()
        keeping.state = rest
        await keep
        assert kept(path)["ada"]["voice"] == "-10"
        before = loop.monotonic_ns
        keeping.state = fading
        await keeping.backup.keep()
        assert loop.monotonic_ns - before == FADE_S * 10**9
        await keeping.backup.close()

    played(BEGINS, night)


@pytest.mark.parametrize("state", [having(PLAN, {0: -600}, here=False), having(PLAN, {})])
def test_what_is_not_known_is_not_written(state: State, tmp_path: Path) -> None:
    path = tmp_path / "x.levels.yaml"

    async def night(loop: VirtualLoop) -> None:
        keeping = Keeping(PLAN, path, loop.now, levels(-600))
        await keeping.backup.keep()
        before = path.read_bytes()
        keeping.state = state
        await keeping.backup.keep()
        await keeping.backup.close()
        assert path.read_bytes() == before and keeping.said == []

    played(BEGINS, night)


def test_a_night_of_a_show_has_what_its_files_ask_for(tmp_path: Path) -> None:
    """In a running loop, by the real clock: begun, and closed again, which keeps the levels a last time."""
    show = duo(tmp_path)
    setlist = tmp_path / "setlist.yaml"
    there = setlist.read_text() + "venues: {Fish Dock: {}}\ntimetables: {Fish Dock: {zone: Asia/Tokyo, set: 21:00}}\n"
    setlist.write_text(there)
    show = load_show(tmp_path)
    journal = tmp_path / "one.night"

    async def night(show: Show, venue: str | None) -> tuple[list[str], list[str]]:
        plan = compile_show(show, venue).plan
        said: list[str] = []
        jobs = night_jobs(
            show,
            plan,
            venue,
            journal=journal,
            state=lambda: read(plan, HAD),
            remind=said.append,
            trouble=said.append,
            to_go=lambda: None,
        )
        first = jobs.begin()
        await jobs.close()
        return first, said

    assert asyncio.run(night(show, None)) == ([], [])
    assert kept(tmp_path / "one.levels.yaml")["ada"] == {"voice": "-10", "#1: box": "off", "whole mix": "-3"}
    first, said = asyncio.run(night(show, "Fish Dock"))
    # By the real clock, the set of today may be over already; then that is said, too.
    assert said == [] and len(first) in (1, 2)
    assert first[0].endswith(" (Asia/Tokyo): set 21:00")
    assert " of the night of `duo` at `Fish Dock`." in (tmp_path / "one.levels.yaml").read_text("utf-8")
    (tmp_path / "one.levels.yaml").unlink()
    quiet = tmp_path / "quiet"
    quiet.mkdir()
    assert asyncio.run(night(duo(quiet, ", backup every: no"), None)) == ([], [])
    assert not (tmp_path / "one.levels.yaml").exists()


# -- disks ----------------------------------------------------------------------------------------------------


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_a_full_disk_is_said_once_and_leaves_what_was_there(tmp_path: Path) -> None:
    """/dev/full is a disk without room (full(4)): what is written to the file beside ours ends there."""
    path = tmp_path / "x.levels.yaml"
    beside = tmp_path / "x.levels.yaml.new"

    async def night(loop: VirtualLoop) -> list[str]:
        keeping = Keeping(PLAN, path, loop.now, levels(-600))
        await keeping.backup.keep()
        before = path.read_bytes()
        for kick in (-500, -400):
            beside.symlink_to("/dev/full")
            keeping.state = levels(kick)
            await keeping.backup.keep()
            assert path.read_bytes() == before
            assert not beside.is_symlink(), "what could not be finished is taken away"
        keeping.state = levels(-400)
        await keeping.backup.keep()
        assert kept(path)["ada"]["kick"] == "-4"
        await keeping.backup.close()
        return keeping.said

    assert played(BEGINS, night) == [
        f"the desk's levels cannot be kept in {path}: No space left on device",
        "the desk's levels are kept again",
    ]


def test_a_folder_that_is_gone_is_said_once(tmp_path: Path) -> None:
    path = tmp_path / "gone" / "x.levels.yaml"

    async def night(loop: VirtualLoop) -> list[str]:
        keeping = Keeping(PLAN, path, loop.now, levels(-600))
        await keeping.backup.keep()
        await keeping.backup.keep()
        path.parent.mkdir()
        await keeping.backup.keep()
        await keeping.backup.close()
        return keeping.said

    assert played(BEGINS, night) == [
        f"the desk's levels cannot be kept in {path}: No such file or directory",
        "the desk's levels are kept again",
    ]
    assert path.exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only for root")
def test_a_folder_that_may_not_be_written_to_is_said(tmp_path: Path) -> None:
    path = tmp_path / "x.levels.yaml"
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)

    async def night(loop: VirtualLoop) -> list[str]:
        keeping = Keeping(PLAN, path, loop.now, levels(-600))
        await keeping.backup.keep()
        await keeping.backup.close()
        return keeping.said

    try:
        assert played(BEGINS, night) == [f"the desk's levels cannot be kept in {path}: Permission denied"]
    finally:
        tmp_path.chmod(stat.S_IRWXU)


def test_a_disk_that_hangs_holds_up_neither_the_loop_nor_the_end(tmp_path: Path) -> None:
    """A pipe that nobody reads, in the place of the file beside ours: opening it waits for ever."""
    path = tmp_path / "x.levels.yaml"
    beside = tmp_path / "x.levels.yaml.new"
    os.mkfifo(beside)

    async def night() -> float:
        loop = asyncio.get_running_loop()
        keeping = Keeping(PLAN, path, lambda: BEGINS, levels(-600))
        keep = asyncio.ensure_future(keeping.backup.keep())
        turns = 0
        while turns < 1_000:
            # The loop goes round: the write is in its thread.
            await asyncio.sleep(0)
            turns += 1
        assert not keep.done()
        began = loop.time()
        await keeping.backup.close(within_s=0.05)
        took = loop.time() - began
        keep.cancel()
        # Somebody reads at last, and the thread comes back.
        with beside.open("rb") as pipe:
            pipe.read()
        return took

    assert asyncio.run(night()) >= 0.05


def test_what_a_scene_of_the_desks_own_has_brought_is_not_known() -> None:
    plan = plan_of("kick", whole=False)
    state = replace(having(plan, {0: -590, 2: -800}), asked=(None, None, -700, None))
    assert known_levels(state) == (-590, None, -800, None)
    recalled = replace(state, known=replace(state.known, stored=1))
    assert known_levels(recalled) == (None, None, -800, None)
