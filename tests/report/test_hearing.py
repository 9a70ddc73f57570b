"""The quick way from a journal to the ears comes to what the slow one comes to, row by row, on any story."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level, hundredths, uncorrelated_sum
from stagectl.core.plan import Levels
from stagectl.ears.night import NightEars
from stagectl.journal.read import open_read, rows
from stagectl.journal.write import Journal
from stagectl.report.gather import Story
from stagectl.report.hearing import Hearing, power_sum
from stagectl.report.levels import Levels as Followed
from stagectl.show.compile import compile_show
from stagectl.show.ears import setting_of
from stagectl.show.load import load_show
from stagectl.story.rows import Row

from .made import DEMO, HEAD, demo_rows, written

SHOW = load_show(DEMO)
PLAN = compile_show(SHOW).plan
DRIVEN = setting_of(SHOW).base
FOUND: Levels = tuple(None if at % PLAN.width == PLAN.whole else level for at, level in enumerate(DRIVEN))
"""The base as it is, and one that leaves the whole mixes where they are found."""

_levels = st.one_of(st.integers(-4000, 600), st.just(OFF), st.none())
_some = st.sampled_from


def _row(at: int, kind: str, what: str, song: str, here: str, send: tuple[str, str], level: Level | None) -> Row:
    match kind:
        case "arrival":
            return Row(at, kind, song=song)
        case "link":
            who, what = ("drum pedal", "here") if here == "pedal" else ("desk", here)
            return Row(at, kind, who=who, what=what)
        case "change":
            listener, input_ = send
            return Row(at, kind, 1, "desk", what, listener=listener, input=input_, after=level, sent=level)
    return Row(at, kind, what="x")


_rows = st.builds(
    _row,
    st.integers(0, 3),
    _some(["change", "change", "change", "arrival", "link", "press", "reminder"]),
    _some(["next", "nudge", "hand", "read", "recall"]),
    _some(["base", *(song.name for song in SHOW.setlist.songs[:3])]),
    _some(["here", "gone", "pedal"]),
    st.tuples(
        _some([*PLAN.listeners[:2], "harpist"]), _some(["lead vocal", "click", "whole mix", "whole mix", "harp"])
    ),
    _levels,
)


def slow_and_quick(path: Path, base: Levels = DRIVEN) -> tuple[NightEars, Hearing]:
    with closing(open_read(path)) as connection:
        slow = NightEars(PLAN, base)
        slow.read(row for _, _, row in rows(connection))
        story = Story(HEAD.begun_us)
        story.read(connection)
        levels, quick = Followed(story.visits, ()), Hearing(PLAN, base)
        levels.read(connection, quick, story.events)
        quick.end(max(story.end, levels.end))
    return slow, quick


def heard(one: NightEars | Hearing) -> dict[str, dict[str, list[tuple[float, float]]]]:
    ears = one.mixes.ears if isinstance(one, NightEars) else one.ears
    return {
        listener: {song: sorted(course.heard()) for song, course in ears.songs(listener).items()}
        for listener in PLAN.listeners
    }


@settings(max_examples=examples(40))
@given(st.lists(_rows, max_size=40), _some([DRIVEN, FOUND]))
def test_both_come_to_the_same_on_any_story(some: Sequence[Row], base: Levels) -> None:
    at = 0
    # Most of it happens while the set is going on and the desk is here.
    story = [Row(0, "link", who="desk", what="here"), Row(0, "arrival", song="Slow Tram Home")][: len(some) % 5]
    for row in some:
        at += row.at * 10**9
        story.append(row._replace(at=at))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "n.night"
        with closing(Journal.create(path, HEAD)) as journal:
            journal.write(story, HEAD.begun_us)
        slow, quick = slow_and_quick(path, base)
    assert heard(slow) == heard(quick)
    assert slow.notes() == quick.notes(slow.ended)


def test_both_come_to_the_same_on_the_demo_night(tmp_path: Path) -> None:
    slow, quick = slow_and_quick(written(tmp_path / "n.night", demo_rows()))
    assert heard(slow) == heard(quick)
    assert all(heard(slow).values())
    assert slow.notes() == quick.notes(slow.ended)


@settings(max_examples=examples(300))
@given(st.lists(st.one_of(st.integers(-12_000, 2_000), st.just(OFF)), max_size=128))
def test_a_quick_sum_is_the_exact_one(levels: Sequence[Level]) -> None:
    powers = [0.0 if level is OFF else 10 ** (level / 1000) for level in levels]
    found = power_sum(powers)
    assert (OFF if found is None else found) == uncorrelated_sum(levels)


def test_at_the_edge_between_two_hundredths_the_exact_sum_decides() -> None:
    differ = 0
    for edge in range(-2_000, 1_000):
        # The least float whose level rounds to the upper hundredth, and the one before it.
        low, high = 10 ** ((edge - 0.51) / 1000), 10 ** ((edge - 0.49) / 1000)
        while (middle := (low + high) / 2) not in (low, high):
            if hundredths(10 * math.log10(middle)) == hundredths(10 * math.log10(high)):
                high = middle
            else:
                low = middle
        # Two small powers that a plain sum drops one after the other, and that together make the upper one.
        powers = [low, 0.3 * math.ulp(low), 0.3 * math.ulp(low)]
        assert low + powers[1] + powers[2] == low
        assert math.fsum(powers) == high
        exact = hundredths(10 * math.log10(high))
        differ += hundredths(10 * math.log10(low)) != exact
        assert power_sum(powers) == exact
    assert differ == 3_000
