"""The questions of `learn-desk`, what may be answered, and how what was heard is cut into moves."""

from __future__ import annotations

from itertools import count

import pytest

from stagectl.learn import desk_live
from stagectl.learn.desk_analyse import analyse
from stagectl.learn.desk_ask import STEPS, Answer, Asking
from stagectl.learn.desk_live import Session
from stagectl.learn.desk_moves import Move, Spot, Way, parse_move
from stagectl.wire.osc import build


def answered(*lines: str) -> tuple[Asking, list[Answer]]:
    asking = Asking()
    return asking, [asking.answer(line) for line in lines]


def kept(answers: list[Answer]) -> list[str]:
    return [str(one.keep) for one in answers if one.keep is not None]


def test_enter_alone_goes_through_everything() -> None:
    asking, answers = answered(*[""] * len(STEPS))
    assert asking.asks is None
    assert kept(answers) == [
        "nothing",
        "input 1 mix 1 bottom to top",
        "input 2 mix 1 bottom to top",
        "input 1 mix 2 bottom to top",
        "input 3 mix 2 bottom to top",
        "whole mix 1 bottom to top",
        "whole mix 2 bottom to top",
    ]


def test_marks_are_asked_for_until_a_line_is_empty() -> None:
    asking, answers = answered("", "", "off", "-40", "loud", "0 dB", "input 2 mix 1 at -3", "")
    marks = ["input 1 mix 1 at off", "input 1 mix 1 at -40 dB", "input 1 mix 1 at 0 dB", "input 2 mix 1 at -3 dB"]
    assert kept(answers)[2:] == marks
    assert "`loud` is not a level" in answers[4].say
    assert asking.asks == STEPS[3].asks


def test_another_level_may_be_moved_instead_and_a_mark_set_at_any_question() -> None:
    asking, answers = answered("", "input 4 mix 1", "", "input 9 mix 4 at -6")
    assert [one.keep for one in answers[1:4:2]] == [Move(Way.SWEEP, Spot(4, 1)), parse_move("input 9 mix 4 at -6")]
    assert asking.asks == STEPS[3].asks
    assert asking.answer("whole mix 3").keep == Move(Way.SWEEP, Spot(None, 3))
    assert "`chorus` is not a move" in asking.answer("chorus").say
    assert asking.asks == STEPS[4].asks


def test_again_asks_for_the_last_move_anew() -> None:
    asking, answers = answered("again", "", "", "-40", "again")
    assert not answers[0].forget and answers[-1].forget
    assert asking.asks == STEPS[2].asks
    asking.answer("again")
    assert asking.asks == STEPS[1].asks


def test_end_ends_it_and_skip_leaves_out() -> None:
    asking, answers = answered("skip", "", "end")
    assert asking.asks is None
    assert kept(answers) == ["input 1 mix 1 bottom to top"]


def test_where_there_is_no_whole_mix_nothing_more_is_asked_of_it() -> None:
    asking, _ = answered(*[""] * 6, "skip")
    assert asking.asks is None
    asking, _ = answered(*[""] * 7, "skip")
    assert asking.asks == STEPS[-1].asks
    asking, answers = answered(*[""] * 7, "off", "0", "-10", "")
    assert kept(answers)[-3:] == ["whole mix 1 at off", "whole mix 1 at 0 dB", "whole mix 1 at -10 dB"]
    assert asking.asks == STEPS[-1].asks


# -- what was heard ---------------------------------------------------------------------------------------


def test_each_link_has_every_move() -> None:
    session = Session()
    session.put("a", b"\xb0\x10\x01", 1)
    assert session.close(Move(Way.NOTHING)) == 1
    session.put("b", b"\xb0\x10\x02", 2)
    assert session.close(None) == 1
    session.put("b", b"\xb0\x10\x03", 3)
    session.close(Move(Way.SWEEP, Spot(1, 1)))
    assert session.last() == ["  b: controller 16 on channel 1 (1 different value, now 3)"]
    links = dict(session.links())
    assert [packets for _, packets in links["a"]] == [[(1, b"\xb0\x10\x01")], []]
    assert [packets for _, packets in links["b"]] == [[], [(3, b"\xb0\x10\x03")]]
    session.forget()
    assert session.close(None) == 1
    assert [packets for _, packets in dict(session.links())["b"]] == [[]]
    session.close(Move(Way.SWEEP, Spot(1, 1)))
    assert session.last() == ["  nothing was heard"]


MARKS = ((0.0, "off"), (0.2, "-40"), (0.4, "-20"), (0.6, "-10"), (0.75, "0"), (1.0, "10"))
"""The scale of a desk: where a fader stands, and what the desk shows there."""


@pytest.mark.parametrize(
    "mistyped", [("-10,", "-10"), ("10-", "-10 dBu", "-10"), ("-20", "again", "-10"), ("5", "again", "-10-", "-10")]
)
@pytest.mark.parametrize("downward", [False, True])
def test_a_mark_that_is_typed_anew_is_where_the_fader_stands(mistyped: tuple[str, ...], downward: bool) -> None:
    """The fader is not touched again: what it said before the first answer counts. Bound to the mark before, -10 dB
    would be the top."""
    session, asking = Session(), Asking()
    times = count(0, 20_000_000)

    def answers(*lines: str) -> None:
        for line in lines:
            answer = asking.answer(line)
            if answer.forget:
                session.forget()
            session.close(answer.keep, hold=answer.hold)

    def moves(input_: int, mix: int, *path: float) -> None:
        for place in path:
            session.put("desk", build(f"/in/{input_}/mix/{mix}", (place,)), next(times))

    sweep = [at / 60 for at in range(61)]
    answers("")
    moves(1, 1, *sweep)
    answers("")
    for place, level in MARKS[::-1] if downward else MARKS:
        moves(1, 1, (place + 0.5) / 2, place)
        answers(*(mistyped if level == "-10" else (level,)))
    answers("")
    for spot in ((2, 1), (1, 2), (3, 2)):
        moves(*spot, *sweep)
        answers("")
    answers("end")
    learned = analyse(session.links()[0][1])
    assert (learned.cannot, learned.against) == ((), ())
    assert learned.send is not None and learned.send.fitted is not None
    assert [float(code) for code, _ in learned.send.fitted.typed["points"]] == [place for place, _ in MARKS]


def test_a_sweep_that_is_asked_for_again_is_made_anew() -> None:
    session = Session()
    session.put("a", b"\xb0\x10\x03", 1)
    asking, _ = answered("", "")
    session.close(Move(Way.SWEEP, Spot(1, 1)))
    answer = asking.answer("again")
    assert (answer.forget, answer.hold) == (True, False)
    session.forget()
    session.close(answer.keep, hold=answer.hold)
    assert session.close(Move(Way.SWEEP, Spot(1, 1))) == 0


def test_a_packet_without_a_byte_says_nothing() -> None:
    session = Session()
    session.put("a", b"", 1)
    assert session.close(Move(Way.NOTHING)) == 0
    assert session.links() == []


@pytest.mark.parametrize(("said", "lost"), [(10, 0), (11, 1), (1_000, 990)])
@pytest.mark.parametrize("bound", ["QUEUE_MAX", "MESSAGES_MAX"])
def test_what_is_kept_is_bounded(bound: str, said: int, lost: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_live, bound, 10)
    session = Session()
    for at in range(said):
        session.put("a", b"\xfe", at)
    session.close(Move(Way.NOTHING))
    assert session.lost == lost
    assert sum(len(packets) for _, parts in session.links() for _, packets in parts) == said - lost
