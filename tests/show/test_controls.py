"""What a mapping file says of switches, treadles and pairs: as the core gets it, and where it is at fault."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from demo_copies import Copy

from stagectl.core.actions import Next, Undo
from stagectl.core.contacts import BOUNCE_DEFAULT_NS, Kind, Switch
from stagectl.core.feet import Pair, Pedal
from stagectl.core.gestures import Gesture, Timing
from stagectl.core.plan import MS
from stagectl.core.travel import Travel
from stagectl.show.compile import compile_show

TURN = "turn: {ride: click, from: -6, to: +3}"


def mapping(folder: Path, text: str) -> Copy:
    """The demo show with this as the mapping of its first pedal."""
    copy = Copy(folder, "nine-songs")
    copy.plant("two-switch.yaml", "", f"name: some controls\n{text}")
    return copy


def compiled(folder: Path, text: str) -> Pedal:
    """The first pedal of the plan."""
    copy = mapping(folder, text)
    assert copy.faults() == []
    return compile_show(copy.show()).plan.pedals[0]


# -- what the core gets ------------------------------------------------------------------------------------------


def test_defaults(tmp_path: Path) -> None:
    (left, treadle) = compiled(
        tmp_path,
        "controls:\n"
        "  left: {sends: {control change: 80}, press: next}\n"
        f"  treadle: {{sends: {{control change: 11}}, {TURN}}}\n",
    ).controls
    assert left.timing == Timing()
    assert left.switch == Switch(bounce_ns=BOUNCE_DEFAULT_NS)
    assert left.kind is Kind.MOMENTARY
    assert treadle.travel == Travel(toe=127, dead=2, jitter=1)


def test_a_switch_of_every_kind(tmp_path: Path) -> None:
    latching, closed, once = compiled(
        tmp_path,
        "controls:\n"
        "  latching: {sends: {control change: 80}, press: next, latching: yes, bounce: 50 ms}\n"
        "  closed: {sends: {control change: 81}, press: next, rests: closed, threshold: 10}\n"
        "  once: {sends: {program: 1}, press: next}\n",
    ).controls
    assert (latching.kind, latching.switch) == (Kind.LATCHING, Switch(latching=True, bounce_ns=50 * MS))
    assert (closed.kind, closed.switch) == (Kind.MOMENTARY, Switch(rests_closed=True, threshold=10))
    assert once.kind is Kind.ONE_SHOT


@pytest.mark.parametrize(
    ("more", "up", "down"),
    [
        ("", (0, 8_192, 12_287), (12_288, 16_383)),
        (", rests: closed", (4_096, 8_192, 16_383), (0, 4_095)),
        (", threshold: 8000", (0, 7_999), (8_000, 8_192, 16_383)),
    ],
)
def test_pitch_bend_rests_at_its_centre(tmp_path: Path, more: str, up: Sequence[int], down: Sequence[int]) -> None:
    text = f"controls:\n  stick: {{sends: pitch bend, press: next{more}}}\n"
    (stick,) = compiled(tmp_path, text).controls
    assert [stick.switch.is_down(value, stick.top) for value in (*up, *down)] == [False] * len(up) + [True] * len(down)


def test_a_repeat_and_its_times(tmp_path: Path) -> None:
    text = "  left: {sends: {control change: 80}, repeat: next, repeat time: 300 ms, repeat fastest: 50 ms}\n"
    (left,) = compiled(tmp_path, "controls:\n" + text).controls
    assert left.does == {Gesture.REPEAT: Next()}
    assert left.timing == Timing(repeat_ns=300 * MS, fastest_ns=50 * MS)


def test_a_treadle_of_its_own(tmp_path: Path) -> None:
    (treadle,) = compiled(
        tmp_path,
        "controls:\n  treadle:\n    sends: {control change: 11}\n"
        f"    {TURN}\n    heel: 120\n    toe: 8\n    dead zone: 5\n    jitter: 2\n    curve: 1.25\n    smooth: 15 ms\n",
    ).controls
    assert treadle.travel == Travel(heel=120, toe=8, dead=5, jitter=2, curve=125, smooth_ns=15 * MS)
    assert treadle.travel.places(127)[120] == 0


def test_pairs(tmp_path: Path) -> None:
    pedal = compiled(
        tmp_path,
        "controls:\n"
        "  left: {sends: {control change: 80}, press: next}\n"
        "  middle: {sends: {control change: 81}, press: next}\n"
        "  right: {sends: {control change: 82}, press: next}\n"
        "  far: {sends: {control change: 83}, press: next}\n"
        "together:\n"
        "  - {controls: [left, right], press: undo}\n"
        "  - {controls: [middle, right], press: next, time: 80 ms}\n",
    )
    assert pedal.pairs == (
        Pair(first=0, second=2, does=Undo(), within_ns=50 * MS),
        Pair(first=1, second=2, does=Next(), within_ns=80 * MS),
    )
    assert [control.timing.together_ns // MS for control in pedal.controls] == [50, 80, 80, 0]


# -- faults ------------------------------------------------------------------------------------------------------

ONE = "controls:\n  left:\n    sends: {control change: 80}\n%s"
TREADLE = "controls:\n  left:\n    sends: {control change: 11}\n    " + TURN + "\n%s"
PAIR = (
    "controls:\n"
    "  left: {sends: {control change: 80}, press: next}\n"
    "  right: {sends: {control change: 81}, press: next}\n"
    "  latch: {sends: {control change: 82}, press: next, latching: yes}\n"
    "  program: {sends: {program: 3}, press: next}\n"
    "  treadle: {sends: {control change: 11}, " + TURN + "}\n"
    "together:\n%s"
)

FAULTS: list[tuple[str, str, str]] = [
    (
        ONE,
        "    hold: back\n    repeat: next #!\n",
        "`left` has a `hold` and a `repeat`: both are for a foot that stays down, so one of them must go",
    ),
    (ONE, "    press: next\n    heel: 3 #!\n", "`heel` is for a treadle, and `left` has no `turn`"),
    (ONE, "    press: next\n    smooth: 5 ms #!\n", "`smooth` is for a treadle, and `left` has no `turn`"),
    (TREADLE, "    latching: yes #!\n", "`latching` is for a switch, and `left` has a `turn`"),
    (TREADLE, "    hold time: 1 s #!\n", "`hold time` is for a switch, and `left` has a `turn`"),
    (TREADLE, "    heel: 20\n    toe: 20 #!\n", "heel and toe of `left` are the same: it has no travel between them"),
    (TREADLE, "    heel: 127 #!\n", "heel and toe of `left` are the same: it has no travel between them"),
    (TREADLE, "    toe: 128 #!\n", "`left` sends 0 to 127: `128` is above that"),
    (TREADLE, "    toe: 90.5 #!\n", "`90.5` is not whole: `left` sends whole numbers"),
    (TREADLE, "    heel: 10\n    toe: 20\n    jitter: 10 #!\n", "a jitter of `10` is the whole travel of `left`"),
    (TREADLE, "    dead zone: 21 #!\n", "`dead zone`: `21` is not a whole number from 0 to 20"),
    (TREADLE, "    dead zone: 5% #!\n", "`dead zone`: `5%` is not a whole number from 0 to 20; did you mean `5`?"),
    (TREADLE, "    dead zone: 25 % #!\n", "`dead zone`: `25 %` is not a whole number from 0 to 20"),
    (TREADLE, "    curve: 6 #!\n", "`curve`: `6` is not a number from 0.2 to 5"),
    (TREADLE, "    curve: 1.125 #!\n", "`1.125` has more than two decimals"),
    (
        TREADLE,
        "    smooth: 21 ms #!\n",
        "`smooth`: `21 ms` is not a time from 0 to 0.02 s, such as `0.01`, `0.01 s` or `10 ms`",
    ),
    (ONE, "    press: next\n    threshold: 128 #!\n", "`left` sends 0 to 127: `128` is above that"),
    (
        ONE,
        "    press: next\n    threshold: 0 #!\n",
        "with a threshold of `0` `left` is on one side of it all the time; the lowest is 1",
    ),
    (ONE, "    press: next\n    rests: shut #!\n", "`rests`: `shut` is not one of `open`, `closed`"),
    (
        ONE,
        "    press: next\n    rests: Closed #!\n",
        "`rests`: `Closed` is not one of `open`, `closed`; did you mean `closed`?",
    ),
    (
        ONE,
        "    press: next\n    bounce: 2 s #!\n",
        "`bounce`: `2 s` is not a time from 0 to 0.2 s, such as `0.1`, `0.1 s` or `100 ms`",
    ),
    (
        ONE,
        "    hold: next\n    hold time: 15 ms #!\n",
        "a hold time of 15 ms is no longer than the bounce of `left`, 20 ms",
    ),
    (
        ONE,
        "    double press: next\n    double time: 60 ms #!\n    bounce: 60 ms\n",
        "a double time of 60 ms is no longer than the bounce of `left`, 60 ms",
    ),
    (
        ONE,
        "    repeat: next\n    repeat fastest: 10 ms #!\n",
        "`repeat fastest` is 10 ms, which is not from 20 ms to the repeat time, 400 ms",
    ),
    (
        ONE,
        "    repeat: next\n    repeat fastest: 1 s #!\n",
        "`repeat fastest` is 1000 ms, which is not from 20 ms to the repeat time, 400 ms",
    ),
    (ONE, "    latching: yes\n    hold: next #!\n", "`left` is latching, so its `hold` can never come"),
    (
        "controls:\n  left:\n    sends: {program: 80}\n%s",
        "    repeat: next #!\n",
        "`left` never says that it was let go, so its `repeat` can never come",
    ),
    (
        "controls:\n  left:\n    sends: {program: 80}\n    press: next\n%s",
        "    rests: closed #!\n",
        "`left` only ever says that it was pressed: `rests` means nothing here",
    ),
    (
        PAIR,
        "  - {controls: [left, rigth], press: undo} #!\n",
        "`rigth` is not a control of this pedal; did you mean `right`?",
    ),
    (PAIR, "  - {controls: [left, left], press: undo} #!\n", "`left` stands here twice: a pair is two controls"),
    (PAIR, "  - {controls: [left, treadle], press: undo} #!\n", "`treadle` is a treadle, which cannot be pressed"),
    (
        PAIR,
        "  - {controls: [latch, left], press: undo} #!\n",
        "`latch` does not say how long it is down, so it cannot be pressed together with another",
    ),
    (
        PAIR,
        "  - {controls: [left, program], press: undo} #!\n",
        "`program` does not say how long it is down, so it cannot be pressed together with another",
    ),
    (
        PAIR,
        "  - {controls: [left, right], press: undo}\n  - {controls: [right, left], press: next} #!\n",
        "`right` and `left` are a pair already",
    ),
    (
        PAIR,
        "  - {controls: [left, right], press: undo, time: 0} #!\n",
        "a time of 0 ms is too short for two feet; the shortest is 1 ms",
    ),
    (PAIR, "  - {controls: [left, right], press: {go to: Nowhere}} #!\n", "`Nowhere` is not a song of the setlist"),
]


@pytest.mark.parametrize(("text", "planted", "says"), FAULTS, ids=[says[:50] for _, _, says in FAULTS])
def test_a_fault_is_found_on_its_line(text: str, planted: str, says: str, tmp_path: Path) -> None:
    copy = mapping(tmp_path, text % planted)
    found = copy.faults()
    assert [said for _, _, said in found if said.startswith(says)] == [said for _, _, said in found]
    assert [(file, line) for file, line, _ in found] == copy.all_marks()


def test_numbers_of_an_osc_control_are_its_own(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    copy.plant("two-switch.yaml", "", f"name: x\ncontrols:\n  t: {{sends: {{osc: /t, top: 10}}, {TURN}, toe: 11}} #!\n")
    assert any("`t` sends 0 to 10: `11` is above that" in says for _, _, says in copy.faults())
