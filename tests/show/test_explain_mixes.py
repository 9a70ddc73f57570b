"""`explain` on what a mix as a whole does to a level, against sums written out by hand, and what people read of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_copies import Copy

from stagectl.core.events import Event
from stagectl.core.state import State
from stagectl.rehearse.room import Room
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.explain import Account
from stagectl.story.rows import Row
from stagectl.story.words import lines

PRESSES = """\
presses:
  - {at: 0:01, pedal: floor board, control: on, happens: press}
  - {at: 0:04, pedal: floor board, control: more of me, happens: press}
  - {at: 0:08, pedal: floor board, control: less, happens: press}
  - {at: 0:10, pedal: floor board, control: hush, happens: press}
  - {at: 0:12, pedal: floor board, control: hush, happens: press}
  - {at: 0:16, pedal: floor board, control: less of the rest, happens: press}
  - {at: 0:20, pedal: floor board, control: home, happens: hold}
"""


class Night:
    """The three songs with these presses, as far as a time."""

    def __init__(self, folder: Path, *plants: tuple[str, str, str]) -> None:
        copy = Copy(folder, "three-songs")
        for plant in plants:
            copy.plant(*plant)
        script = copy.folder / "mixes.yaml"
        script.write_text(PRESSES, "utf-8")
        self.show = copy.show()
        compiled = compile_show(self.show)
        self.room, self.rows = Room(self.show, compiled), list[Row]()
        self.presses: list[tuple[int, Event]] = [(one.at, one.event) for one in read_script(script, compiled.plan)]
        self.rows += [one for one in self.room.open() if isinstance(one, Row)]
        self.account = Account(self.show, compiled.plan, None)

    def until(self, second: float) -> State:
        at = round(second * 10**9)
        while self.presses and self.presses[0][0] <= at:
            when, event = self.presses.pop(0)
            self.rows += [one for one in self.room.do(event, when) if isinstance(one, Row)]
        self.rows += [one for one in self.room.wait(at) if isinstance(one, Row)]
        return self.room.state

    def explained(self, second: float, input_: str) -> list[tuple[str, str, object]]:
        """What touches an input of the fiddler's mix."""
        plan = self.room.plan
        send = plan.send(plan.listeners.index("fiddler"), plan.inputs.index(input_))
        return [(line.what, line.did, line.level) for line in self.account.lines(send, self.until(second))]


def test_room_a_hush_and_falling_back_are_accounted_for(tmp_path: Path) -> None:
    night = Night(tmp_path)
    # The Ferry Waltz: fiddle -4, voice -10, accordion and stomp -14 dB. Powers 0.3981 + 0.1000 + 2 x 0.0398 = 0.5777.
    # The fiddle at -3 is 0.5012; the rest, 0.1796, keeps 0.0765: 10·log10(0.0765 / 0.1796) = -3.70 dB.
    room = night.explained(5, "voice")
    assert ("nudges for the night", "-3.71, to make room", -1_371) in room
    assert ("nudges for the night", "+1", -300) in night.explained(5, "fiddle")
    # One less takes the room back.
    assert "nudges for the night" not in [what for what, _, _ in night.explained(9, "voice")]
    # Twenty dB down from -10.
    assert night.explained(11, "voice")[-2:] == [("hush", "down 20", -3_000), ("the desk's step", STEP, -3_000)]
    # Back, and one down with everything but the fiddle.
    assert ("nudges for the night", "-1", -1_100) in night.explained(17, "voice")
    # Home: the base's -10 again.
    assert night.explained(25, "voice")[-1] == ("the desk's step", STEP, -1_000)


STEP = "the nearest that it has"


@pytest.mark.parametrize(
    ("plant", "line"), [(("rig.yaml", "ceiling: -3}", "ceiling: -3}\nmix ceiling: -6"), 12), (None, 10)]
)
def test_the_ceiling_of_a_mix_is_accounted_for(tmp_path: Path, plant: tuple[str, str, str] | None, line: int) -> None:
    whose = ("rig.yaml", "own input: fiddle}", "own input: fiddle, mix ceiling: -6}")
    night = Night(tmp_path, plant or whose)
    # 0.5777 is -2.38 dB: 3.62 dB above the ceiling; the desk has tenths of a dB, so a little more comes off.
    *_, ceiling, step = night.explained(3, "fiddle")
    assert ceiling[0] == "mix ceiling"
    assert ceiling[1].endswith(" with all inputs: the mix comes to -6 dB at most")
    assert isinstance(ceiling[2], int) and -400 - 372 <= ceiling[2] <= -400 - 362
    assert step[2] in (-770, -760)
    found = [one for one in night.account.lines(6, night.room.state) if one.what == "mix ceiling"]
    assert [one.line for one in found] == [line]


def test_what_many_levels_did_is_said_in_one_line(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.until(30)
    said = [line[12:] for line in lines([row for row in night.rows if row.kind == "change" and row.press != 1])]
    assert "  fiddler: fiddle -4 dB → -3 dB, 3 others down 3.71 dB" in said
    assert "  4 levels of fiddler down 20 dB" in said
    assert "  4 levels of fiddler up 20 dB" in said
    arrived = [line[12:] for line in lines([row for row in night.rows if row.kind == "arrival"])]
    assert arrived[-1] == "  The Ferry Waltz, the base over it"
