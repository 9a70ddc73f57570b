"""The messages of the rehearsal room, and the other boards beside its table.

The bytes are read by mido (a MIDI library that is none of ours), and their time on a DIN cable follows from MIDI 1.0:
31,250 baud, ten bits a byte.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import mido

from stagectl.core.actions import GoTo, Nudge, PauseCue
from stagectl.core.events import Wanted
from stagectl.rehearse.boards import Boards
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.room import Moment, Room
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.wire import Sent
from stagectl.view.room_wire import HEX_MAX, SHOWN_MAX, SUMS_MAX, Wire, written

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"
SECOND = 1_000_000_000
BYTE_US = Fraction(10 * 10**6, 31_250)


class Rehearsal:
    """The demo, driven by wants, with all its boards."""

    def __init__(self) -> None:
        show = load_show(DEMO)
        compiled = compile_show(show)
        self.seen: list[Moment] = []
        self.all: list[Moment] = []
        self.boards = Boards(show, compiled, None)
        self.drive = Drive(Room(show, compiled), 0, self.seen.extend)
        self.shown: dict[str, object] = {}

    def look(self, real: int) -> dict[str, dict[str, object]]:
        """The boards that are new at a time."""
        self.drive.go_on(real)
        self.boards.hear(self.seen, self.drive.room.state)
        self.all += self.seen
        self.seen.clear()
        return {name: dict(board) for name, board in self.boards.changed(self.drive, real, real // 1_000_000)}

    def want(self, action: object, real: int, listener: int | None = None) -> None:
        self.drive.want(real, Wanted(action=action, who="page", listener=listener))  # type: ignore[arg-type]


def test_each_message_has_its_bytes_its_meaning_and_its_time_on_the_cable() -> None:
    rehearsal = Rehearsal()
    rehearsal.look(0)
    rehearsal.want(GoTo(stop=1), SECOND)
    rehearsal.want(Nudge(by=100, column=14), 5 * SECOND, 1)
    board = rehearsal.look(9 * SECOND)["wire"]
    messages = board["messages"]
    assert isinstance(messages, list)
    assert len(messages) == SHOWN_MAX
    last = [one for one in messages if one["to"] == "desk"][-1]
    heard = mido.Message.from_bytes(bytes.fromhex(last["bytes"]))
    # Click, at socket 15, in the mix of the drummer, mix 2; the profile counts controllers and channels from there.
    assert (heard.type, heard.channel, heard.control) == ("control_change", 1, 16 + 14)
    assert last["means"].startswith("click in the mix of drummer: -2.98 dB")
    for one in messages:
        if one["to"] == "desk":
            assert one["takes"] == 3 * BYTE_US
        else:
            assert one["takes"] is None
    desk = [one for one in rehearsal.all if isinstance(one, Sent) and one.to == "desk"]
    sums = board["sums"]
    assert isinstance(sums, list)
    for total in (one for one in sums if one["to"] == "desk"):
        mine = [one for one in desk if one.press == total["press"]]
        assert (total["messages"], total["bytes"]) == (len(mine), sum(len(one.packet) for one in mine))
        assert total["takes"] == total["bytes"] * BYTE_US
        assert total["over"] == (mine[-1].at - mine[0].at) // 1_000_000
    assert board["count"] == sum(isinstance(one, Sent) for one in rehearsal.all)


def test_the_desk_on_the_board_stands_where_its_last_messages_have_put_it() -> None:
    """Read from the bytes alone: of each controller on each channel, the last value."""
    rehearsal = Rehearsal()
    rehearsal.look(0)
    rehearsal.want(GoTo(stop=1), SECOND)
    rehearsal.want(GoTo(stop=3), 5 * SECOND)
    # In the middle of the fade of 3 s.
    middle = rehearsal.look(6_500_000_000)["desk"]["levels"]
    after = rehearsal.look(12 * SECOND)["desk"]["levels"]
    assert isinstance(middle, list)
    assert isinstance(after, list)
    assert middle != after
    values: dict[tuple[int, int], int] = {}
    for one in rehearsal.all:
        if isinstance(one, Sent) and one.to == "desk":
            heard = mido.Message.from_bytes(one.packet)
            values[heard.channel, heard.control - 16] = heard.value
    width = len(rehearsal.drive.room.plan.inputs) + 1
    by_value: dict[int, set[object]] = {}
    for (listener, column), value in values.items():
        by_value.setdefault(value, set()).add(after[listener * width + column])
    # The same value is the same level everywhere, a higher value a higher level, and 0 is off.
    assert all(len(levels) == 1 for levels in by_value.values())
    ladder = [levels.pop() for _, levels in sorted(by_value.items())]
    assert ladder[0] == "off"
    assert ladder[1:] == sorted(ladder[1:], key=lambda level: (isinstance(level, int), level))
    assert len(set(map(str, ladder))) == len(ladder)


def test_only_what_has_changed_is_put_anew() -> None:
    rehearsal = Rehearsal()
    first = rehearsal.look(0)
    assert set(first) == {"room", "desk", "feet", "timeline", "wire", "stage"}
    # Lamps are told one by one, each after the other.
    rehearsal.look(SECOND)
    assert rehearsal.look(SECOND + 1_000_000) == {}
    rehearsal.drive.move(2 * SECOND, (0, 0), down=True)
    assert set(rehearsal.look(2 * SECOND)) == {"feet"}
    rehearsal.drive.pace.change(3 * SECOND, speed=10)
    # Pages count on at the speed of a stage; at ten times that they are told the time each second.
    rehearsal.drive.move(3 * SECOND, (0, 0), down=False)
    rehearsal.look(3 * SECOND)
    assert {"timeline", "stage"} <= set(rehearsal.look(60 * SECOND))
    assert set(rehearsal.look(61 * SECOND)) == {"timeline", "stage"}


def test_the_timeline_has_the_sections_that_come_by_themselves() -> None:
    rehearsal = Rehearsal()
    rehearsal.look(0)
    rehearsal.want(GoTo(stop=4), SECOND)
    board = rehearsal.look(2 * SECOND)["timeline"]
    sections = board["sections"]
    assert isinstance(sections, list)
    # 132 quarter notes a minute: bar 13 begins after 12 bars of 4/4, rounded down to ms; `out` says its time itself.
    bar_13 = 12 * 4 * Fraction(60_000, 132)
    assert [(one["name"], one["at"]) for one in sections] == [
        (None, None),
        ("organ break", int(bar_13)),
        ("out", 28_000),
    ]
    assert (board["length"], board["cue"]) == (32_700, {"player": "stage laptop", "press": False})
    assert board["track"] == {"position": 1_000, "runs": True}
    rehearsal.want(PauseCue(), 3 * SECOND)
    assert rehearsal.look(9 * SECOND)["timeline"]["track"] == {"position": 2_000, "runs": False}


def test_lamps_and_layers_are_told_with_the_pedals() -> None:
    rehearsal = Rehearsal()
    rehearsal.want(GoTo(stop=4), SECOND)
    board = rehearsal.look(3 * SECOND)["feet"]
    pedals = board["pedals"]
    assert isinstance(pedals, list)
    keys = pedals[2]
    assert {one["shows"]: one["says"] for one in keys["lamps"]} == {
        "song number": "3",
        "track running": "on",
        "refused": "off",
        "desk here": "on",
        "hushed": "off",
    }
    assert [one["key"] for pedal in pedals for one in pedal["controls"]] == list("12345678")
    left, right = (one["does"] for one in pedals[0]["controls"])
    assert left == ["press: next", "hold: back"]
    # As the paper says it.
    assert right[0] == "press: nudge click +1 dB"


def test_what_is_kept_of_messages_has_bounds() -> None:
    wire = Wire(lambda packet: 320_000 * len(packet), lambda _: "")
    for at in range(5_000):
        wire.hear(Sent(at, at // 10, ("desk", "lights")[at % 2], bytes((0xB0, 1, 2))))
    board = wire.board(0)
    assert (len(board["messages"]), len(board["sums"]), board["count"]) == (SHOWN_MAX, SUMS_MAX, 5_000)
    assert written(b"\xf0" + bytes(500) + b"\xf7").endswith(f" and {502 - HEX_MAX} more")
    assert written(b"/lamp\0\0\0,i\0\0\0\0\0\7") == "/lamp 7"
