"""Pedals over OSC: whose each message of a packet is, and messages that say no more than that somebody pressed."""

from __future__ import annotations

from pathlib import Path

import pytest
from ears import mapping, moves
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.effects import Effect, Pressed, Reason, Refused
from stagectl.core.events import Moved, Unmapped, Wake
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.pedals.hear import OscEar, hear_by
from stagectl.pedals.osc import Heard
from stagectl.show.compile import compile_show
from stagectl.show.hearing import OSC_TOP
from stagectl.show.load import Show, load_show
from stagectl.show.mapping import MappingModel
from stagectl.wire.osc import build

S = 1_000_000_000

# -- of several pedals of one host --

BOARDS = (("/a/on", "/a/more"), ("/b/on", "/b/more"), ("/c/on",))
STRAY = "/battery"
DISCARDED = b"/a/on\0\0\0,x\0\0"


def ears() -> list[OscEar]:
    return [OscEar(at, mapping(*({"osc": one} for one in board))) for at, board in enumerate(BOARDS)]


def bundle(*messages: bytes) -> bytes:
    return b"#bundle\0" + bytes(8) + b"".join(len(one).to_bytes(4, "big") + one for one in messages)


MESSAGES = st.tuples(
    st.sampled_from([*(one for board in BOARDS for one in board), STRAY]),
    st.sampled_from([(), (0,), (1,), (0.5,), ("up",)]),
)


@given(st.lists(MESSAGES, max_size=12))
def test_each_message_is_heard_by_the_pedal_that_knows_it(said: list[tuple[str, tuple[float | str, ...]]]) -> None:
    """As if each had come in a packet of its own, to its own pedal; and each once."""
    packets = [build(address, arguments) for address, arguments in said]
    known = [next((at for at, board in enumerate(BOARDS) if address in board), None) for address, _ in said]
    strays = next((at for at in range(len(BOARDS)) if at in known), 0)
    alone: list[Heard] = []
    for at, packet in zip(known, packets, strict=True):
        alone += ears()[strays if at is None else at].hear(packet)
    assert hear_by(ears(), bundle(*packets)) == alone


def test_what_nobody_knows_is_of_the_pedal_that_the_rest_is_of() -> None:
    press, battery = build("/b/more", (1,)), build(STRAY, (0.9,))
    assert [(type(one), one.pedal) for one in hear_by(ears(), bundle(battery, DISCARDED, press))] == [
        (Unmapped, 1),
        (Moved, 1),
        (Unmapped, 1),
    ]
    for packet in (battery, DISCARDED, b"garbage", bundle(press, b"garbage!")):
        assert [(type(one), one.pedal) for one in hear_by(ears(), packet)] == [(Unmapped, 0)]


# -- no more than a press --

RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: osc-decibels, host: "127.0.0.1:9001"}
pedals: [{name: board, osc port: 9010, mapping: board, listener: singer}]
"""

SETLIST = """title: pressed
rig: rig.yaml
base: {singer: {voice: -6}}
songs: [{name: One}, {name: Two}, {name: Three}, {name: Four}, {name: Five}]
"""


def show_of(folder: Path, sends: str, more: str = "") -> Show:
    (folder / "rig.yaml").write_text(RIG)
    (folder / "setlist.yaml").write_text(SETLIST)
    (folder / "board.yaml").write_text(f"name: board\ncontrols: {{on: {{sends: {sends}, press: next{more}}}}}\n")
    return load_show(folder)


@pytest.mark.parametrize(
    "switch",
    [
        "",
        "threshold: 0.9",
        "rests: closed",
        "rests: closed, threshold: 0.1",
        "says up: no",
        "says up: no, rests: closed",
        "latching: yes",
        "latching: yes, rests: closed",
        "latching: yes, threshold: 0.1",
    ],
)
def test_a_message_without_a_number_is_one_press_and_nothing_else(tmp_path: Path, switch: str) -> None:
    show = show_of(tmp_path, "{osc: /on}", f", {switch}" if switch else "")
    plan = compile_show(show).plan
    ear, state = OscEar(0, show.mappings["board"]), begin(plan, 0)
    effects: list[Effect] = []
    for at in range(S, 6 * S, S):
        for event in (*ear.hear(build("/on")), Wake()):
            # What a contact's window has kept back comes with the wake-up.
            stepped = step(plan, state, event, at + (S // 2 if isinstance(event, Wake) else 0))
            state = stepped.state
            effects += stepped.effects
    assert state.place.stop == 5
    assert [one.at for one in effects if isinstance(one, Pressed)] == [S, 2 * S, 3 * S, 4 * S, 5 * S]
    assert [one for one in effects if isinstance(one, Refused)] == []


def test_a_latching_switch_may_say_its_state_as_well() -> None:
    controls = {"on": {"sends": {"osc": "/on"}, "latching": "yes"}}
    ear = OscEar(0, MappingModel.model_validate({"name": "board", "controls": controls}))
    said = [(), (), (1,), (), (0,), ()]
    assert [moves(ear.hear(build("/on", one))) for one in said] == [
        [(0, value)] for value in (OSC_TOP, 0, OSC_TOP, 0, 0, OSC_TOP)
    ]
    ear.reset()
    assert moves(ear.hear(build("/on"))) == [(0, OSC_TOP)]


@pytest.mark.parametrize(
    ("top", "sent", "says"),
    [
        ("", 127, "127, not 0 to 1"),
        (", top: 127", 200.5, "200.496, not 0 to 127"),
        (", top: 127", -1, "-1, not 0 to 127"),
    ],
)
def test_a_number_beyond_the_top_is_refused_as_it_was_sent(top: str, sent: float, says: str, tmp_path: Path) -> None:
    show = show_of(tmp_path, f"{{osc: /on{top}}}")
    plan = compile_show(show).plan
    [heard] = OscEar(0, show.mappings["board"]).hear(build("/on", (sent,)))
    _, effects = step(plan, begin(plan, 0), heard, 1 * S)
    [refused] = [one for one in effects if isinstance(one, Refused)]
    assert (refused.what, refused.reason) == (says, Reason.OUT_OF_RANGE)
