"""How long `check` says that rises take, against arithmetic by hand and against a rehearsal."""

from __future__ import annotations

from pathlib import Path

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.core.actions import Next
from stagectl.core.events import Wanted
from stagectl.core.fade import FRAME_NS
from stagectl.rehearse.room import Room
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.summary import SUDDEN_NS, Change, Changes
from stagectl.story.wire import Sent

MS = 1_000_000
LONG_NS = 1_000_000 * MS
"""Between two presses; nothing takes as long."""


def made(
    folder: Path,
    songs: list[str],
    *,
    inputs: int,
    mixes: int = 1,
    link: str = "din",
    rise: int = 50,
    profile: str = "nrpn",
    ceiling: int = 20,
) -> Path:
    """A show in a folder: all inputs at -30 dB, and songs in the words of a setlist."""
    names = [f"i{at}" for at in range(inputs)]
    rig = [
        f"inputs: [{', '.join(f'{{name: {name}, socket: {at}}}' for at, name in enumerate(names, 1))}]",
        f"listeners: [{', '.join(f'{{name: l{at}, mix: {at}}}' for at in range(1, mixes + 1))}]",
        f"desk: {{profile: {profile}, port: desk, link: {link}}}",
        f"mix ceiling: {ceiling}",
        f"limits: {{jump: 120, rise: {rise}}}",
    ]
    base = ", ".join(f"l{at}: {{rest: -30}}" for at in range(1, mixes + 1))
    setlist = ["title: made", "rig: rig.yaml", f"base: {{{base}}}", "songs:", "  - {name: first}", *songs]
    (folder / "rig.yaml").write_text("\n".join(rig) + "\n", "utf-8")
    (folder / "setlist.yaml").write_text("\n".join(setlist) + "\n", "utf-8")
    return folder


def said_and_taken(folder: Path, listener: int | None = None) -> list[tuple[Change, int]]:
    """Each change of a show behind its first press, and when the last message of it leaves in a rehearsal, ns after the
    press. `listener`: who presses."""
    show = load_show(folder)
    compiled = compile_show(show)
    room, found = Room(show, compiled), []
    room.open()
    for at, change in enumerate(Changes(show, compiled.plan), 1):
        moments = room.do(Wanted(action=Next(), who="ada", listener=listener), at * LONG_NS) + room.wait()
        sent = [one.at - at * LONG_NS for one in moments if isinstance(one, Sent) and one.to == "desk"]
        found.append((change, max(sent, default=0)))
    return found[1:]


def only(folder: Path) -> Change:
    """The one change of a show in which levels move."""
    (change,) = [change for change, _ in said_and_taken(folder) if change.levels]
    return change


ONE_UP = "l1: {i0: -8}"
"""22 dB."""

OTHERS_DOWN = ", ".join(f"i{at}: -31" for at in range(1, 43))


def test_a_level_climbs_three_db_a_frame_where_frames_are_long(tmp_path: Path) -> None:
    """43 NRPNs of twelve bytes of 320 µs take 165 ms, so a fade of half a second has three frames, 0.167 s apart. 3 dB
    each (60 ms of 50 dB a second), and 13 are left. Alone on the wire, they go at 1 dB each 20 ms."""
    song = f"  - {{name: second, fade: 0.5, levels: {{l1: {{i0: -8, {OTHERS_DOWN}}}}}}}"
    folder = made(tmp_path, [song], inputs=43)
    change = only(folder)
    third = 2 * (500 * MS // 3)
    assert change.wire_ns == 43 * 12 * 320_000
    # In each frame what falls goes first; bunches of a message each.
    assert change.rise_ns == third + 42 * 12 * 320_000 + 13 * FRAME_NS
    assert change.is_held_up


def test_a_cut_goes_on_by_three_db_each_time_that_the_wire_is_free(tmp_path: Path) -> None:
    """Twenty levels of twelve bytes take 77 ms; they rise by 9 dB together: 3 dB in each of three rounds, each of
    which begins 20 ms after the last message of the one before."""
    levels = ", ".join(f"i{at}: -21" for at in range(20))
    song = f"  - {{name: second, fade: 0, levels: {{l1: {{{levels}}}}}}}"
    change = only(made(tmp_path, [song], inputs=20))
    last = 19 * 12 * 320_000
    assert change.rise_ns == 2 * (last + FRAME_NS) + last
    assert change.is_held_up == (change.rise_ns > 20 * 12 * 320_000 + SUDDEN_NS)


@pytest.mark.parametrize(("fade", "held_up"), [(0, True), (0.2, True), (0.4, False), (2, False)])
def test_on_a_quick_link_the_rate_alone_counts(tmp_path: Path, fade: float, held_up: bool) -> None:
    """22 dB at 50 dB a second take 0.44 s, of which 60 ms come at once: 0.38 s, and at most a frame more."""
    song = f"  - {{name: second, fade: {fade}, levels: {{{ONE_UP}}}}}"
    change = only(made(tmp_path, [song], inputs=1, link="usb"))
    assert change.is_held_up is held_up
    if held_up:
        assert 380 * MS <= change.rise_ns <= 380 * MS + FRAME_NS


LEVELS = st.one_of(st.integers(-50, 0), st.just("off"), st.sampled_from(["up 10", "down 10"]))


@settings(max_examples=examples(60))
@given(st.data())
def test_rises_take_as_long_as_a_rehearsal_of_them(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """To the nanosecond, for a press that leads with nobody's mix; with a listener's, to one frame. What is said to
    keep up does."""
    inputs, mixes = data.draw(st.integers(1, 12)), data.draw(st.integers(1, 5))
    songs = []
    for at in range(data.draw(st.integers(1, 3))):
        some = st.dictionaries(st.integers(0, inputs - 1), LEVELS, min_size=1)
        levels = {f"l{mix}": data.draw(some) for mix in range(1, mixes + 1)}
        text = ", ".join(
            f"{who}: {{{', '.join(f'i{one}: {level}' for one, level in mix.items())}}}" for who, mix in levels.items()
        )
        songs.append(
            f"  - {{name: s{at}, fade: {data.draw(st.sampled_from([0, 0.1, 0.5, 1, 3]))}, levels: {{{text}}}}}"
        )
    folder = made(
        tmp_path_factory.mktemp("made"),
        songs,
        inputs=inputs,
        mixes=mixes,
        link=data.draw(st.sampled_from(["din", "usb"])),
        rise=data.draw(st.sampled_from([5, 20, 50, 50, 200])),
        profile=data.draw(st.sampled_from(["control-change", "control-pair", "nrpn", "sysex"])),
        ceiling=data.draw(st.sampled_from([-10, 0, 10, 20])),
    )
    listener = data.draw(st.one_of(st.none(), st.integers(0, mixes - 1)))
    for change, taken in said_and_taken(folder, listener):
        due = max(change.fade_ns, change.wire_ns) + SUDDEN_NS
        if change.is_held_up:
            assert abs(taken - change.rise_ns) <= (0 if listener is None else max(FRAME_NS, change.wire_ns))
        else:
            assert taken <= due + (0 if listener is None else max(FRAME_NS, change.wire_ns))
