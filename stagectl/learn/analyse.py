"""What a control is, worked out from what it sent while a foot moved it.

Pure: messages with their times in, verdicts out. A verdict never claims more than was seen: it says how sure it is,
from how many movements, and what would contradict it.

The theory, for a control that says one of two values:

- Contact bounce is over in some milliseconds, and no foot goes down and up within `TRAIN_NS`: edges that follow each
  other more closely are one *train*, and only where a train begins and ends is a *movement*.
- A momentary switch makes two movements a press, down and up: every second stretch between movements is the foot on the
  switch, and short. Where the first movement is a fall, the switch rests at its high value: normally closed.
- A latching switch makes one movement a press: every stretch is the foot coming again, and long.
- One movement alone, or two that are far apart, can be either, and the verdict says so.
- A note that never ends is down each time that it comes, with whatever strength.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from stagectl.learn.series import Packet, Point, Sender, sort
from stagectl.learn.treadle import jitter_of, travels_of
from stagectl.learn.values import NEAR_SHARE, STEPPED_NS
from stagectl.learn.verdict import Kind, Learned, Sure, Verdict, count

MS: Final = 1_000_000

TRAIN_NS: Final = 30 * MS
"""Edges at most this far apart are one contact that bounces; a quick tap keeps the foot down for twice as long."""

HELD_NS: Final = 500 * MS
"""A tap keeps the foot on the switch for less than this."""

APART_NS: Final = 800 * MS
"""A foot that taps once a second comes again after more than this."""

SENT_TOGETHER_NS: Final = 20 * MS
"""Two controls that always speak within this are one press that sends two messages."""

ENOUGH: Final = 3
"""Movements that make a verdict sure."""


@dataclass(frozen=True)
class _Train:
    """Edges close together. `length`, `gap`: from the first to the last, and the longest between two, ns; `first`,
    `last`: whether the switch was down after its first and last edge."""

    at: int
    edges: int
    length: int
    gap: int
    first: bool
    last: bool


def analyse(packets: Sequence[Packet]) -> Learned:
    """The verdict on each control of one port. `packets`: times (ns, rising) and whole messages."""
    sorted_ = sort(packets)
    verdicts = [judge(sender, points) for sender, points in sorted_.series.items()]
    starts = {sender: tuple(starts_of(points)) for sender, points in sorted_.series.items()}
    return Learned(
        verdicts=tuple(replace(verdict, beside=_beside(verdict.sender, starts)) for verdict in verdicts),
        background=sorted_.background,
        odd=sorted_.odd,
        heard=len(packets),
        span_ns=packets[-1][0] - packets[0][0] if packets else 0,
    )


def judge(sender: Sender, points: Sequence[Point]) -> Verdict:
    """The verdict on one control. `points`: at least one."""
    seen = [point.value for point in points]
    base = Verdict(
        sender=sender,
        kind=Kind.UNKNOWN,
        sure=Sure.NOT,
        movements=1,
        why="",
        low=min(seen),
        high=max(seen),
        last=seen[-1],
        values=len(set(seen)),
        softest=min((value for value in seen if value), default=0),
        heel=min(seen),
        toe=max(seen),
    )
    if sender.press_only:
        return _press_only(base, points)
    if sender.kind == "note" and base.low > 0:
        return _one_value(replace(base, varies=base.values > 1), points)
    if sender.kind != "note" and base.values > 2 and not _returns_to_zero(seen):
        return _turned(base, points)
    if base.values == 1:
        return _one_value(base, points)
    if base.values == 2 and base.low > 0 and base.high - base.low < NEAR_SHARE * sender.top:
        return _barely(base)
    if sender.kind != "note" and base.high < NEAR_SHARE * sender.top and base.high - base.low == 1 and base.high > 1:
        return _barely(base)
    base = replace(base, varies=base.values > 2)
    return _switch(base, points)


def starts_of(points: Sequence[Point]) -> list[int]:
    """When each train of messages began, ns."""
    return [point.at for at, point in enumerate(points) if at == 0 or point.at - points[at - 1].at > TRAIN_NS]


def _returns_to_zero(seen: Sequence[int]) -> bool:
    """Whether each value that is not 0 is followed by 0: a press with a strength."""
    return 0 in seen and all(a == b or 0 in (a, b) for a, b in pairwise(seen))


# -- switches ---------------------------------------------------------------------------------------------


def _press_only(base: Verdict, points: Sequence[Point]) -> Verdict:
    presses = len(starts_of(points))
    return replace(
        base,
        kind=Kind.PRESS_ONLY,
        movements=presses,
        sure=Sure.SURE if presses > 1 else Sure.NOT,
        why=f"the same message came {presses} times; it has nothing for letting go"
        if presses > 1
        else "the message came once; it has nothing for letting go",
        against="a press of the same switch that sends another message",
        wanted="" if presses > 1 else "press it twice more: does it send the same again?",
    )


def _one_value(base: Verdict, points: Sequence[Point]) -> Verdict:
    presses = len(starts_of(points))
    came = f"strengths from {base.low} to {base.high}" if base.varies else f"{base.high}"
    against = "the end of the note" if base.sender.kind == "note" and base.high else "any other value"
    if presses < ENOUGH:
        return replace(
            base,
            movements=presses,
            why=f"only {came} came, {'once' if presses == 1 else 'twice'}; it can be a switch of any kind",
            against=against,
            wanted="press it twice more, a second apart",
        )
    return replace(
        base,
        kind=Kind.REPEATS,
        closed=base.high == 0,
        sure=Sure.FAIRLY,
        movements=presses,
        why=f"{came if base.varies else f'the value {came}'} came {presses} times, with no other between",
        against=against,
    )


def _barely(base: Verdict) -> Verdict:
    return replace(
        base,
        why=f"only values from {base.low} to {base.high} came: too close for a switch, and no travel for a treadle",
        against="any other value",
        wanted="rock it from heel to toe and back, twice; or press it three times",
    )


def _trains(base: Verdict, points: Sequence[Point]) -> list[_Train]:
    """The trains of edges; messages that change nothing are no edges."""
    low = 0 if base.varies or base.sender.kind == "note" else base.low
    found: list[_Train] = []
    down: bool | None = None
    before = 0
    for point in points:
        now = point.value > low
        if now == down:
            continue
        down = now
        if found and point.at - before <= TRAIN_NS:
            train = found[-1]
            gap = max(train.gap, point.at - before)
            found[-1] = replace(train, edges=train.edges + 1, length=point.at - train.at, gap=gap, last=now)
        else:
            found.append(_Train(point.at, 1, 0, 0, now, now))
        before = point.at
    return found


def _switch(base: Verdict, points: Sequence[Point]) -> Verdict:
    trains = _trains(base, points)
    moves = [train for train in trains if train.edges % 2]
    pulses = [train for train in trains if train.edges % 2 == 0]
    usual = 2 if len(pulses) > len(moves) else 1
    bounced = [train for train in trains if train.edges > usual]
    if bounced:
        longest = max(bounced, key=lambda train: train.length)
        gap = max(train.gap for train in bounced)
        base = replace(base, bounce_edges=longest.edges, bounce_ns=longest.length, bounce_gap_ns=gap)
    if len(pulses) > len(moves):
        return _pulse(base, pulses, moves)
    if pulses:
        base = replace(base, wanted=f"{count(len(pulses), 'time')} it moved and came back within {TRAIN_NS // MS} ms")
    gaps = [later.at - earlier.at for earlier, later in pairwise(moves)]
    first, second = gaps[0::2], gaps[1::2]
    if len(moves) >= ENOUGH and _middle(first) >= APART_NS and _middle(second) >= APART_NS:
        return _latching(base, moves, gaps)
    if first and _middle(first) <= HELD_NS and (not second or _middle(first) < _middle(second)):
        return _momentary(base, moves, first, closed=not moves[0].last)
    if second and _middle(second) <= HELD_NS and _middle(second) * 3 < _middle(first) * 2:
        # The first movement was the foot leaving, or the cable going in.
        return _momentary(base, moves[1:], second, closed=moves[0].last)
    return _cannot_tell(base, moves, gaps)


def _middle(gaps: Sequence[int]) -> int:
    """The lower median; 0 of none."""
    return sorted(gaps)[(len(gaps) - 1) // 2] if gaps else 0


def _sure(presses: int) -> Sure:
    return Sure.SURE if presses >= ENOUGH else Sure.FAIRLY if presses == 2 else Sure.NOT


def _pulse(base: Verdict, pulses: Sequence[_Train], moves: Sequence[_Train]) -> Verdict:
    presses = len(pulses)
    mixed = f"; {count(len(moves), 'other movement')} did not fit" if moves else ""
    return replace(
        base,
        kind=Kind.PULSE,
        sure=Sure.FAIRLY if moves and presses >= ENOUGH else _sure(presses),
        movements=presses,
        closed=not pulses[0].first,
        why=f"{count(presses, 'press')}, each down and up within {TRAIN_NS // MS} ms{mixed}: a hold cannot be told",
        against="a foot that stays on the switch and is heard leaving it",
        wanted="" if presses >= ENOUGH else "press it twice more, and keep the foot on it once",
    )


def _latching(base: Verdict, moves: Sequence[_Train], gaps: Sequence[int]) -> Verdict:
    # Three presses of a latching switch leave it on the other side; a momentary one always comes back.
    clear = min(gaps) >= APART_NS and len(moves) % 2 == 1
    return replace(
        base,
        kind=Kind.LATCHING,
        sure=Sure.SURE if clear else Sure.FAIRLY,
        movements=len(moves),
        why=f"{count(len(moves), 'change')}, {_s(min(gaps))} to {_s(max(gaps))} s apart, one way and the other in turn",
        against="a change that follows another within half a second, as the foot goes up",
        wanted=base.wanted if clear else "press it once more, short: does one change come, or two?",
    )


def _momentary(base: Verdict, moves: Sequence[_Train], held: Sequence[int], *, closed: bool) -> Verdict:
    presses = len(moves[0::2])
    sure = _sure(presses if len(held) == presses else len(held))
    way = "up at rest, down while pressed" if closed else "down, then up"
    stayed = f"the foot stayed {min(held) // MS} to {max(held) // MS} ms"
    doubt = "; or the foot was on it when listening began" if closed else ""
    return replace(
        base,
        kind=Kind.MOMENTARY,
        sure=sure,
        movements=presses,
        closed=closed,
        why=f"{count(presses, 'press')}, each {way}; {stayed}{doubt}",
        against="a press that sends only one of the two values",
        wanted=base.wanted if sure is Sure.SURE else "press it twice more, short, a second apart",
    )


def _cannot_tell(base: Verdict, moves: Sequence[_Train], gaps: Sequence[int]) -> Verdict:
    apart = f", {_s(min(gaps))} to {_s(max(gaps))} s apart" if gaps else ""
    return replace(
        base,
        movements=max(1, len(moves)),
        why=f"{count(len(moves), 'change')} came{apart}; momentary and latching switches both do that",
        against="",
        wanted="press it twice more, short, a second apart",
    )


def _s(length_ns: int) -> str:
    return f"{length_ns / 1_000_000_000:.1f}"


# -- treadles ---------------------------------------------------------------------------------------------


def _turned(base: Verdict, points: Sequence[Point]) -> Verdict:
    gaps = [later.at - earlier.at for earlier, later in pairwise(points)]
    if min(gaps) >= STEPPED_NS:
        return replace(
            base,
            movements=len(points),
            why=f"{base.values} values came, each by itself: a switch that steps through them, or a slow foot",
            against="",
            wanted="if it is a treadle, rock it from heel to toe and back, twice, without stopping",
        )
    if base.high - base.low < NEAR_SHARE * base.sender.top:
        return _barely(base)
    travels, ends = travels_of([point.value for point in points])
    enough = travels >= ENOUGH and min(ends) >= 2
    sure = Sure.SURE if enough and base.values >= 8 else Sure.FAIRLY if travels >= 2 else Sure.NOT
    return replace(
        base,
        kind=Kind.CONTINUOUS,
        sure=sure,
        movements=travels,
        jitter=jitter_of(points, base.sender.top),
        why=f"{count(travels, 'travel')} between {base.low} and {base.high}, through {base.values} different values",
        against=f"a value below {base.low} or above {base.high}",
        wanted="" if sure is Sure.SURE else "rock it from heel to toe and back, twice, and rest at each end",
    )


# -- controls that speak at the same moment ---------------------------------------------------------------


def _beside(sender: Sender, starts: dict[Sender, tuple[int, ...]]) -> tuple[Sender, ...]:
    """The other controls that spoke every time this one did, and never else; at least twice."""
    own = starts[sender]
    if len(own) < 2:
        return ()
    return tuple(
        other
        for other, theirs in starts.items()
        if other != sender
        and len(theirs) == len(own)
        and all(abs(a - b) <= SENT_TOGETHER_NS for a, b in zip(own, theirs, strict=True))
    )
