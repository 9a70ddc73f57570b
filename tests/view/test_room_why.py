"""The layer that the table names for a level is the one that the account of that level ends with.

Judged by `show/explain.py`, which goes through layers, nudges and bounds one by one, in nights drawn by a seed.
"""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import pytest
from big_shows import Size, write_big
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.core.actions import WISHED, Action, ClearNudges, FallBack, GoTo, Hush, Nudge, Recall, Undo
from stagectl.core.events import Event, Moved, Wanted
from stagectl.core.levels import Level
from stagectl.rehearse.room import Room
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.explain import Account, Line
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row
from stagectl.view.room_board import Table
from stagectl.view.room_step import Steps, rows_of
from stagectl.view.room_why import Maker, Makers

ROOT = Path(__file__).resolve().parents[2]
SECOND = 1_000_000_000

OTHER_WORDS = {
    "nudges for the night": "nudge",
    "nudges for the song": "nudge",
    "nudges for the section": "nudge",
    "held when nudged": "nudge",
    "nudge floor": "nudge",
    "the desk's range": "desk's range",
}
"""What the account calls things that the table has shorter words for."""

NO_LAYER = frozenset(("the desk", "night", "the desk's step", "fade"))


LOUD: Final = "nine songs under a mix ceiling"
"""The demo, with a ceiling of the sum that several of its mixes reach."""


@cache
def shown(name: str, venue: str | None) -> tuple[Show, Compiled]:
    """A demo without its fades, and with quick rises: most steps of a night are theirs, and a level that rests has the
    same account."""
    with TemporaryDirectory() as place:
        folder = ROOT / "setlists" / ("nine-songs" if name == LOUD else name)
        quick = Path(shutil.copytree(folder, Path(place) / "show"))
        setlist, rig = quick / "setlist.yaml", quick / "rig.yaml"
        setlist.write_text(re.sub(r"fade: [\d.]+", "fade: 0", setlist.read_text("utf-8")), "utf-8")
        text = rig.read_text("utf-8") + "\nlimits: {rise: 1000}\n"
        if name == LOUD:
            text = text.replace("ceiling: 0 ", "mix ceiling: 0\nceiling: 0 ", 1)
        rig.write_text(text, "utf-8")
        show = load_show(quick)
        return show, compile_show(show, venue)


def last_say(lines: list[Line]) -> str:
    """What in an account has changed the level last, or set it. Wishes that take back each other change nothing."""
    if lines[-1].level is None:
        return "not driven"
    said, level = "", None
    scene: tuple[str, Level | None] = "", None
    for line in lines:
        layer = line.what in ("base", "venue", "song", "section", "scene")
        sets = layer and not line.did.startswith(("up", "down"))
        if line.what not in NO_LAYER and (line.level != level or sets):
            said, level = OTHER_WORDS.get(line.what, line.what), line.level
            scene = (said, level) if layer else scene
    return scene[0] if said in ("nudge", "treadle") and level == scene[1] else said


def some(chance: random.Random, room: Room) -> Event:
    """An event of a night that takes levels to all their bounds."""
    plan = room.plan
    whose = chance.randrange(len(plan.listeners))
    by = chance.choice((-1_200, -300, 100, 600, 1_200))
    column = chance.randrange(plan.width)
    actions: tuple[Action, ...] = (
        GoTo(stop=chance.randrange(len(plan.stops))),
        Nudge(by=by, column=column, lasts=chance.choice(WISHED)),
        Nudge(by=by, column=column, lasts=chance.choice(WISHED)),
        Nudge(by=1_200, column=column),
        Hush(),
        ClearNudges(),
        Undo(),
        FallBack(),
        *(Recall(scene=at) for at in range(len(plan.scenes))),
    )
    turns = [
        (pedal, at) for pedal, one in enumerate(plan.pedals) for at, control in enumerate(one.controls) if control.turns
    ]
    if turns and chance.random() < 0.3:
        pedal, control = chance.choice(turns)
        return Moved(pedal=pedal, control=control, value=chance.randrange(128))
    return Wanted(action=chance.choice(actions), who="somebody", listener=whose)


@pytest.mark.parametrize(("name", "venue"), [("nine-songs", "The Brick Cellar"), (LOUD, None), ("three-songs", None)])
@settings(max_examples=8)
@given(seed=st.integers(0, 10**6))
def test_the_layer_is_the_last_one_of_the_account(name: str, venue: str | None, seed: int) -> None:
    show, compiled = shown(name, venue)
    chance = random.Random(seed)
    room = Room(show, compiled)
    room.open()
    account, makers = Account(show, compiled.plan, venue), Makers(show, compiled.plan, venue)

    def agree() -> None:
        found = makers.all(room.state)
        if room.state.held - room.state.hushed:
            assert any(maker.kind == "mix ceiling" for maker in found)
        for send in chance.sample(range(len(found)), min(25, len(found))):
            lines = list(account.lines(send, room.state))
            assert found[send].kind == last_say(lines), (compiled.plan.send_name(send), lines)

    for number in range(chance.randint(1, 20)):
        at = (number + 1) * 9 * SECOND
        room.do(some(chance, room), at)
        room.wait(at + 8 * SECOND)
        if chance.random() < 0.5:
            agree()
    room.settle()
    agree()


