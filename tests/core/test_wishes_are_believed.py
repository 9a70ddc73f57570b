"""What `keep` makes of any night whose journal lacks nothing: rows and the night that is played again always agree."""

from __future__ import annotations

from depth import examples
from hypothesis import given, settings
from shows import Night, nights, run

from stagectl.core.events import Wake
from stagectl.keep.again import Record, played_again
from stagectl.story.entry import Heard
from stagectl.story.heard import heard
from stagectl.story.replay import Chapter
from stagectl.story.rows import Row, Teller


def record(night: Night) -> Record:
    """What a journal would have of a night."""
    events, rows, number = list[tuple[int, Heard]](), list[tuple[int, int, Row]](), 0
    teller, ran = Teller(night.plan), run(night.plan, ())
    for at, what in (*night.events, (night.ends, Wake())):
        ran = run(night.plan, [(at, what)], ran.state)
        number += 1
        if not isinstance(what, Wake):
            events.append((number, heard(what, at)))
        for row in teller.rows(ran.effects):
            number += 1
            rows.append((number, 0, row))
    return Record([Chapter(0, night.plan)], lambda: events, lambda: rows)


@settings(max_examples=examples(20))
@given(nights())
def test_a_night_whose_journal_lacks_nothing_is_believed_entirely(night: Night) -> None:
    told = played_again(record(night))
    assert told.strays is None
    assert [visit.unlike for visit in told.visits if visit.unlike] == []
