"""The account of a level: ten sends of the demo night against sums worked out by hand, then shows by chance against a
reader of their YAML that knows nothing of stagectl, and against the state of the night."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import pytest
import yaml
from demo_copies import SETLIST, Copy
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from stagectl.core.actions import WISHED, Action, Back, GoTo, Next, Nudge, Recall, Undo
from stagectl.core.events import DeskCame, DeskSaid, Event, Moved, PedalCame, Wanted
from stagectl.core.levels import OFF, Level
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.rehearse.room import Room
from stagectl.rehearse.script import SCRIPT, read_script
from stagectl.show.compile import compile_show
from stagectl.show.explain import Account, Line, moved_to
from stagectl.show.load import load_show
from stagectl.where import shipped

DEMO = shipped("setlists") / "nine-songs"
HALL, CELLAR = "Tidewater Hall", "The Brick Cellar"
SECOND = 1_000_000_000

SHARED: Final = True
"""The demo night is played once for all who look at it; see `tests/cores.py`."""

# -- the demo night ---------------------------------------------------------------------------------------


TIMES = {None: (1, 10, 27, 55, 82, 105, 118, 148, 177, 215, 220), HALL: (118,), CELLAR: (55,)}
"""When the night is looked at, s."""


@cache
def states(venue: str | None) -> tuple[Account, dict[int, State]]:
    """The demo night with its own presses, as it stands at each of `TIMES`. What is wanted needs no fades."""
    show = load_show(DEMO)
    compiled = compile_show(show, venue)
    stops = tuple(replace(stop, fade_ns=0) for stop in compiled.plan.stops)
    compiled = compiled._replace(plan=replace(compiled.plan, stops=stops))
    room = Room(show, compiled)
    room.open()
    presses, found = read_script(DEMO / SCRIPT, compiled.plan), {}
    for time in TIMES[venue]:
        while presses and presses[0].at <= time * SECOND:
            press = presses.pop(0)
            room.do(press.event, press.at)
        room.wait(time * SECOND)
        found[time] = room.state
    return Account(show, compiled.plan, venue), found


def rehearsed(venue: str | None, time: int) -> tuple[Account, State]:
    account, found = states(venue)
    return account, found[time]


def gm2(ceiling: float, level: Level) -> Level:
    """The controller's value nearest to a level, never above the ceiling, by GM2 v1.2a §3.3.4: 40·log10(v/127) dB."""
    if not isinstance(level, int):
        return OFF
    steps = [40 * math.log10(value / 127) for value in range(1, 128)]
    return round(100 * min((one for one in steps if one <= ceiling), key=lambda one: abs(one - level / 100)))


