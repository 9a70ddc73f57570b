"""What `check` says of the time on the wire, against the bytes that the desk really gets.

A byte on a DIN link takes 320 µs: 31,250 baud, a start bit, eight bits, a stop bit (MIDI 1.0, 4.2.1).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from stagectl.core.actions import Next
from stagectl.core.events import DeskCame, Wanted
from stagectl.core.fade import FRAME_NS, frames_of
from stagectl.core.plan import Plan
from stagectl.desk.speak import Speaker
from stagectl.rehearse.room import Room
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.show.summary import Biggest, Change, Changes
from stagectl.story.wire import Sent
from stagectl.where import shipped

BYTE_NS = 10 * 1_000_000_000 // 31_250
LONG_NS = 100 * 1_000_000_000
"""Between two presses; no fade is as long."""

MIDI = ("control-change", "control-pair", "nrpn", "sysex")
WHOLE_BY_CONTROL = "whole mix:\n  say: {channel: {first: 1, per mix: 1}, control change: 7}\n  values: {law: gm2}\n"


def demo(
    folder: Path, profile: str, *, link: str = "din", stored: bool = False, cuts: bool = False, whole: str = ""
) -> tuple[Show, Plan]:
    """The nine songs on a desk of another kind; `whole`: how the profile says a whole mix, where not as it ships."""
    for path in (shipped("setlists") / "nine-songs").glob("*.yaml"):
        text = path.read_text("utf-8").replace("profile: control-change", f"profile: {profile}")
        text = text.replace("link: din", f"link: {link}")
        if stored:
            text = text.replace("  - name: Ten Past Never\n", "  - name: Ten Past Never\n    stored scene: 3\n")
        if whole:
            text = text.replace("  singer:\n    lead vocal: -3", "  singer:\n    whole mix: -3\n    lead vocal: -3")
            text = text.replace("singer: {tracks: up 2}", "singer: {tracks: up 2, whole mix: up 3}")
        (folder / path.name).write_text(re.sub(r"fade: [\d.]+", "fade: 0", text) if cuts else text, "utf-8")
    if whole:
        text = (shipped("mappings") / "desks" / f"{profile}.yaml").read_text("utf-8")
        kept = re.sub(r"^whole mix:\n(  .*\n)*", "", text, flags=re.MULTILINE)
        (folder / f"{profile}.yaml").write_text(kept + whole, "utf-8")
    show = load_show(folder)
    return show, compile_show(show).plan


@pytest.mark.parametrize("whole", ["", WHOLE_BY_CONTROL], ids=["as it ships", "whole mixes by three bytes"])
@pytest.mark.parametrize("profile", MIDI)
def test_the_budget_counts_each_message_by_its_true_length(tmp_path: Path, profile: str, whole: str) -> None:
    show, plan = demo(tmp_path, profile, whole=whole)
    speaker = Speaker.of(show)
    for send in range(len(plan.ceilings)):
        grid = plan.grid_of(send)
        for level in () if grid is None else (grid.steps[0], grid.highest):
            assert plan.takes(send) == BYTE_NS * sum(map(len, speaker.say(send, level)))
    if show.profile.stored_scene is not None:
        assert plan.link.recall_ns == BYTE_NS * sum(map(len, speaker.stored(7)))


def test_over_usb_a_message_counts_once_and_sysex_once_for_every_three_bytes(tmp_path: Path) -> None:
    for at, (profile, messages) in enumerate((("control-change", 1), ("nrpn", 4), ("sysex", 3))):
        folder = tmp_path / str(at)
        folder.mkdir()
        assert demo(folder, profile, link="usb")[1].link.message_ns == messages * 100_000


@pytest.mark.parametrize("stored", [False, True], ids=["", "with a stored scene"])
@pytest.mark.parametrize("whole", ["", WHOLE_BY_CONTROL], ids=["as it ships", "whole mixes by three bytes"])
@pytest.mark.parametrize("profile", ["control-change", "nrpn"])
def test_the_desk_gets_the_bytes_that_check_counts_in_the_time_that_it_says(
    tmp_path: Path, profile: str, whole: str, stored: bool
) -> None:
    show, plan = demo(tmp_path, profile, stored=stored, cuts=True, whole=whole)
    compiled = compile_show(show)
    # What rises takes no longer than what falls.
    at_once = replace(compiled.plan, limits=replace(compiled.plan.limits, rise=None))
    room, changes = Room(show, compiled._replace(plan=at_once)), Changes(show, plan)
    said = [changes.everything(), *list(changes)[1:]]
    room.do(DeskCame(), 0)
    for change, at in zip(said, range(LONG_NS, LONG_NS * len(plan.stops), LONG_NS), strict=True):
        moments = room.do(Wanted(action=Next(), who="ada", listener=0), at) + room.wait()
        sent = [one for one in moments if isinstance(one, Sent) and one.to == "desk"]
        assert sum(len(one.packet) for one in sent) == change.bytes
        last = sum(len(one.packet) for one in sent if one.at == sent[-1].at)
        assert sent[0].at == at
        # A cut leaves as fast as the wire carries it: what is not yet on its way with the last messages is gone.
        assert sent[-1].at + last * BYTE_NS - at <= change.wire_ns
        assert sent[-1].at + last * BYTE_NS - at >= change.wire_ns - plan.link.burst_ns
    assert room.differences() == []


def test_behind_a_stored_scene_every_level_is_told(tmp_path: Path) -> None:
    show, plan = demo(tmp_path, "control-change", stored=True)
    stored = [change for change in Changes(show, plan) if change.stored is not None]
    # Eighty levels of three bytes, and a program change of two.
    assert [(one.levels, one.bytes, one.fade_ns) for one in stored] == [(80, 80 * 3 + 2, 0)]


def test_a_level_that_stays_on_its_step_is_not_counted(tmp_path: Path) -> None:
    """A seven-bit volume has whole dB between its lowest steps: 40·log10(2/1) = 12 dB (General MIDI 2, 3.3.4)."""
    show, plan = demo(tmp_path, "control-change")
    changes = Changes(show, plan)
    steps = [tuple(map(plan.in_steps, range(len(levels)), levels)) for levels in plan.bounded]
    for change in changes:
        before, after = steps[change.stop - 1], steps[change.stop]
        assert change.levels == sum(a != b for a, b in zip(before, after, strict=True))


@given(st.integers(1, 4_000), st.integers(0, 4_000))
def test_a_fade_is_said_to_jump_where_the_wire_leaves_it_one_frame(wire_ms: int, fade_ms: int) -> None:
    wire_ns, fade_ns = wire_ms * 1_000_000, fade_ms * 1_000_000
    change = Change(1, 1, 3, wire_ns, fade_ns, None, Biggest())
    if wire_ns >= FRAME_NS:
        assert change.jumps == (fade_ns > 0 and frames_of(fade_ns, wire_ns).frames == 1)
    if 0 < fade_ns < wire_ns:
        assert change.jumps


@pytest.mark.parametrize("fades", [True, False], ids=["that says its levels", "that cannot be read"])
def test_the_first_press_takes_as_long_on_a_desk_as_check_says(tmp_path: Path, fades: bool) -> None:
    """One that says its levels fades from them to the first song; one that cannot be read is cut to it."""
    for path in (shipped("setlists") / "three-songs").glob("*.yaml"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    profile = (shipped("mappings") / "desks" / "osc-decibels.yaml").read_text("utf-8")
    if not fades:
        profile = re.sub(r"^answers:\n(  .*\n)*", "", profile, flags=re.MULTILINE)
    (tmp_path / "osc-decibels.yaml").write_text(profile, "utf-8")
    show = load_show(tmp_path)
    compiled = compile_show(show)
    room, first = Room(show, compiled), Changes(show, compiled.plan).everything()
    room.open()
    moments = room.do(Wanted(action=Next(), who="ada", listener=0), LONG_NS) + room.wait()
    sent = [one for one in moments if isinstance(one, Sent) and one.to == "desk"]
    assert first.fade_ns == (1_000_000_000 if fades else 0)
    # The last frame begins one frame before the end.
    begins = first.fade_ns - frames_of(first.fade_ns, first.wire_ns).frame_ns if fades else 0
    assert begins <= sent[-1].at - LONG_NS <= begins + first.wire_ns
    assert (len(sent) > first.levels) is fades
