"""A rehearsal as time passes: by the real clock, at any speed, with feet that press meanwhile.

What has to come out is what the same presses give when they are played at once (`Room.play`): the core does the same to
the same events at the same times, however late and in what pieces its time comes.
"""

from __future__ import annotations

import random
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.core.plan import MS
from stagectl.rehearse.drive import PIECE_NS, Drive
from stagectl.rehearse.pace import Pace
from stagectl.rehearse.room import Moment, Room, Timed
from stagectl.rehearse.script import read_script
from stagectl.rehearse.wants import DO, OF_THE_NIGHT, ask
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"
SECOND = 1_000_000_000
BEGINS = 5 * SECOND
"""The monotonic clock at the beginning."""

LEFT, RIGHT = (0, 0), (0, 1)


class Page:
    """A rehearsal that is driven by hand."""

    def __init__(self, show: Show, compiled: Compiled) -> None:
        self.moments: list[Moment] = []
        self.real = BEGINS
        self.drive = Drive(Room(show, compiled), self.real, self.moments.extend)

    def wait(self, ns: int) -> None:
        """Time passes: it is gone on with whenever something is due, as the loop does."""
        until = self.real + ns
        while (due := self.drive.due()) is not None and due <= until:
            self.real = max(self.real, due)
            self.drive.go_on(self.real)
        self.real = until
        self.drive.go_on(until)

    def ask(self, **want: object) -> None:
        ask(self.drive, want, self.real)

    def foot(self, control: str, ns: int, pedal: str = "drum pedal") -> None:
        """A foot for so long."""
        self.ask(do="move", pedal=pedal, control=control, down=True)
        self.wait(ns)
        self.ask(do="move", pedal=pedal, control=control, down=False)

    def rows(self, kind: str) -> list[Row]:
        return [one for one in self.moments if isinstance(one, Row) and one.kind == kind]

    def pressed(self) -> list[tuple[str | None, str | None]]:
        """What gestures were understood, and what they did."""
        return [(row.gesture, row.what) for row in self.rows("press")]


@pytest.fixture(scope="module")
def demo() -> tuple[Show, Compiled]:
    show = load_show(DEMO)
    return show, compile_show(show)


@pytest.fixture
def page(demo: tuple[Show, Compiled]) -> Page:
    return Page(*demo)


# -- time -------------------------------------------------------------------------------------------------


def has_more(page: Page) -> bool:
    """Whether anything is still to come by itself."""
    return page.drive.next_at is not None or page.drive.room.track_due is not None


@pytest.fixture(scope="module")
def at_once(demo: tuple[Show, Compiled]) -> tuple[list[Timed], list[Moment]]:
    """The beginning of the demo's script, and what comes of it."""
    show, compiled = demo
    script = [one for one in read_script(DEMO / "presses.yaml", compiled.plan) if one.at < 30 * SECOND]
    return script, list(Room(show, compiled).play(script))


@settings(max_examples=5)
@given(st.integers(0, 10**6))
def test_a_script_at_any_speed_and_in_any_pieces_is_the_same_night(
    demo: tuple[Show, Compiled], at_once: tuple[list[Timed], list[Moment]], seed: int
) -> None:
    chance = random.Random(seed)
    script, played = at_once
    page = Page(*demo)
    page.drive.play(page.real, "a script", script)
    while page.drive.now(page.real) < 40 * SECOND:
        # Late, early and all at once: whenever somebody looks.
        page.real += chance.randrange(1, 9 * SECOND)
        page.drive.go_on(page.real)
        word = chance.choice(("go on", "hold still", "speed", "speed", "skip", "look"))
        if word == "speed":
            page.ask(do="speed", **{"is": chance.choice((1, 10))})
        elif word != "look" and (word != "skip" or has_more(page)):
            page.ask(do=word)
        if page.drive.pace.still:
            page.ask(do="go on")
    until = page.drive.now(page.real)
    assert page.moments == [one for one in played if one.at <= until]
    assert page.drive.plays is None


