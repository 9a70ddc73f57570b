"""How a desk says its levels, worked out from what it said while a hand moved some of them.

Pure: moves with the messages heard meanwhile in, verdicts out. Sorting is in `desk_hearing`, what follows the hand in
`desk_pick`, the numbers in `desk_place`, the law in `desk_law`. What does not fit is told, never smoothed over.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from stagectl.core.levels import Off, text
from stagectl.learn.desk_hearing import over_osc, voices_of
from stagectl.learn.desk_law import Fitted, Mark, NoLaw, fit, off_apart, over_other_codes, worst_of
from stagectl.learn.desk_moves import Part, Spot, Way, climb, rising, straight
from stagectl.learn.desk_pick import Picked, pick
from stagectl.learn.desk_place import Placed, place
from stagectl.learn.desk_voices import Sample, Voice, Voices
from stagectl.learn.verdict import Sure, count
from stagectl.wire.laws import Code

SETTLES: Final = 5
"""The top of a sweep is the highest of its last few values."""

LEVELS_SHARE: Final = 0.75
"""A shape that follows the hand for fewer levels than this share of the best one's is not compared with it."""

TOLD_MAX: Final = 8
"""Voices of a kind that are named one by one."""

CLEARLY: Final = 0.8
"""A voice that rises so straight through a sweep follows the hand, even if it comes along with every move."""