@pytest.mark.parametrize(
    ("venue", "until", "listener", "input_", "ceiling", "sums"),
    [
        # The base's `rest`, which nothing touches: -24.
        (None, 220, "drummer", "rack tom", 0, [("base", "-24 dB (rest)", -2_400)]),
        # -3, the section's own up 1, two presses of +1 each: -3 + 1 + 2 = 0.
        (
            *(None, 27, "singer", "lead vocal", 0),
            [("base", "-3 dB", -300), ("section", "up 1", -200), ("nudges for the night", "+2", 0)],
        ),
        # -3 + 2 = -1; the treadle stands at 96 of 127, which is -6 + 9·96/127 = +0.80 without its dead zone; with 2 %
        # at each end it is -6 + 9·(96/127 - 0.02)/0.96 = +0.90: -0.1.
        (
            *(None, 55, "singer", "lead vocal", 0),
            [("base", "-3 dB", -300), ("nudges for the night", "+2", -100), ("treadle", "+0.9", -10)],
        ),
        # -4, set to -2 by the song, two presses of the drummer: 0; the click's ceiling of -1 holds it there.
        (
            *(None, 105, "drummer", "click", -1),
            [("base", "-4 dB", -400), ("song", "-2 dB", -200), ("nudges for the night", "+2", 0)],
        ),
        # The same in half time: -2 - 6 + 2 = -6, below any ceiling.
        (
            *(None, 118, "drummer", "click", -1),
            [
                *(("base", "-4 dB", -400), ("song", "-2 dB", -200), ("section", "down 6", -800)),
                ("nudges for the night", "+2", -600),
            ],
        ),
        # -18 + 4 by the song, + 3 by the section for everyone: -11.
        (
            *(None, 82, "guitarist", "keys", 0),
            [("base", "-18 dB", -1_800), ("song", "up 4", -1_400), ("section", "up 3 (everyone)", -1_100)],
        ),
        # -8 + 2 in the hall: -6.
        (HALL, 118, "drummer", "bass", 0, [("base", "-8 dB", -800), ("venue", "up 2", -600)]),
        # -22 - 3 in the cellar: -25; then the song turns it off.
        (
            CELLAR,
            55,
            "singer",
            "kick",
            0,
            [("base", "-22 dB", -2_200), ("venue", "down 3", -2_500), ("song", "off", OFF)],
        ),
        # Not named in the base, but by its `rest`, which is off; up 4 leaves off alone.
        (None, 215, "bassist", "keys vocal", -1, [("base", "off (rest)", OFF), ("section", "up 4 (everyone)", OFF)]),
        # -3 + 4 for everyone is +1, set to -2; nudges of +2 and +0.1 (the third press went from -0.1 to the ceiling, 0)
        # make +0.1; the treadle's +0.9: +1; the ceiling holds it at 0.
        (
            *(None, 177, "singer", "lead vocal", 0),
            [
                *(("base", "-3 dB", -300), ("section", "up 4 (everyone)", 100), ("section", "-2 dB", -200)),
                *(("nudges for the night", "+2.1", 10), ("treadle", "+0.9", 100)),
            ],
        ),
        # Nudged +1 at 2:26 and taken back at 2:27: nothing is left of it. -6.
        (None, 148, "keys player", "keys", -2, [("base", "-6 dB", -600)]),
    ],
)
def test_ten_sends_of_the_demo_night_and_one_more(
    venue: str | None, until: int, listener: str, input_: str, ceiling: int, sums: list[tuple[str, str, Level]]
) -> None:
    account, state = rehearsed(venue, until)
    plan = account.plan
    send = plan.send(plan.listeners.index(listener), plan.inputs.index(input_))
    *touched, held, asked = account.lines(send, state)
    assert [(line.what, line.did, line.level) for line in touched] == sums
    last = sums[-1][2]
    exact = min(last, ceiling * 100) if isinstance(last, int) else OFF
    assert (held.what, held.did, held.level) == ("ceiling", f"at most {ceiling} dB", exact)
    assert (asked.what, asked.level) == ("the desk's step", gm2(ceiling, exact))
    assert (state.wanted[send], state.steps[send]) == (exact, asked.level)
    _stands_there(touched)


def _stands_there(lines: list[Line]) -> None:
    """Each line of a file says what the account says of it. (A number there may stand without its unit.)"""
    for line in lines:
        if line.file is not None and line.did != "off (not named)":
            words = line.did.split(" (")[0].removesuffix(" dB")
            assert words in Path(line.file).read_text("utf-8").splitlines()[line.line - 1], line


def test_the_ceiling_s_place_is_the_one_that_counts(tmp_path: Path) -> None:
    account, state = rehearsed(None, 10)
    plan, rig = account.plan, (DEMO / "rig.yaml").read_text("utf-8").splitlines()

    def place(listener: str, input_: str) -> str:
        send = plan.send(plan.listeners.index(listener), plan.inputs.index(input_))
        (line,) = (line for line in account.lines(send, state) if line.what == "ceiling")
        return rig[line.line - 1].strip()

    assert place("drummer", "click") == "ceilings: {click: -1}"
    assert place("drummer", "kick").startswith("ceiling: 0 ")
    assert place("bassist", "kick") == "ceiling: -1"
    for path in ("rig.yaml", "setlist.yaml"):
        text = (DEMO / path).read_text("utf-8")
        (tmp_path / path).write_text("".join(row for row in text.splitlines(True) if not row.startswith("ceiling: 0 ")))
    show = load_show(tmp_path)
    found = compile_show(show).plan
    (line,) = (
        line for line in Account(show, found, None).lines(1, moved_to(found, state, 0)) if line.what == "ceiling"
    )
    assert (line.line, line.file) == (0, str(tmp_path / "rig.yaml"))


def test_nothing_is_asked_for_before_anything_is_recalled() -> None:
    account, state = rehearsed(None, 1)
    base, night = account.lines(0, state)
    assert (base.level, night.level, night.what) == (-2_200, None, "night")


def test_what_carries_over_to_another_song() -> None:
    """What lasts for the song stays behind, also where the account is of another song."""
    account, state = rehearsed(None, 27)
    plan, send = account.plan, account.plan.inputs.index("keys")
    for lasts in WISHED:
        wanted = Wanted(action=Nudge(by=200, column=send, lasts=lasts), who="singer", listener=0)
        state = step(plan, state, wanted, state.now).state
    tram = next(at for at, stop in enumerate(plan.stops) if stop.name == "Slow Tram Home")
    here = [line.did for line in account.lines(send, state) if "nudges" in line.what]
    there = [line.did for line in account.lines(send, moved_to(plan, state, tram)) if "nudges" in line.what]
    assert (here, there) == (["+2", "+2", "+2"], ["+2"])
    assert moved_to(plan, state, state.place.stop) is state