def test_what_takes_long_is_worked_out_in_pieces_as_time_falls_behind(
    demo: tuple[Show, Compiled], at_once: tuple[list[Timed], list[Moment]]
) -> None:
    """Each look at the clock takes a third of a piece: three steps, and the rest of what is due waits."""
    script, played = at_once
    moments: list[Moment] = []
    real, looks = BEGINS, 0

    def clock() -> int:
        nonlocal real, looks
        looks += 1
        real += PIECE_NS // 3 + 1
        return real

    drive = Drive(Room(*demo), real, moments.extend, clock)
    drive.play(real, "a script", script)
    left = 0
    while drive.plays is not None:
        due = drive.due()
        assert due is not None
        left += due <= real
        before, looks = drive.now(real), 0
        real = max(real, due)
        drive.go_on(real)
        # One look as the piece begins, two for the last step, and one from which on time passes again.
        assert looks <= 6
        # The time that whoever looked meanwhile saw pass is no more than a piece takes.
        assert drive.now(real) >= before - PIECE_NS
        assert moments == played[: len(moments)]
    assert left > 50
    assert drive.now(real) < real - BEGINS - SECOND
    assert moments[-1].at >= script[-1].at
    # What is skipped is worked out whole.
    drive.pace.jump(real, drive.now(real) + 40 * SECOND)
    drive.go_on(real, whole=True)
    assert moments == [one for one in played if one.at <= drive.now(real)]


@given(
    st.lists(st.tuples(st.integers(0, 10**10), st.sampled_from([(1, False), (10, False), (1, True), (10, True)]))),
    st.integers(0, 10**10),
)
def test_the_pace_never_goes_back_and_is_met_when_it_says(changes: list[tuple[int, tuple[int, bool]]], to: int) -> None:
    pace, real, before = Pace(0), 0, 0
    for after, (speed, still) in changes:
        real += after
        assert pace.at(real) >= before
        before = pace.at(real)
        pace.change(real, speed=speed, still=still)
        assert pace.at(real) == before
    when = pace.when(before + to)
    if when is None:
        assert pace.still
    else:
        assert pace.at(when) >= before + to
        assert when == real or pace.at(when - 1) < before + to


def test_at_ten_times_the_speed_a_press_is_no_hold(page: Page) -> None:
    page.ask(do="speed", **{"is": 10})
    page.wait(SECOND)
    page.foot("left", 120 * MS)
    page.wait(SECOND)
    assert page.pressed() == [("press", "next")]
    page.foot("left", 700 * MS)
    page.wait(SECOND)
    assert page.pressed() == [("press", "next"), ("hold", "back")]


def test_a_double_press_is_one_at_ten_times_the_speed_too(page: Page) -> None:
    page.foot("left", 80 * MS)
    page.ask(do="speed", **{"is": 10})
    for _ in range(2):
        page.foot("right", 60 * MS)
        page.wait(90 * MS)
    page.wait(SECOND)
    assert page.pressed()[1:] == [("double press", "nudge")]


def test_time_passes_as_on_stage_just_as_long_as_the_gesture(page: Page) -> None:
    page.ask(do="speed", **{"is": 10})
    page.ask(do="hold still")
    page.wait(3 * SECOND)
    at = page.drive.now(page.real)
    page.foot("left", 100 * MS)
    # A hold is mapped there, so the press is decided at the way up; then time stands still again.
    page.wait(5 * SECOND)
    assert page.pressed() == [("press", "next")]
    assert page.drive.now(page.real) == at + 100 * MS
    page.ask(do="go on")
    page.wait(SECOND)
    assert page.drive.now(page.real) == at + 100 * MS + 10 * SECOND


def test_a_page_that_goes_away_with_a_foot_on_a_pedal_fires_nothing(page: Page) -> None:
    page.ask(do="move", pedal="drum pedal", control="left", down=True)
    page.wait(100 * MS)
    page.drive.let_go(page.real)
    page.wait(3 * SECOND)
    assert page.pressed() == []
    assert not page.drive.pace.by_foot
    page.foot("left", 100 * MS)
    assert page.pressed() == [("press", "next")]


