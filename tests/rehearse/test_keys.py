"""Rehearsing at a terminal: what each key says."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from stagectl.core.rides import PICK_UP
from stagectl.rehearse.keys import Keyboard, keys_in
from stagectl.rehearse.room import Room
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"


class Terminal:
    """A rehearsal whose lines a test reads."""

    def __init__(self, folder: Path = DEMO) -> None:
        self.out = io.StringIO()
        show = load_show(folder)
        room = Room(show, compile_show(show))
        room.open()
        self.keyboard = Keyboard(room, show, Console(file=self.out, width=200, highlight=False))

    def press(self, *keys: str) -> str:
        """What is said when these keys are pressed."""
        before = len(self.out.getvalue())
        for key in keys:
            self.keyboard.press(key)
        return self.out.getvalue()[before:]


@pytest.fixture
def terminal() -> Terminal:
    return Terminal()


def test_each_gesture_is_shown_with_its_whole_action(terminal: Terminal) -> None:
    said = terminal.press("?")
    assert "  1  drum pedal, left   press: next; hold: back" in said
    assert "press: nudge click +1 dB; " in said
    assert "turn: ride " in said
    assert " from -" in said


@pytest.mark.parametrize(("key", "shown"), [("x", "x"), ("\x1b[A", "\\x1b[A"), ("\x1bOP", "\\x1bOP"), ("\n", "\\n")])
def test_a_key_that_stands_for_nothing_says_so(terminal: Terminal, key: str, shown: str) -> None:
    assert f"no such key: {shown}\n" in terminal.press(key)


def test_an_arrow_is_one_key_and_letters_sent_at_once_are_many() -> None:
    assert keys_in("\x1b[A1\x1b[1;5D2\x1bOP\x1b") == ["\x1b[A", "1", "\x1b[1;5D", "2", "\x1bOP", "\x1b"]


def test_a_treadle_that_does_not_hold_its_level_says_where_both_stand(terminal: Terminal) -> None:
    assert "press the key of a treadle first" in terminal.press("+")
    terminal.press("1")
    treadle = next(
        key
        for key, which in terminal.keyboard.keys.items()
        if terminal.keyboard.plan.pedals[which.pedal].controls[which.control].name == "treadle"
    )
    terminal.press(treadle)
    # A foot has left it near its heel.
    terminal.keyboard.turned[terminal.keyboard.keys[treadle]] = 0
    said = terminal.press("+")
    assert "refused" in said
    assert "the treadle stands at a shift of -" in said
    assert ", the level at 0 dB; it takes hold where they meet" in said


@pytest.mark.parametrize(
    ("ends", "range_"),
    [
        ("", (-6, 3)),
        ("", (3, -6)),
        ("    heel: 120\n    toe: 6\n", (-3, 9)),
        ("    dead zone: 20\n    curve: 3\n", (-6, 3)),
    ],
)
def test_the_first_turn_of_a_treadle_goes_the_way_of_its_key(
    ends: str, range_: tuple[int, int], tmp_path: Path
) -> None:
    """Towards the toe the level goes to the end of the range, whatever the values at the ends of the treadle are."""
    low, high = range_
    for name in ("rig.yaml", "setlist.yaml"):
        # What a treadle does needs no long fades before it.
        (tmp_path / name).write_text(re.sub(r"fade: [1-9][\d.]*", "fade: 0.2", (DEMO / name).read_text()))
    (tmp_path / "switch-and-treadle.yaml").write_text(
        "name: one\ncontrols:\n  treadle:\n    sends: {control change: 11}\n"
        f"    turn: {{ride: own, from: {low}, to: {high}}}\n{ends}"
    )
    for key in "+-":
        terminal = Terminal(tmp_path)
        terminal.press("1", "3")
        plan, state = terminal.keyboard.plan, terminal.keyboard.room.state
        send = plan.send(plan.listeners.index("singer"), plan.inputs.index("lead vocal"))
        shifts = []
        for _ in range(10):
            terminal.press(key)
            state = terminal.keyboard.room.state
            shifts.append(state.rides.get(send, 0))
        end = 100 * (high if key == "+" else low)
        rises = end > 0
        assert abs(shifts[0]) <= PICK_UP
        assert shifts == sorted(shifts, reverse=not rises), (key, shifts)
        assert shifts[-1] == end


def test_a_turn_that_changes_nothing_says_so(terminal: Terminal) -> None:
    terminal.press("1")
    treadle = next(
        key
        for key, which in terminal.keyboard.keys.items()
        if terminal.keyboard.plan.pedals[which.pedal].controls[which.control].name == "treadle"
    )
    terminal.press(treadle, *"++++++++")
    assert "no change" in terminal.press("+")


def test_one_more_message_is_one(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal.press("1")
    monkeypatch.setattr("stagectl.rehearse.keys.MESSAGES_SHOWN", 0)
    assert "and 1 more message\n" in terminal.press("d", "2")


def test_a_song_that_gives_a_switch_something_else_to_do_says_so() -> None:
    """In the last of the three songs, `more` and `less` move the voice."""
    terminal = Terminal(DEMO.with_name("three-songs"))
    said = terminal.press(*"111")
    assert said.count("from here on") == 2
    assert "  from here on  3  floor board, more   press: nudge voice +1 dB\n" in said
    assert "fiddler: voice" in terminal.press("3")
    assert "  from here on  3  floor board, more   press: nudge own +1 dB\n" in terminal.press("2")


def test_a_layer_is_laid_and_taken_off_at_the_keys(tmp_path: Path) -> None:
    (tmp_path / "two-switch.yaml").write_text(
        "name: two\ncontrols:\n"
        "  left: {sends: {control change: 80}, press: next}\n"
        "  right: {sends: {control change: 81}, press: {layer: mine}, hold: undo}\n"
        "layers:\n  mine: {left: {press: {nudge: own, by: +3}}}\n"
    )
    for name in ("rig.yaml", "setlist.yaml"):
        (tmp_path / name).write_text((DEMO / name).read_text())
    terminal = Terminal(tmp_path)
    terminal.press("1")
    said = terminal.press("2")
    assert "drum pedal: layer mine" in said
    assert "  from here on  1  drum pedal, left   press: nudge own +3 dB\n" in said
    assert "drummer: kick -6 dB → -3 dB" in terminal.press("1")
    assert "drum pedal: no layer" in terminal.press("2")
    assert "Lanterns at Low Tide" in terminal.press("1")


@pytest.mark.parametrize(
    ("second", "says"),
    [
        (12, None),
        (13, "1 more control has no key, and can be pressed with `--page`: right, c12"),
        (15, "3 more controls have no key, and can be pressed with `--page`: right, c12; right, c13; right, c14"),
        (33, "21 more controls have no key, and can be pressed with `--page`: {}; and 1 more"),
    ],
)
def test_controls_beyond_the_keys_are_named(second: int, says: str | None, tmp_path: Path) -> None:
    """There are 32 keys: 20 controls of one pedal leave 12 for the other."""
    for name, count in (("one", 20), ("other", second)):
        rows = [f"  c{at}: {{sends: {{control change: {at}}}, press: undo}}\n" for at in range(count)]
        (tmp_path / f"{name}.yaml").write_text(f"name: {name}\ncontrols:\n{''.join(rows)}")
    (tmp_path / "rig.yaml").write_text(
        "inputs: [{name: voice, socket: 1}]\nlisteners: [{name: ada, mix: 1}]\n"
        "desk: {profile: control-change, port: desk}\npedals:\n"
        "  - {name: left, port: a, mapping: one, listener: ada}\n"
        "  - {name: right, port: b, mapping: other, listener: ada}\n"
    )
    (tmp_path / "setlist.yaml").write_text("title: t\nrig: rig.yaml\nbase: {ada: {voice: -6}}\nsongs: [{name: one}]\n")
    terminal = Terminal(tmp_path)
    assert len(terminal.keyboard.keys) == min(32, 20 + second)
    said = terminal.press("?")
    assert ("no key" in said) is (says is not None)
    if says is not None:
        listed = "; ".join(f"right, c{at}" for at in range(12, 32))
        assert says.format(listed) in " ".join(said.split())