@pytest.mark.parametrize(
    ("levels", "said"),
    [
        ("drummer: {click: -3}, everyone: {click: off}", ["off (everyone)", "-3 dB"]),
        ("everyone: {click: off}, drummer: {click: -3}", ["off (everyone)", "-3 dB"]),
        ("drummer: {click: up 1}, everyone: {click: -15}", ["-15 dB (everyone)", "up 1"]),
        ("drummer: {click: up 1}, everyone: {click: up 2}", ["up 2 (everyone)", "up 1"]),
    ],
)
def test_what_a_layer_says_of_a_listener_goes_over_what_it_says_of_everyone(
    tmp_path: Path, levels: str, said: list[str]
) -> None:
    copy = Copy(tmp_path, "nine-songs")
    copy.plant(SETLIST, "songs:\n", f"songs:\n  - {{name: First, levels: {{{levels}}}}}\n")
    show = copy.show()
    plan = compile_show(show).plan
    send = plan.send(plan.listeners.index("drummer"), plan.inputs.index("click"))
    state = moved_to(plan, begin(plan, 0), 1)
    lines = [line for line in Account(show, plan, None).lines(send, state) if line.what == "song"]
    assert [line.did for line in lines] == said
    assert lines[-1].level == plan.stops[1].levels[send]


# -- shows by chance --------------------------------------------------------------------------------------

INPUTS = ("voice", "fiddle", "stomp")
SET = st.one_of(st.just("off"), st.integers(-1_200, -60).map(lambda tenths: f"{tenths / 10:g} dB"))
SHIFT = st.builds(lambda way, by: f"{way} {by / 2:g}", st.sampled_from(("up", "down")), st.integers(1, 80))


CEILINGS = st.dictionaries(st.sampled_from((*INPUTS, "own")), st.sampled_from(("-3", "-6", "3")))


@st.composite
def changes(draw: st.DrawFn, whose: dict[str, str]) -> dict[str, dict[str, str]]:
    """A layer of a setlist. No entry names an own input twice. `whose`: the own input of each listener."""
    inputs = st.dictionaries(st.sampled_from((*INPUTS, "own")), st.one_of(SET, SHIFT, SHIFT), min_size=1, max_size=3)
    drawn = draw(st.dictionaries(st.sampled_from((*whose, "everyone")), inputs, max_size=3))
    for name, entry in drawn.items():
        owned = {own for listener, own in whose.items() if name in (listener, "everyone")}
        if "own" in entry and not owned.isdisjoint(entry):
            del entry["own"]
    return drawn


@st.composite
def files(draw: st.DrawFn) -> tuple[dict[str, Any], dict[str, Any]]:
    """A rig and a setlist."""
    whose = dict(zip(draw(st.permutations(("ada", "bo"))), draw(st.permutations(INPUTS)), strict=False))
    rig = {
        "inputs": [{"name": name, "socket": at} for at, name in enumerate(INPUTS, 1)],
        "ceiling": draw(st.sampled_from(("0", "-6", "5"))),
        "listeners": [
            {
                "name": name,
                "mix": at,
                "own input": own,
                "ceilings": draw(
                    st.dictionaries(st.sampled_from((*INPUTS, "own")), st.sampled_from(("-3", "-6", "3")))
                ),
            }
            for at, (name, own) in enumerate(whose.items(), 1)
        ],
        "desk": {"profile": "osc-decibels", "host": "127.0.0.1:9000"},
        "pedals": [{"name": "board", "port": "board", "mapping": "switch-and-treadle", "listener": "ada"}],
        "limits": {"nudge floor": draw(st.sampled_from(("-40", "-20"))), "nudge up": "12"},
    }
    base = {
        name: draw(
            st.dictionaries(
                st.sampled_from((*(one for one in INPUTS if one != own), "own", "whole mix", "rest")), SET, min_size=1
            )
        )
        for name, own in whose.items()
    }
    layer = changes(whose)
    songs = [
        {
            "name": f"song {at}",
            "levels": draw(layer),
            "sections": [{"name": f"part {part}", "levels": draw(layer)} for part in range(draw(st.integers(0, 2)))],
        }
        for at in range(draw(st.integers(1, 3)))
    ]
    setlist = {
        "title": "by chance",
        "rig": "rig.yaml",
        "base": base,
        "songs": songs,
        "venues": {"hall": draw(layer)},
        "scenes": {"talking": {"levels": draw(layer)}},
    }
    return rig, setlist