def test_skipping_leads_to_where_the_track_does_something(page: Page) -> None:
    page.foot("left", 80 * MS)
    page.ask(do="skip")
    # Lanterns at Low Tide: one bar of 96 to count in, then `last chorus` at bar 9, 20 s (4/4: 8 bars of 2.5 s).
    assert page.rows("track")[-1].what == "reached"
    assert page.rows("arrival")[-1].section == "last chorus"
    begun = page.rows("press")[0].at
    assert page.rows("track")[-1].at - begun == 22_500 * MS


def test_a_treadle_is_turned_over_its_own_range(page: Page) -> None:
    page.foot("left", 80 * MS)
    page.wait(5 * SECOND)
    for value in (127, 100, 84, 60, 96):
        page.ask(do="turn", pedal="vocal pedal", control="treadle", value=value)
        page.wait(100 * MS)
    assert {row.input for row in page.rows("change") if row.what == "ride"} == {"lead vocal"}


# -- what is asked for ------------------------------------------------------------------------------------


def test_a_jump_goes_to_a_section_by_name(page: Page) -> None:
    page.ask(do="jump", song="Nobody Rows Alone", section="organ break")
    assert page.rows("arrival")[-1].section == "organ break"
    page.ask(do="jump", song="base")
    assert page.drive.room.state.place.stop == 0


@pytest.mark.parametrize(
    ("want", "says"),
    [
        ({"do": "hodl still"}, "nothing is done by `hodl still`; did you mean `hold still`?"),
        ({"do": 7}, "nothing is done by `7`"),
        ({"do": "speed", "is": 3}, "`is` is 3; it can be 1 or 10"),
        ({"do": "speed", "is": True}, "`is` is True; it can be 1 or 10"),
        ({"do": "move", "pedal": "drum pedl", "control": "left", "down": True}, "did you mean `drum pedal`?"),
        ({"do": "move", "pedal": "drum pedal", "control": "lft", "down": True}, "did you mean `left`?"),
        ({"do": "move", "pedal": "drum pedal", "control": "left"}, "`down` says whether the foot is on the control"),
        ({"do": "move", "pedal": "vocal pedal", "control": "treadle", "down": True}, "is a treadle: it is turned"),
        ({"do": "turn", "pedal": "drum pedal", "control": "left", "value": 3}, "is a switch: it cannot be turned"),
        ({"do": "turn", "pedal": "vocal pedal", "control": "treadle", "value": 128}, "it can be 0 to 127"),
        ({"do": "jump", "song": "Slow Tram Hme"}, "did you mean `Slow Tram Home`?"),
        ({"do": "jump", "song": "Slow Tram Home", "section": "solo"}, "there is no section `solo`"),
        ({"do": "nudge", "listener": "singer", "input": "own", "by": 200}, "a nudge is one of"),
    ],
)
def test_what_cannot_be_done_says_why_and_changes_nothing(page: Page, want: dict[str, object], says: str) -> None:
    state, moments = page.drive.room.state, len(page.moments)
    with pytest.raises(ValueError) as caught:
        ask(page.drive, want, page.real)
    assert says in str(caught.value)
    assert (page.drive.room.state, len(page.moments)) == (state, moments)


def test_every_want_is_tried_with_nothing_but_its_word(page: Page) -> None:
    """Either it is done, or it says what is missing; nothing else comes out, and the desk is where it was asked to."""
    page.foot("left", 80 * MS)
    for word in (*DO, *OF_THE_NIGHT):
        with suppress(ValueError):
            ask(page.drive, {"do": word}, page.real)
        page.wait(SECOND)
    page.wait(20 * SECOND)
    assert page.drive.room.differences() == []


def test_a_script_that_is_left_does_nothing_more(page: Page) -> None:
    from stagectl.core.events import Moved

    presses = [Timed(at * SECOND, Moved(pedal=0, control=0, value=127 * (at % 2))) for at in range(1, 9)]
    page.drive.play(page.real, "eight edges", presses)
    page.wait(2_500 * MS)
    assert (page.drive.plays, page.drive.done) == ("eight edges", 2)
    page.ask(do="leave")
    page.wait(20 * SECOND)
    assert (page.drive.plays, page.drive.done, page.drive.next_at) == (None, 2, None)
