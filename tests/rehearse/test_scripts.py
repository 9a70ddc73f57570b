"""Press scripts: what feet do, and the faults of the file."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from stagectl.core.contacts import Switch
from stagectl.core.events import Moved, PedalCame, PedalWent
from stagectl.core.feet import Control
from stagectl.core.plan import Plan
from stagectl.errors import Advice, FileFaults
from stagectl.rehearse.script import Feet, ScriptModel, read_script, script_schema
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"
S, MS = 1_000_000_000, 1_000_000


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_show(load_show(DEMO)).plan


def script(folder: Path, *presses: str) -> Path:
    path = folder / "script.yaml"
    path.write_text("presses:\n" + "".join(f"  - {{{press}}}\n" for press in presses))
    return path


def test_a_press_a_hold_a_double_press_and_a_turn(plan: Plan, tmp_path: Path) -> None:
    path = script(
        tmp_path,
        "at: 0:10, pedal: drum pedal, control: right, happens: double press",
        "at: 1, pedal: drum pedal, control: left, happens: press",
        "at: 0:05, pedal: drum pedal, control: left, happens: hold",
        "at: 20, pedal: vocal pedal, control: treadle, happens: turn to 64",
        "at: 30, pedal: vocal pedal, happens: unplug",
        "at: 31, pedal: vocal pedal, happens: plug in",
    )
    left, right, treadle = (0, 0), (0, 1), (1, 1)
    events = read_script(path, plan)
    moves = [(t.at, (t.event.pedal, t.event.control), t.event.value) for t in events if isinstance(t.event, Moved)]
    assert moves[:2] == [(1 * S, left, 127), (1 * S + 80 * MS, left, 0)]
    assert moves[2][:2] == (5 * S, left)
    assert moves[3][0] - moves[2][0] > 600 * MS
    doubles = moves[4:8]
    assert [(which, value) for _, which, value in doubles] == [(right, 127), (right, 0), (right, 127), (right, 0)]
    assert doubles[2][0] - doubles[0][0] < 350 * MS
    assert moves[8] == (20 * S, treadle, 64)
    ends = [t for t in events if not isinstance(t.event, Moved)]
    assert [(t.at, t.event) for t in ends] == [(30 * S, PedalWent(pedal=1)), (31 * S, PedalCame(pedal=1))]


def test_a_switch_that_only_says_presses_says_each_of_a_double_press_and_no_way_up() -> None:
    for control, down in (
        (Control(name="one", does={}, top=1, gives_release=False), 1),
        (Control(name="one", does={}, gives_release=False, switch=Switch(rests_closed=True)), 0),
    ):
        first, second = Feet().moves((0, 0), "double press", control)
        assert first == (0, down) and second[1] == down
        assert control.switch.bounce_ns < second[0] < control.timing.double_ns
        for happens in ("press", "hold", "down"):
            assert Feet().moves((0, 0), happens, control) == [(0, down)]
        assert Feet().moves((0, 0), "up", control) == []


@given(st.integers(0, 16_383), st.sampled_from((0.001, 1, 5.5, 127, 16_383, 1_000_000)))
def test_a_treadle_is_turned_to_the_number_that_it_sends(value: int, top: float) -> None:
    """Over OSC that is any number up to its `top`, and the core counts in steps."""
    control = Control(name="treadle", does={}, top=16_383, sent_top=top)
    assert Feet().moves((0, 0), f"turn to {control.as_sent(value)}", control) == [(0, value)]


@pytest.mark.parametrize(
    ("press", "says"),
    [
        (
            "at: 1, pedal: drum pedel, control: left, happens: press",
            "`drum pedel` is not a pedal.*did you mean `drum pedal`",
        ),
        ("at: 1, pedal: drum pedal, control: lefft, happens: press", "`lefft` is not a control.*did you mean `left`"),
        ("at: 1, pedal: drum pedal, happens: press", "`control` is missing"),
        ("at: -1, pedal: drum pedal, control: left, happens: press", "`-1` is not a time"),
        ("at: 1, pedal: drum pedal, control: left, happens: stomp", "`stomp` is not something that a foot does"),
        ("at: 1, pedal: drum pedal, control: left, happens: turn to 20", "`left` is a switch: it cannot be turned"),
        (
            "at: 1, pedal: vocal pedal, control: treadle, happens: turn to 128",
            "`treadle` sends 0 to 127: `128` is above",
        ),
        ("at: 1, pedal: drum pedal, control: left, hapens: press", "`hapens` is not a key.*did you mean `happens`"),
    ],
)
def test_faults_name_their_line(plan: Plan, tmp_path: Path, press: str, says: str) -> None:
    path = script(tmp_path, "at: 0, pedal: drum pedal, control: left, happens: press", press)
    with pytest.raises(FileFaults, match=rf"script\.yaml:3: .*{says}"):
        read_script(path, plan)


def test_an_unknown_pedal_or_control_is_said_once_at_its_first_line(plan: Plan, tmp_path: Path) -> None:
    path = script(
        tmp_path,
        "at: 1, pedal: drum pedel, control: left, happens: press",
        "at: 2, pedal: drum pedal, control: middle, happens: press",
        *["at: 3, pedal: drum pedel, control: right, happens: hold"] * 12,
        "at: 4, pedal: drum pedal, control: middle, happens: press",
        "at: 5, pedal: vocal pedal, control: middle, happens: press",
    )
    with pytest.raises(FileFaults) as found:
        read_script(path, plan)
    assert [(fault.line, fault.text) for fault in found.value.faults] == [
        (2, "`drum pedel` is not a pedal of the rig; 12 more presses of it; did you mean `drum pedal`?"),
        (3, "`middle` is not a control of `drum pedal`; 1 more press of it; known: `left`, `right`"),
        (17, "`middle` is not a control of `vocal pedal`; known: `switch`, `treadle`"),
    ]


def test_a_time_with_a_point_is_warned_of_once(plan: Plan, tmp_path: Path) -> None:
    def warned(*times: str) -> list[str]:
        found: list[Advice] = []
        path = script(tmp_path, *(f"at: {at}, pedal: drum pedal, control: left, happens: press" for at in times))
        assert read_script(path, plan, found.append)
        assert all(one.file == str(path) and one.line == 2 + at for one in found for at in [times.index("1.20")])
        return [one.text for one in found]

    assert warned("0:02", "1:20", "1.2", "1.20 s", "0:01.20", "90", "1.75") == []
    assert warned("0:02", "1.20") == ["`1.20` says no unit, so it is 1.2 s; did you mean `1:20`?"]
    assert warned("0:02", "1.20", "0.03", "0:20", "2.20") == [
        "`1.20` says no unit, so it is 1.2 s (2 more presses are timed so); did you mean `1:20`?"
    ]


def test_the_schema_and_the_reader_agree_on_what_feet_do() -> None:
    made = script_schema()
    jsonschema.Draft202012Validator.check_schema(made)
    for happens, sound in (
        ("press", True),
        ("plug in", True),
        ("turn to 64", True),
        ("turn to 0.25", True),
        ("turn to -1", False),
        ("turn", False),
        ("stomp", False),
    ):
        press = {"at": "0:02", "pedal": "a", "control": "b", "happens": happens}
        assert jsonschema.Draft202012Validator(made).is_valid({"presses": [press]}) == sound
        try:
            ScriptModel.model_validate({"presses": [press]})
        except ValidationError:
            assert not sound
        else:
            assert sound


def test_every_key_of_a_script_is_described() -> None:
    made = script_schema()
    for part in (made, made["$defs"]["PressModel"]):
        assert all(key["description"] for key in part["properties"].values())
