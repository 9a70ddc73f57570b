"""The story in lines that a person reads while the band plays: one line a change of the night."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Final

from stagectl.core.actions import Hush
from stagectl.core.levels import height, plain_text, text
from stagectl.story.edits import BY_FILES
from stagectl.story.rows import BY_EDIT, Row
from stagectl.story.times import clock
from stagectl.story.told import Told

NAMED_MAX: Final = 3
"""Changes of one press that a line names one by one; more are counted, with the biggest named."""

HUSH_ENDS: Final = "hush ends"
"""What a press is called that brings hushed mixes back: the same foot does both, and nobody may have to guess which."""

_OF_THE_DESK: Final[Mapping[tuple[str | None, str | None], str]] = {
    ("desk", "hand"): "a hand at the desk: ",
    ("desk", "beside a hand"): "beside a hand at the desk: ",
    ("desk", "read"): "the desk has: ",
    ("desk", "told again"): "the desk is told again: ",
    (BY_FILES, BY_EDIT): "the edited files: ",
}


def lines(rows: Sequence[Row]) -> list[Told]:
    """The lines for some rows, in their order; the changes of one press share a line. A count of none has no line."""
    out = []
    told = (row for row in meant(rows) if row.kind != "count" or row.number)
    for (kind, at, _), group in groupby(told, key=lambda row: (row.kind, row.at, row.press)):
        some = list(group)
        say = _SAY.get(kind, _other)
        said = changes(some) if kind == "change" else [say(row) for row in some]
        when = f"{clock(at):>10}  "
        out += [Told(f"{when}{plainly(line)}", kind, len(when)) for line in said]
    return out


def meant(rows: Sequence[Row]) -> Sequence[Row]:
    """The rows, where presses that end a hush are called so: what they move goes up. A press without its changes keeps
    the word that is recorded."""
    if not any(row.kind == "press" and row.what == Hush.word for row in rows):
        return rows
    ends = {row.press for row in rows if row.kind == "change" and row.what == Hush.word and _rises(row)}
    return [row._replace(what=HUSH_ENDS) if row.kind == "press" and row.press in ends else row for row in rows]


def _rises(row: Row) -> bool:
    return row.before is not None and row.after is not None and height(row.after) > height(row.before)


def changes(rows: Sequence[Row]) -> list[str]:
    """What the changes of one press come to. Those that the desk tells of have no press of their own before them."""
    teller = _OF_THE_DESK.get((rows[0].who, rows[0].what), "")
    if teller:
        return [f"{teller}{line.strip()}" for line in _changes(rows)]
    return _changes(rows)


def _changes(rows: Sequence[Row]) -> list[str]:
    if len(rows) <= NAMED_MAX:
        return [f"  {row.listener}: {row.input} {_way(row)}" for row in rows]
    listeners = list(dict.fromkeys(row.listener for row in rows))
    whose = f"{len(listeners)} listeners" if len(listeners) > 1 else str(listeners[0])
    by = [_by(row) for row in rows]
    if by[0] is not None and len(set(by)) == 1:
        return [f"  {len(rows)} levels of {whose} {_moved(by[0])}"]
    rest, many = Counter(by).most_common(1)[0]
    named = [row for row, one in zip(rows, by, strict=True) if one != rest]
    if len(listeners) == 1 and rest is not None and len(named) < NAMED_MAX:
        ways = ", ".join(f"{row.input} {_way(row)}" for row in named)
        return [f"  {whose}: {ways}, {many} others {_moved(rest)}"]
    known = [(abs(one), row) for row, one in zip(rows, by, strict=True) if one is not None]
    biggest = max(known, key=lambda pair: pair[0], default=None)
    most = "" if biggest is None else f"; most: {biggest[1].listener}: {biggest[1].input} {_way(biggest[1])}"
    return [f"  {len(rows)} levels of {whose}{most}"]


def _by(row: Row) -> int | None:
    """By how much a level moved, hundredths of a dB; None where it came from, or went to, `off` or the unknown."""
    return row.after - row.before if isinstance(row.before, int) and isinstance(row.after, int) else None


def _moved(by: int) -> str:
    """`up 1.5 dB`, `down 2 dB`."""
    return f"{'up' if by > 0 else 'down'} {plain_text(abs(by))} dB"


def _way(row: Row) -> str:
    way = f"to {text(row.after)}" if row.before is None else f"{text(row.before)} → {text(row.after)}"
    # A hand at the desk that counts as another level than its own.
    return way if row.detail is None else f"{way}, {row.detail}: counts as {text(row.sent)}"


def _press(row: Row) -> str:
    where = f" ({row.pedal}, {row.control}, {row.gesture})" if row.pedal else ""
    return f"{row.who}: {row.what}{where}"


def _arrival(row: Row) -> str:
    scene = f", {row.detail} over it" if row.detail else ""
    return f"  {place(row.song, row.section)}{scene}"


def place(song: str | None, section: str | None) -> str:
    """Where the night is, in words."""
    return f"{song}, {section}" if section else str(song)


def _refusal(row: Row) -> str:
    # A control may have the name of what it does.
    what = row.what if row.control in (None, row.what) else f"{row.control}: {row.what}"
    return f"{row.who}: refused ({what}): {row.detail}"


def _link(row: Row) -> str:
    return f"{row.who} is {row.what}"


def _cue(row: Row) -> str:
    number = "" if row.number is None else f" {row.number}"
    return f"  {row.who}: {row.what}{number}" + ("" if row.detail is None else f" at {row.detail}")


LATE_US: Final = 5_000
"""From here on a section that its track brings late is said to be, µs."""

_TRACK: Final[Mapping[str | None, str]] = {
    "reached": "the track is at {}",
    "ended": "the track has ended, at {}",
    "runs": "it runs by itself, at {}",
    "stands": "it stands still, at {}",
    "jumped": "it has jumped to {}",
    "held": "the track is at {}, but the levels have fallen back and stay at the base",
    "missed": "nothing plays: the song goes without its track",
    "waits": "the song's track waits for `start cue`",
    "not known": "where its track is by now is not known, and its sections are up to the feet",
    "lost": "its track has stopped at {}: `start cue` begins it again when it is here",
}


def _track(row: Row) -> str:
    late = f" ({row.number / 1_000:.1f} ms late)" if row.number is not None and row.number > LATE_US else ""
    indent = "  " if row.what in ("missed", "waits") else ""
    known = _TRACK.get(row.what)
    said = f"{row.what} at {row.detail}" if known is None else known.format(row.detail)
    return f"{indent}{row.who}: {said}{late}"


def _reminder(row: Row) -> str:
    return str(row.what)


def _stored(row: Row) -> str:
    return f"  desk: stored scene {row.number}"


def _told(row: Row) -> str:
    return f"  {row.who}: {row.what}"


def _layer(row: Row) -> str:
    return f"  {row.who}: " + (f"layer {row.what}" if row.what else "no layer")


def _count(row: Row) -> str:
    return f"{row.who}: {row.number} so far of: {row.what}"


def resumed(row: Row) -> str:
    """That a night is taken up again."""
    return f"taken up again after {row.detail}, at {place(row.song, row.section)} (`--fresh` begins a new night)"


def _other(row: Row) -> str:
    """A kind of row that this version of the program does not know."""
    return f"{row.kind}: {row.who}: {row.what}"


_CONTROL: Final = re.compile("[\x00-\x1f\x7f-\x9f]")
"""Control characters (Unicode: Cc)."""


def plainly(line: str) -> str:
    """A line that moves no cursor, whatever is in the names: those of a journal may have been forged."""
    return _CONTROL.sub("?", line)


def _end(_: Row) -> str:
    return "the night is over"


_SAY: Final = {
    "press": _press,
    "arrival": _arrival,
    "refusal": _refusal,
    "link": _link,
    "cue": _cue,
    "stored scene": _stored,
    "told": _told,
    "layer": _layer,
    "track": _track,
    "reminder": _reminder,
    "resumed": resumed,
    "trouble": _reminder,
    "count": _count,
    "end": _end,
}