def test_a_layer_is_named_with_its_line_of_the_file() -> None:
    show, compiled = shown("nine-songs", "Tidewater Hall")
    room, makers = Room(show, compiled), Makers(show, compiled.plan, "Tidewater Hall")
    room.open()
    room.do(Wanted(action=GoTo(stop=2), who="page"), SECOND)
    found = makers.all(room.state)
    plan, text = compiled.plan, (ROOT / "setlists" / "nine-songs" / "setlist.yaml").read_text("utf-8").splitlines()
    for listener, column, words, says in (
        (0, 10, "section last chorus", "singer: {lead vocal: up 1}"),
        (1, 6, "venue Tidewater Hall", "drummer: {bass: up 2}"),
        (1, 0, "base", "kick: -6"),
        (1, 3, "base", "rest: -24"),
    ):
        maker = found[plan.send(listener, column)]
        assert maker.words == words
        assert text[maker.line - 1].strip() == says


def moved_by(events: Sequence[Action], send: int, venue: str | None = None) -> Maker:
    """What has moved a send, after the singer has done all this on the demo."""
    show, compiled = shown("nine-songs", venue)
    room, steps, makers = Room(show, compiled), Steps(compiled.plan), Makers(show, compiled.plan, venue)
    room.open()
    for at, event in enumerate(events, 1):
        steps.hear(rows_of(room.do(Wanted(action=event, who="singer", listener=0), at * 9 * SECOND)))
    one = steps.moved[send]
    return makers.moved(send, room.state, one.who, one.cause)


VOCAL = 10
"""The singer's own send."""


def test_what_moved_a_level_is_the_wish_or_the_layer_and_not_what_lies_over_it() -> None:
    nudge, section = Nudge(by=100), GoTo(stop=2)
    assert moved_by([GoTo(stop=1), nudge], VOCAL).words == "nudge by singer"
    maker = moved_by([GoTo(stop=1), nudge, section], VOCAL)
    assert (maker.words, maker.short) == ("section last chorus", "section")
    assert moved_by([GoTo(stop=1), Recall(scene=0)], 15).short == "scene talking"
    assert moved_by([GoTo(stop=1), Hush()], VOCAL).words == "hush by singer"
    assert moved_by([GoTo(stop=1), nudge, Undo()], VOCAL).words == "undo by singer"


def test_what_holds_it_lower_is_said_too() -> None:
    # At 0 dB, where the ceiling is; the last chorus would take it 1 dB further.
    up: list[Action] = [GoTo(stop=1), Nudge(by=200)]
    assert moved_by([*up, GoTo(stop=2)], VOCAL).words == "section last chorus"
    assert moved_by([*up, Nudge(by=300)], VOCAL).words == "nudge by singer"
    assert moved_by([*up, Nudge(by=50), GoTo(stop=2)], VOCAL).words == "section last chorus, held by the ceiling"


def test_the_table_says_from_what_to_what_and_by_whom() -> None:
    show, compiled = shown("nine-songs", None)
    room, steps, table = Room(show, compiled), Steps(compiled.plan), Table(show, compiled.plan, None)
    steps.hear(rows_of(room.open()))
    for event in (GoTo(stop=1), Nudge(by=100, column=10)):
        steps.hear(rows_of(room.do(Wanted(action=event, who="singer", listener=0), room.state.now + 9 * SECOND)))
    board = table.board(room.state, steps, 7)
    [[send, before, after, layer]] = board["moved"]
    assert (send, before, after) == (10, -300, -200)
    assert board["layers"][layer]["words"] == "nudge by singer"
    assert board["last"] == {"at": 18_000, "who": "singer", "what": "nudge", "where": "", "to": "", "refused": None}
    assert board["wanted"][10] == -200
    # A refusal is the last step, and takes nothing of what was moved before away.
    refused = room.do(Wanted(action=GoTo(stop=1), who="drummer"), room.state.now + 9 * SECOND)
    steps.hear([*rows_of(refused), Row(0, "link", who="desk", what="here")])
    board = table.board(room.state, steps, 7)
    assert board["last"]["refused"] == "already there"
    assert [one[0] for one in board["moved"]] == [10]


def test_the_greatest_board_fits_into_a_line_many_times(tmp_path: Path) -> None:
    """16 listeners, 32 inputs; how many songs there are makes no difference to it."""
    from stagectl.view.lines import LINE_MAX, line

    show = load_show(write_big(tmp_path / "big", Size(songs=4, sections=2)))
    compiled = compile_show(show)
    room, steps = Room(show, compiled), Steps(compiled.plan)
    steps.hear(rows_of(room.open()))
    steps.hear(rows_of(room.do(Wanted(action=GoTo(stop=3), who="page"), SECOND)))
    board = Table(show, compiled.plan, None).board(room.state, steps, 0)
    assert len(board["moved"]) == 16 * 32
    assert len(line({"board": "room", "is": board})) < LINE_MAX // 8
