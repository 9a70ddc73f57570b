"""What people read of a treadle: one line a sweep, of the rows that the core makes of one."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from recorded import record_night

from stagectl.core.effects import Reason
from stagectl.journal.read import open_read, rows
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row
from stagectl.story.sweeps import HELD_MAX, HELD_NS, REST_NS, SWEEP_NS, Held, swept
from stagectl.story.words import lines
from stagectl.where import shipped

MS = 1_000_000
WAITS = Reason.NOT_PICKED_UP.value


def turn(at: int, press: int, *more: Row, control: str = "treadle") -> list[Row]:
    first = Row(at, "press", press, who="singer", what="ride", pedal="board", control=control, gesture="turn")
    return [first, *(row._replace(at=at, press=press) for row in more)]


def waits(control: str = "treadle") -> Row:
    return Row(0, "refusal", who="singer", what="voice", pedal="board", control=control, detail=WAITS)


def moves(before: int, after: int) -> Row:
    return Row(0, "change", who="singer", what="ride", listener="singer", input="voice", before=before, after=after)


def told(some: list[Row]) -> list[str]:
    return [str(line).strip().split("  ", 1)[1].strip() for line in lines([row for _, row in swept(some)])]


def test_steps_that_have_not_met_the_level_are_one_line_of_each_kind() -> None:
    some = [row for at in range(40) for row in turn(at * 20 * MS, at + 1, waits())]
    assert told(some) == [
        "singer: ride, 40 steps (board, treadle, turn)",
        f"singer: refused (treadle: voice): {WAITS}",
    ]


def test_a_level_goes_from_where_it_was_to_where_it_came_to() -> None:
    some = turn(0, 1, waits()) + [
        row for at in range(1, 9) for row in turn(at * 20 * MS, at + 1, moves(-100 * at, -100 * (at + 1)))
    ]
    # Frames of a way that is smoothed come without a press of their own.
    some.append(moves(-900, -950)._replace(at=165 * MS, press=9))
    assert told(some) == [
        "singer: ride, 9 steps (board, treadle, turn)",
        f"singer: refused (treadle: voice): {WAITS}",
        "singer: voice -1 dB → -9.5 dB",
    ]


def test_refusals_alone_are_counted_too() -> None:
    some = [waits()._replace(at=at * MS, press=at) for at in range(5)]
    assert told(some) == [f"singer: refused (treadle: voice): {WAITS} (5 steps)"]


def test_a_rest_another_treadle_and_anything_between_begin_a_new_one() -> None:
    steps = [
        turn(0, 1),
        turn(SWEEP_NS, 2),
        turn(2 * SWEEP_NS + 1, 3),
        turn(2 * SWEEP_NS + 2, 4, control="other"),
        [Row(2 * SWEEP_NS + 3, "reminder", what="curfew")],
        turn(2 * SWEEP_NS + 4, 5, control="other"),
    ]
    assert told([row for step in steps for row in step]) == [
        "singer: ride, 2 steps (board, treadle, turn)",
        "singer: ride (board, treadle, turn)",
        "singer: ride (board, other, turn)",
        "curfew",
        "singer: ride (board, other, turn)",
    ]


def test_a_night_of_the_demo_loses_nothing_but_steps(tmp_path: Path) -> None:
    """By its rows: what is no step of a treadle is told as it is, and levels end where the rows end them."""
    path = tmp_path / "a.night"
    demo = shipped("setlists") / "nine-songs"
    presses = read_script(demo / "presses.yaml", compile_show(load_show(demo)).plan)
    # The first two minutes have what is asked for.
    record_night(demo, path, [press for press in presses if press.at < 120 * 1_000_000_000])
    connection = open_read(path)
    some = [row for _, _, row in rows(connection)]
    connection.close()
    out = [row for _, row in swept(some)]
    others = [row for row in some if row.gesture != "turn" and row.what != "ride" and row.detail != WAITS]
    assert [row for row in out if row in others] == others
    ends = [{(row.listener, row.input): row.after for row in one if row.kind == "change"} for one in (some, out)]
    assert ends[0] == ends[1]
    turns = sum(row.gesture == "turn" for row in some)
    assert turns > 2 and sum(row.gesture == "turn" for row in out) < turns


@given(st.lists(st.integers(0, 2 * SWEEP_NS), max_size=20))
def test_sweeps_are_what_lies_between_rests(gaps: list[int]) -> None:
    """By counting the rests."""
    times = [sum(gaps[:at]) for at in range(len(gaps) + 1)]
    some = [row for press, at in enumerate(times) for row in turn(at, press)]
    rests = sum(after - before > SWEEP_NS for before, after in pairwise(times))
    assert len(swept(some)) == rests + 1


# -- while the night is played ------------------------------------------------------------------------------


def live(batches: list[list[Row]]) -> list[tuple[int, Row]]:
    """What is told of some rows while they come, each with the time at which it is: each batch comes at the time of its
    first row."""
    held, out = Held(), []
    for some in batches:
        now = some[0].at
        if held.due is not None and held.due <= now:
            out += [(due, row) for due in (held.due,) for row in held.end()]
        before, told = held.add(some, now)
        out += [(now, row) for row in (*before, *told)]
    return out + [(due, row) for due in (held.due or 0,) for row in held.end()]


def test_a_sweep_of_less_than_a_second_is_told_as_one_when_the_foot_rests() -> None:
    steps = [turn(at * 20 * MS, at + 1, waits()) for at in range(45)]
    told_ = live(steps)
    assert {at for at, _ in told_} == {HELD_NS}
    assert lines([row for _, row in told_]) == lines([row for _, row in swept([row for step in steps for row in step])])
    assert {at for at, _ in live(steps[:10])} == {9 * 20 * MS + REST_NS}


def test_what_is_no_step_of_a_treadle_is_told_at_once_and_after_what_was_held_back() -> None:
    press = Row(50 * MS, "press", 3, who="drummer", what="next", pedal="board", control="left", gesture="press")
    refused = Row(50 * MS, "refusal", 3, who="drummer", what="next", control="left", detail="too soon")
    told_ = live([turn(0, 1), turn(20 * MS, 2, moves(-600, -500)), [press, refused], turn(70 * MS, 4)])
    assert [(at, row.kind) for at, row in told_] == [
        *((50 * MS, kind) for kind in ("press", "change", "press", "refusal")),
        (70 * MS + REST_NS, "press"),
    ]
    held = Held()
    assert held.add([press, refused], 0) == ([], [press, refused]) and held.due is None


def test_what_is_due_is_told_though_nobody_came_for_it() -> None:
    held = Held()
    for some in (turn(at * 20 * MS, at + 1) for at in range(50)):
        assert held.add(some, some[0].at) == ([], [])
    before, told_ = held.add(turn(HELD_NS, 51), HELD_NS)
    assert ([row.what for row in before], told_) == (["ride, 50 steps"], [])
    assert [row.what for row in held.end()] == ["ride"]


def test_so_many_steps_are_held_back_and_no_more() -> None:
    told_ = live([turn(at, at) for at in range(HELD_MAX + 1)])
    assert [row.what for _, row in told_] == [f"ride, {HELD_MAX} steps", "ride"]


STEPS = st.lists(
    st.tuples(st.integers(0, SWEEP_NS // 2), st.sampled_from(["treadle", "other", "press", "moves"])), max_size=30
)


@given(STEPS)
def test_nothing_is_lost_or_late_or_out_of_order_and_every_level_ends_where_it_does(
    steps: list[tuple[int, str]],
) -> None:
    batches, now = [], 0
    for press, (gap, kind) in enumerate(steps, 1):
        now += gap
        if kind == "press":
            batches.append([Row(now, "press", press, who="drummer", what="next", gesture="press")])
        else:
            more = (moves(-press, -press - 1),) if kind == "moves" else (waits(kind),)
            batches.append(turn(now, press, *more, control="treadle" if kind == "moves" else kind))
    told_ = live(batches)
    assert all(0 <= at - row.at <= HELD_NS for at, row in told_)
    assert [row.at for _, row in told_] == sorted(row.at for _, row in told_)
    others = [row for some in batches for row in some if row.gesture == "press"]
    assert [row for _, row in told_ if row.gesture == "press"] == others
    heads = [str(row.what) for _, row in told_ if row.gesture == "turn"]
    assert sum(int(head.split()[1]) if "," in head else 1 for head in heads) == len(batches) - len(others)
    changes = [row.after for some in batches for row in some if row.kind == "change"]
    assert [row.after for _, row in told_ if row.kind == "change"][-1:] == changes[-1:]