@dataclass(frozen=True)
class Said:
    """How one kind of level is said. `marks`: how many could be used; `heard`: values in all; `values`: how many
    different ones; `finest`: the smallest distance between two; `ends`: the values of the bottom and the top;
    `unread`: marks that could not be used."""

    placed: Placed
    voices: dict[Spot, Voice]
    fitted: Fitted | None
    no_law: str = ""
    marks: int = 0
    heard: int = 0
    values: int = 0
    finest: Code = 0
    ends: tuple[Code, Code] = (0, 0)
    unread: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether a profile can say it."""
        return self.fitted is not None and not self.placed.cannot


@dataclass(frozen=True, kw_only=True)
class LearnedDesk:
    """What one link said. `anyway`: what came along with the moves of most levels, with its messages; `background`:
    real-time messages, by name; `odd`: what was left out, by reason; `against`: contradictions; `wanted`: what to do to
    be sure; all in words. `mute`: what followed the hand, but says no level. `heard`: messages in all; `span_ns`: from
    the first to the last."""

    over: str
    send: Said | None
    whole: Said | None
    moves: int
    anyway: tuple[str, ...]
    background: Counter[str]
    odd: Counter[str]
    against: tuple[str, ...]
    wanted: tuple[str, ...]
    heard: int
    span_ns: int
    mute: Voice | None = None

    @property
    def cannot(self) -> tuple[str, ...]:
        """Why no profile can be written; empty where one can."""
        if self.send is None:
            if self.mute is None:
                return ("no message followed the hand",)
            why = f"{self.mute} came along with it, but {self.mute.shape.odd}"
            return (f"no message followed the hand that says its level in a number: {why}",)
        return self.send.placed.cannot + ((self.send.no_law,) if self.send.fitted is None else ())

    @property
    def sure(self) -> Sure:
        """The least sure of its verdicts."""
        if self.cannot or self.send is None or self.send.fitted is None:
            return Sure.NOT
        order = (Sure.NOT, Sure.FAIRLY, Sure.SURE)
        return min(self.send.placed.sure, self.send.fitted.sure, key=order.index)


def analyse(parts: Sequence[Part]) -> LearnedDesk:
    """The verdict on one link. `parts`: the moves in their order, with what was heard during each."""
    voices = voices_of(parts)
    spots = list(dict.fromkeys(move.spot for move, _ in parts if move.spot is not None))
    sends, wholes = [one for one in spots if one.input is not None], [one for one in spots if one.input is None]
    picked, whole_picked = pick(parts, voices, sends), pick(parts, voices, wholes)
    send = _said(parts, voices, picked, whole=False, like=None)
    whole = _said(parts, voices, whole_picked, whole=True, like=send)
    against = [*_of(send, sends, picked), *_of(whole, wholes, whole_picked)]
    silent = {spot for spot in spots if all(said is None or spot not in said.voices for said in (send, whole))}
    against += _anyway_rises(parts, voices, picked, silent)
    wanted = [words for said in (send, whole) if said is not None for words in _wanted(said)]
    if not sends:
        wanted.insert(0, "move input 1 of mix 1 from its bottom to its top")
    times = [at for _, packets in parts for at, _ in packets]
    return LearnedDesk(
        over="osc" if over_osc(parts) else "midi",
        send=send,
        whole=whole,
        moves=len(parts),
        anyway=tuple(_anyway(parts, voices, picked)),
        background=voices.background,
        odd=voices.odd,
        against=tuple(against),
        wanted=tuple(dict.fromkeys(wanted)),
        heard=voices.heard,
        span_ns=max(times) - min(times) if times else 0,
        mute=picked.mute,
    )


NO_MARK: Final = (
    "no mark of a whole mix was moved, and its scale may be another one than the sends'; set whole mix 1 to some marks "
    "of it, from `off` up, with 0 dB and the top among them"
)


def _said(parts: Sequence[Part], voices: Voices, picked: Picked, *, whole: bool, like: Said | None) -> Said | None:
    """The best of the shapes that follow the hand: one that a profile can say, with the law that most marks tell."""
    most = max((len(own) for _, own in picked.shapes), default=0)
    tried = [
        _judge(parts, voices, own, place(shape, own, whole), like)
        for shape, own in picked.shapes
        if len(own) >= LEVELS_SHARE * most
    ]

    def merit(said: Said) -> tuple[bool, int, bool, int, bool]:
        known = said.fitted is not None and said.fitted.typed["law"] != "points"
        return said.usable, said.placed.explained, said.fitted is not None, said.marks, known

    return max(tried, key=merit, default=None)


def _judge(parts: Sequence[Part], voices: Voices, own: dict[Spot, Voice], placed: Placed, like: Said | None) -> Said:
    """The law and the figures of one place."""
    samples = {
        spot: [one for one in voices.series[voice] if parts[one.part][0].spot == spot] for spot, voice in own.items()
    }
    heard = [one.value for series in samples.values() for one in series]
    different = sorted(set(heard))
    marks, unread = _marks(parts, voices, own)
    falling = _falls(parts, samples)
    off = off_apart(marks, falling)
    ends = _ends(parts, samples, off, falling)
    said = Said(
        placed,
        own,
        None,
        marks=len(set(marks)),
        heard=len(heard),
        values=len(different),
        finest=min((after - before for before, after in pairwise(different)), default=0),
        ends=ends,
        unread=unread,
    )
    if like is not None and all(isinstance(mark.level, Off) for mark in marks):
        return replace(said, no_law=NO_MARK)
    try:
        fitted = fit(marks, [one for one in heard if one != off], ends, placed.shape.codes, falling=falling)
    except NoLaw as error:
        return replace(said, fitted=_like(said, like, marks), no_law=str(error))
    if fitted.sure is Sure.SURE:
        return replace(said, fitted=fitted)
    return replace(said, fitted=_like(said, like, marks) or fitted)


def _like(said: Said, like: Said | None, marks: Sequence[Mark]) -> Fitted | None:
    """The law of the sends, where every mark of a whole mix agrees with it, though they alone tell none: the same, or
    as the law of General MIDI 2 is one of shares of the highest value, over values of another width."""
    fitted = None if like is None else like.fitted
    if like is None or fitted is None:
        return None
    codes = said.placed.shape.codes
    own = fitted if codes == like.placed.shape.codes else over_other_codes(fitted, codes)
    worst = None if own is None else worst_of(own.law, marks)
    if own is None or worst is None:
        return None
    why = (
        f"the sends' law: {count(len(marks), 'mark')} of a whole mix {'agree' if len(marks) > 1 else 'agrees'} with it"
    )
    why += f", the worst within {worst / 100:.2f} dB" if len(marks) > 1 else ""
    return replace(own, sure=Sure.FAIRLY, why=why, notes=(), against=(), wanted="")


def _falls(parts: Sequence[Part], samples: dict[Spot, list[Sample]]) -> bool:
    """Whether the values fell while hands went up. Marks do not tell it: two of them may have been mixed up."""
    risen = 0.0
    for series in samples.values():
        swept = (part for part in {one.part for one in series} if parts[part][0].way is Way.SWEEP)
        for values in ([one.value for one in series if one.part == part] for part in swept):
            risen += straight(values) - straight([-value for value in values])
    return risen < 0


def _ends(
    parts: Sequence[Part], samples: dict[Spot, list[Sample]], off: Code | None, falling: bool
) -> tuple[Code, Code]:
    """The values of the bottom and the top: where sweeps began and ended, and marks. `off`: a value beyond all levels
    that means off, which is neither."""
    low, high = (max, min) if falling else (min, max)
    settled: list[Code] = []
    for series in samples.values():
        for part in {one.part for one in series}:
            values = [one.value for one in series if one.part == part and one.value != off]
            if not values:
                continue
            if parts[part][0].way is Way.SWEEP:
                settled += [low(values), high(values[-SETTLES:])]
            elif parts[part][0].way is Way.MARK:
                settled.append(values[-1])
    every = settled or [one.value for series in samples.values() for one in series]
    return low(every), high(every)


def _marks(parts: Sequence[Part], voices: Voices, own: dict[Spot, Voice]) -> tuple[list[Mark], tuple[str, ...]]:
    """The values at which the hand came to rest, and the marks that were said by a packet that could not be read. A
    fader that is at its mark already says nothing: what it said last counts."""
    found, unread = [], []
    for at, (move, _) in enumerate(parts):
        if move.way is not Way.MARK or move.level is None or move.spot not in own:
            continue
        voice = own[move.spot]
        before = [one.value for one in voices.series[voice] if one.part <= at]
        if voices.is_refused(voice, at):
            unread.append(f"the mark {text(move.level)} is left out: a packet came meanwhile that cannot be read")
        elif before:
            found.append(Mark(move.level, before[-1]))
    return found, tuple(unread)


# -- in words ---------------------------------------------------------------------------------------------


def _of(said: Said | None, spots: Sequence[Spot], picked: Picked) -> list[str]:
    """What contradicts a kind of level."""
    voices = {} if said is None else said.voices
    told = [f"no message followed the hand on {spot}" for spot in spots if spot not in voices]
    for spot, others in picked.beside.items():
        others = [voice for voice in others if voice != voices.get(spot)]
        if others and spot in voices:
            told.append(f"{spot} moved {voices[spot]}, and with it {_some(others)}")
    if said is not None:
        told += [*said.placed.against, *said.unread]
        told += () if said.fitted is None else said.fitted.against
    return told


def _wanted(said: Said) -> list[str]:
    law = said.no_law if said.fitted is None else said.fitted.wanted
    return [*said.placed.wanted, *((law,) if law else ())]


def _some(voices: Sequence[Voice]) -> str:
    more = f" and {len(voices) - TOLD_MAX} more" if len(voices) > TOLD_MAX else ""
    return ", ".join(map(str, voices[:TOLD_MAX])) + more


def _anyway(parts: Sequence[Part], voices: Voices, picked: Picked) -> list[str]:
    """What came along, the busiest first; the same shape at many numbers on one line."""
    shapes: dict[object, list[Voice]] = {}
    for voice in picked.anyway:
        shapes.setdefault(voice.shape, []).append(voice)
    lines = []
    for same in sorted(shapes.values(), key=lambda one: -sum(len(voices.series[voice]) for voice in one)):
        messages = sum(len(voices.series[voice]) for voice in same)
        moves = max(picked.anyway[voice] for voice in same)
        more = f" and {len(same) - 1} like it" if len(same) > 1 else ""
        lines.append(f"{same[0]}{more} ({count(messages, 'message')}, during {moves} of {len(parts)} moves)")
    return lines


def _anyway_rises(parts: Sequence[Part], voices: Voices, picked: Picked, silent: set[Spot]) -> list[str]:
    """What came along with most moves, but rose with a sweep of a level that nothing else said, as its value would."""
    told = []
    for voice in picked.anyway:
        samples = voices.series[voice]
        if any(parts[one.part][0].way is Way.NOTHING for one in samples):
            continue
        for at, (move, _) in enumerate(parts):
            values = [one.value for one in samples if one.part == at]
            if move.way is not Way.SWEEP or move.spot not in silent or not values:
                continue
            if len(set(climb(values))) > SETTLES and rising(climb(values)) >= CLEARLY:
                told.append(f"{voice} rose while {move.spot} did, but it came along with the moves of other levels too")
                break
    return told
