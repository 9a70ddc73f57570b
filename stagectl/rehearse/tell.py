"""Telling a rehearsal: JSON lines for programs, lines for people, tables of what a press changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from stagectl.ears import report
from stagectl.rehearse.room import FirstOfLevel, Moment, Room
from stagectl.show.feet_words import short
from stagectl.story.rows import Row, as_json
from stagectl.story.told import Told
from stagectl.story.wire import Sent
from stagectl.story.words import lines

MESSAGES_SHOWN = 6
"""Messages of one press that people are shown; the others are counted."""


def json_lines(moments: Iterable[Moment]) -> Iterable[str]:
    """One JSON object a line, in the order in which things happen."""
    for moment in moments:
        yield json.dumps(moment.json() if isinstance(moment, Sent) else as_json(moment), ensure_ascii=False)


def story_lines(moments: Iterable[Moment]) -> Iterable[str]:
    """Lines for people, press by press: the story, then how many messages each link got."""
    rows: list[Row] = []
    sent: list[Sent] = []
    for moment in moments:
        if isinstance(moment, Row):
            begins = moment.kind == "track" and any(row.press != moment.press for row in rows)
            if (moment.kind in ("press", "refusal", "link") or begins) and (rows or sent):
                yield from _press(rows, sent)
                rows, sent = [], []
            rows.append(moment)
        else:
            sent.append(moment)
    yield from _press(rows, sent)


def _press(rows: Sequence[Row], sent: Sequence[Sent]) -> Iterable[str]:
    yield from lines(rows)
    told = {row.press for row in rows if row.kind not in ("refusal", "link")}
    for to, press in dict.fromkeys((one.to, one.press) for one in sent):
        some = [one for one in sent if (one.to, one.press) == (to, press)]
        took = (some[-1].at - some[0].at) / 1e9
        over = f" over {took:.2f} s" if took >= 0.01 else ""
        more = " more of the fade before" if press is not None and press not in told else ""
        count = counted(len(some), "message")
        levels = sum(isinstance(one, FirstOfLevel) for one in some)
        if levels and levels != len(some):
            count = f"{counted(levels, 'level')} in {count}"
        yield Told(f"{'':>10}    {to} gets {count}{more}{over}", "aside")


def ears_lines(room: Room, as_json: bool) -> list[str]:
    """What the rehearsal comes to for each listener's ears: one JSON object, or lines for people."""
    criterion, now = room.setting.criterion, room.state.now
    found = report.figures(criterion, room.setting.listeners, room.mixes.end(now))
    if as_json:
        return [json.dumps(report.as_json(criterion, found, now), ensure_ascii=False)]
    return report.lines(criterion, found)


def counted(number: int, what: str) -> str:
    """`1 message`, `2 messages`."""
    return f"{number} {what}" + ("" if number == 1 else "s")


def table(rows: Sequence[Row]) -> tuple[list[str], list[list[str]]]:
    """What changed, as a table: the listeners as columns, the inputs as rows, `from → to` in the cells."""
    changed = [row for row in rows if row.kind == "change"]
    listeners = list(dict.fromkeys(str(row.listener) for row in changed))
    inputs = list(dict.fromkeys(str(row.input) for row in changed))
    cells = {(row.input, row.listener): f"{short(row.before) or '?'} → {short(row.after)}" for row in changed}
    body = [[input_, *(cells.get((input_, one), "") for one in listeners)] for input_ in inputs]
    return ["dB", *listeners], body