def as_read(rig: dict[str, Any], setlist: dict[str, Any], hall: bool, place: tuple[int, int, bool]) -> Iterator[Any]:
    """The level of every send of a place, read from the YAML by nothing but its rules: number, `off` or None."""
    song, section, talking = place
    layers = [setlist["venues"]["hall"]] if hall else []
    if song >= 0:
        layers.append(setlist["songs"][song]["levels"])
    if section >= 0:
        layers.append(setlist["songs"][song]["sections"][section]["levels"])
    if talking:
        layers.append(setlist["scenes"]["talking"]["levels"])
    for listener in rig["listeners"]:
        base = setlist["base"][listener["name"]]
        for input_ in (*INPUTS, "whole mix"):
            names = (input_, "own") if input_ == listener["own input"] else (input_,)
            default = None if input_ == "whole mix" else base.get("rest", "off")
            typed = next((base[name] for name in names if name in base), default)
            level = float(typed.removesuffix(" dB")) if typed not in ("off", None) else typed
            for layer in layers:
                for whose in ("everyone", listener["name"]):
                    for name, change in layer.get(whose, {}).items():
                        if name in names:
                            level = changed(level, change)
            yield level


def changed(level: Any, change: str) -> Any:
    word, _, by = change.partition(" ")
    if word in ("up", "down"):
        return level if level in ("off", None) else level + float(by) * (1 if word == "up" else -1)
    return "off" if word == "off" else float(word)


ACTIONS: st.SearchStrategy[Action] = st.one_of(
    st.builds(
        Nudge,
        by=st.sampled_from((-1_200, -300, -100, 100, 300, 1_200)),
        column=st.integers(0, 2),
        listener=st.integers(0, 1),
        lasts=st.sampled_from(WISHED),
    ),
    st.sampled_from((Next(), Back(), Undo(), Recall(), Recall(scene=0))),
    st.builds(GoTo, stop=st.just(1)),
)
EVENTS: st.SearchStrategy[Event] = st.one_of(
    st.builds(Wanted, action=ACTIONS, who=st.just("ada"), listener=st.just(0)),
    st.builds(Moved, pedal=st.just(0), control=st.just(1), value=st.integers(0, 127)),
    st.builds(DeskSaid, send=st.integers(0, 7), level=st.one_of(st.integers(-5_000, 500), st.just(OFF))),
)


@given(files(), st.booleans(), st.lists(EVENTS, max_size=15))
def test_the_account_ends_where_the_night_is(
    tmp_path_factory: pytest.TempPathFactory,
    written: tuple[dict[str, Any], dict[str, Any]],
    hall: bool,
    events: list[Event],
) -> None:
    folder = tmp_path_factory.mktemp("show")
    for name, data in zip(("rig", "setlist"), written, strict=True):
        text = yaml.safe_dump(data, sort_keys=False, default_flow_style=False)
        (folder / f"{name}.yaml").write_text(text.replace("'", ""), "utf-8")
    show = load_show(folder)
    venue = "hall" if hall else None
    plan = compile_show(show, venue).plan
    account = Account(show, plan, venue)
    state = begin(plan, 0)
    for at, event in enumerate((DeskCame(), PedalCame(pedal=0), *events)):
        state = step(plan, state, event, at * SECOND).state
    for here in (state, moved_to(plan, state, len(plan.stops) - 1)):
        at_stop = plan.stops[here.place.stop]
        levels = as_read(*written, hall, (at_stop.song, at_stop.section, here.place.scene is not None))
        for send, level in enumerate(levels):
            lines = list(account.lines(send, here))
            written_down = [line for line in lines if line.file is not None and line.file.endswith("setlist.yaml")]
            assert (written_down[-1].level if written_down else None) == as_hundredths(level)
            _stands_there(written_down)
            exact = [line for line in lines if line.what in ("ceiling", "the desk's range")]
            assert (exact[-1].level if exact else None) == here.wanted[send]
            _adds_up(lines, plan.ceilings[send])
            steps = [line for line in lines if line.what == "the desk's step"]
            assert (steps[-1].level if steps else None) == here.steps[send]


def _adds_up(lines: list[Line], ceiling: int) -> None:
    """Each line's level is the one before it with what the line says, where that is a number of dB."""
    for before, line in pairwise(lines):
        wish = line.what.startswith("nudges") or line.what == "treadle"
        if wish and "not heard" in line.did:
            assert line.level == before.level
        elif wish and "floor" not in line.did:
            assert isinstance(before.level, int)
            assert line.level == before.level + round(100 * float(line.did))
        elif line.what == "nudge floor":
            assert line.level is OFF
        elif line.what == "ceiling":
            assert line.level == (min(before.level, ceiling) if isinstance(before.level, int) else before.level)


def as_hundredths(level: Any) -> Level | None:
    return None if level is None else OFF if level == "off" else round(level * 100)
