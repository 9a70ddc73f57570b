"""The value law, from the marks of the desk's own scale.

Pure. Known laws are tried first: the volume law of General MIDI 2, values that count even steps of dB, OSC values that
are the dB. A law is taken where it is within `NEAR` of every mark, or within half a value. Where none is, the marks
themselves are the law, with straight lines between them: no more is known. What is asked for below the lowest of them
would go to the desk as that one, too loud, so they have to go down to off and near it. Values may fall as the level
rises: no known law does, and points say it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby, pairwise
from statistics import median_low
from typing import Any, Final, NamedTuple

from pydantic import ValidationError

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, Level, Off, change_text, hundredths, text
from stagectl.errors import WireError
from stagectl.learn.verdict import Sure, count
from stagectl.show.value_laws import Codes, DbValues, Gm2Values, PointsValues, Values
from stagectl.wire.laws import Code, Law, StepLaw

NEAR: Final = 10
"""A mark is read as well as this, in hundredths of a dB: scales show tenths."""

MARKS_SURE: Final = 3
"""Marks, besides off, that make a known law sure."""

GAP: Final = 0.3
"""A part of the travel larger than this without a mark is told."""

LOW: Final = -3_000
"""The lowest level that is marked has to be at or below this, hundredths of a dB: the desk gets it for all that is
below."""

AT_BOTTOM: Final = 0.02
"""A mark that is so near to the bottom, as a part of the travel, is the desk's lowest level, whatever that is."""

LEAP: Final = 8
"""A first step above off that is so many times as long as the others is no step: values were left out there."""

MARKS_WANTED: Final = "marks of its scale from `off` up, such as off, -30, -10 and 0 dB, the lowest near the bottom"
"""What makes a law of marks."""

STEP_DEFAULT: Final = 10
"""The distance between two levels of a real number, hundredths of a dB, where nothing else is known."""


class Mark(NamedTuple):
    """A place on the desk's scale: what the desk showed, and the value that it said."""

    level: Level
    code: Code


@dataclass(frozen=True)
class Fitted:
    """A value law. `typed`: as the file says it. `why`: the evidence; `notes`: what it does not cover; `against`: what
    contradicts it; `wanted`: what to do to be sure."""

    values: Values
    law: Law = field(compare=False)
    typed: dict[str, Any]
    sure: Sure
    why: str
    notes: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    wanted: str = ""


class NoLaw(Exception):
    """No law can be told. The message says why, and what to do."""


def off_apart(marks: Sequence[Mark], falling: bool) -> Code | None:
    """The value that means off, where it stands beyond that of the highest level."""
    off = {mark.code for mark in marks if isinstance(mark.level, Off)}
    levels = [mark.code for mark in marks if not isinstance(mark.level, Off)]
    if len(off) != 1 or not levels:
        return None
    value = off.pop()
    return value if (value < min(levels) if falling else value > max(levels)) else None


def over_other_codes(fitted: Fitted, codes: Codes) -> Fitted | None:
    """A law over other values than those that told it; None unless it is one of shares of the highest value."""
    made = _built(fitted.typed, codes) if fitted.typed["law"] == "gm2" else None
    return None if made is None else replace(fitted, values=made[0], law=made[1])


def fit(
    marks: Sequence[Mark], heard: Sequence[Code], ends: tuple[Code, Code], codes: Codes, *, falling: bool = False
) -> Fitted:
    """The law. `heard`: every value that the levels said; `ends`: those of the bottom and the top, both without a value
    that means off and is apart; `codes`: the values that can be said; `falling`: they fell as the hand went up. Raises
    NoLaw."""
    apart = off_apart(marks, falling)
    kept, against = _in_order([mark for mark in marks if mark.code != apart], falling)
    kept += sorted({mark for mark in marks if mark.code == apart})
    levels = [mark for mark in kept if not isinstance(mark.level, Off)]
    if len({mark.level for mark in levels}) < 2:
        raise NoLaw(
            f"{count(len(levels), 'usable mark')} with a level tells no law; set a send to {MARKS_WANTED}"
            + "".join(f"; {one}" for one in against)
        )
    off = next((mark.code for mark in kept if isinstance(mark.level, Off)), None)
    fitted = _fit(kept, levels, off, heard, ends, codes, against)
    if fitted.law.grid.has_off:
        return fitted
    return replace(fitted, notes=(*fitted.notes, "no mark was off: the desk's lowest level stands in for it"))


def _fit(
    kept: Sequence[Mark],
    levels: Sequence[Mark],
    off: Code | None,
    heard: Sequence[Code],
    ends: tuple[Code, Code],
    codes: Codes,
    against: list[str],
) -> Fitted:
    """The known law that is near enough to every mark, else the marks."""
    if codes.high is None:
        known = [_decibels(levels, off, ends, heard)]
    else:
        known = [_gm2(codes.high), _even(levels, off, ends, heard)]
    for typed, words in (one for one in known if one is not None):
        made = _built(typed, codes)
        if made is not None and (worst := worst_of(made[1], kept)) is not None:
            few = len(levels) < MARKS_SURE
            # Any two marks lie on a straight line.
            any_two = codes.high is not None and typed["law"] != "gm2"
            sure = Sure.NOT if few and any_two else Sure.FAIRLY if few or against else Sure.SURE
            why = f"{words}; {count(len(levels), 'mark')} agree, the worst within {worst / 100:.2f} dB"
            wanted = "set a send to one more mark of its scale" if few else ""
            return Fitted(*made, typed, sure, why, _notes_known(levels), tuple(against), wanted)
    once, several = _each_once(kept)
    return _points(once, off, heard, ends, codes, against + several)


def _built(typed: dict[str, Any], codes: Codes) -> tuple[Values, Law] | None:
    """The model and its law; None where the numbers do not fit."""
    models: dict[str, type[Values]] = {"gm2": Gm2Values, "db": DbValues, "points": PointsValues}
    try:
        values = models[typed["law"]].model_validate(typed)
        return values, values.build(codes)
    except (ValidationError, ValueError, WireError):
        return None


def _in_order(marks: Sequence[Mark], falling: bool) -> tuple[list[Mark], list[str]]:
    """The marks by their levels; those whose values contradict most others are left out and told."""
    against: list[str] = []
    way = "fall" if falling else "rise"
    kept = sorted(set(marks), key=lambda mark: (_height(mark.level), mark.code))
    while True:
        wrong = {mark: sum(_crossed(mark, other, falling) for other in kept) for mark in kept}
        # Of two that contradict each other alone, off stays: what is below the marks hangs on it.
        worst = max(kept, key=lambda mark: (wrong[mark], not isinstance(mark.level, Off)), default=None)
        if worst is None or not wrong[worst]:
            return kept, against
        other = next(mark for mark in kept if _crossed(worst, mark, falling))
        kept.remove(worst)
        against.append(
            f"the mark {text(worst.level)} was said as {worst.code:.7g}, but {text(other.level)} as {other.code:.7g}: "
            f"values have to {way} with the level; {text(worst.level)} is left out"
        )


def _each_once(kept: Sequence[Mark]) -> tuple[list[Mark], list[str]]:
    """One value for each level; a level that was said in several ways is told."""
    once, against = [], []
    for level, same in groupby(kept, key=lambda mark: mark.level):
        codes = [mark.code for mark in same]
        once.append(Mark(level, median_low(codes)))
        if len(codes) > 1:
            said = " and ".join(f"{code:.7g}" for code in codes)
            against.append(f"the mark {text(level)} was said as {said}; {once[-1].code:.7g} is taken")
    return once, against


def _crossed(one: Mark, other: Mark, falling: bool) -> bool:
    rises = (one.code < other.code) == (_height(one.level) < _height(other.level))
    return one.level != other.level and (one.code == other.code or rises is falling)


def _height(level: Level) -> int:
    return -(10**9) if isinstance(level, Off) else level


def worst_of(law: Law, marks: Sequence[Mark]) -> int | None:
    """How far the law is from the marks at most, hundredths of a dB; None where it is too far."""
    worst = 0
    for level, code in marks:
        try:
            said = law.level(code)
        except WireError:
            return None
        if isinstance(said, Off) or isinstance(level, Off):
            if said is not level:
                return None
            continue
        if abs(said - level) > max(NEAR, _half_a_value(law, code)):
            return None
        worst = max(worst, abs(said - level))
    return worst


def _half_a_value(law: Law, code: Code) -> int:
    """Half of the distance to the next value, where values are whole numbers."""
    if not isinstance(law, StepLaw):
        return 0
    at = int(code) - law.first
    near = [level for level in law.levels[max(0, at - 1) : at + 2] if not isinstance(level, Off)]
    return max((after - before for before, after in pairwise(near)), default=0) // 2


# -- known laws -------------------------------------------------------------------------------------------


def _gm2(highest: int) -> tuple[dict[str, Any], str]:
    return {"law": "gm2"}, f"the volume law of General MIDI 2, 40·log10(value / {highest}) dB"


def _even(
    levels: Sequence[Mark], off: Code | None, ends: tuple[Code, Code], heard: Sequence[Code]
) -> tuple[dict[str, Any], str] | None:
    """Values that count even steps of dB."""
    low, high = levels[0], levels[-1]
    step = _step(low, high)
    if step is None:
        return None
    base = median_low([_hundredths(mark) - step * int(mark.code) for mark in levels])
    first, last = map(int, ends)
    if off is not None and off <= ends[1]:
        # Off stands just below the first value, or above all of them.
        if off != ends[0] or _leaps(off, heard):
            return None
        first = int(off) + 1
    typed = _db(base + step * first, base + step * last, step, {"first": first, "off": off})
    return None if typed is None else (typed, f"each value is {step / 100:g} dB more than the one before")


def _db(lowest: int, highest: int, step: int, values: Mapping[str, Code | None]) -> dict[str, Any] | None:
    """The law as a file says it; None where no file can name its levels. `values`: what else is said, where it is."""
    if not LEVEL_MIN <= lowest < highest <= LEVEL_MAX:
        return None
    typed = {"law": "db", "lowest": _level(lowest), "highest": _level(highest), "step": f"{step / 100:g}"}
    return typed | {key: str(int(value)) for key, value in values.items() if value is not None}


def _leaps(off: Code, heard: Sequence[Code]) -> bool:
    """Whether the values leave out a stretch above off."""
    passing = sorted({off, *(code for code in heard if code > off)})
    gaps = [after - before for before, after in pairwise(passing)]
    return bool(gaps) and gaps[0] > LEAP * median_low(gaps)


def _hundredths(mark: Mark) -> int:
    assert not isinstance(mark.level, Off)
    return mark.level


def _step(low: Mark, high: Mark) -> int | None:
    """The distance between two values, hundredths of a dB: the roundest number that two marks allow, where each is read
    as well as `NEAR`; a number of tenths of a dB, where the hand may have been half a value off."""
    across = float(high.code - low.code)
    slope = (_hundredths(high) - _hundredths(low)) / across
    near, half = 2 * NEAR / across, max(slope, 2 * NEAR) / across
    for unit, blur in ((100, half), (50, half), (25, half), (10, half), (5, near), (1, near)):
        step = round(slope / unit) * unit
        if step >= 1 and abs(step - slope) <= blur + 1e-9:
            return step
    return None


def _decibels(
    levels: Sequence[Mark], off: Code | None, ends: tuple[Code, Code], heard: Sequence[Code]
) -> tuple[dict[str, Any], str] | None:
    """OSC values that are the dB."""
    if any(abs(mark.code * 100 - _hundredths(mark)) > NEAR for mark in levels):
        return None
    passing = sorted({hundredths(code) for code in heard if off is None or code > off or off > ends[1]})
    if off is not None and off != int(off):
        return None
    typed = _db(passing[0], hundredths(ends[1]), _grain(passing), {"off": off})
    return None if typed is None else (typed, "the value is the level in dB")


def _grain(passing: Sequence[int]) -> int:
    """The step that all levels are multiples of; a finer one than a tenth is no use."""
    grain = math.gcd(*(after - before for before, after in pairwise(passing)))
    return grain if STEP_DEFAULT <= grain <= 100 else STEP_DEFAULT


def _notes_known(levels: Sequence[Mark]) -> tuple[str, ...]:
    low, high = levels[0].level, levels[-1].level
    return (f"marks go from {text(low)} to {text(high)}; beyond them the law is carried on",)


# -- points -----------------------------------------------------------------------------------------------


def _points(
    kept: Sequence[Mark],
    off: Code | None,
    heard: Sequence[Code],
    ends: tuple[Code, Code],
    codes: Codes,
    against: list[str],
) -> Fitted:
    """The marks themselves, by their levels. Raises NoLaw where what is below them is not known."""
    levels = [mark for mark in kept if not isinstance(mark.level, Off)]
    by_value = sorted(kept, key=lambda mark: mark.code)
    typed: dict[str, Any] = {"law": "points", "points": [[_number(code), _level(level)] for level, code in by_value]}
    made = _built(typed, codes)
    if made is None:
        raise NoLaw(f"no law goes through the marks {', '.join(f'{mark.code:.7g}' for mark in by_value)}")
    _check_low(levels, off, heard, ends)
    (bottom, top), across = ends, float(abs(ends[1] - ends[0])) or 1.0
    notes = []
    for before, after in pairwise(kept):
        if abs(after.code - before.code) > GAP * across:
            notes.append(f"no mark between {text(before.level)} and {text(after.level)}: a straight line is guessed")
    if _outside(bottom, kept[0], levels[-1]):
        notes.append(f"values from {bottom:.7g} to before {kept[0].code:.7g} are below the lowest mark, and unknown")
    if _outside(top, levels[-1], levels[0]):
        notes.append(f"values beyond {levels[-1].code:.7g} to {top:.7g} are above the highest mark, and unknown")
    if off is not None and codes.high is not None and abs(levels[0].code - off) > 1 and kept[0].code == off:
        notes.append(f"values from {off:.7g} to before {levels[0].code:.7g} count as off: no mark is lower")
    enough = len(levels) > MARKS_SURE and not notes and not against
    return Fitted(
        *made,
        typed,
        Sure.FAIRLY if enough else Sure.NOT,
        f"no known law fits; straight lines between {count(len(kept), 'mark')} of the desk's scale",
        tuple(notes),
        tuple(against),
        "" if enough else "set a send to more marks of its scale, the lowest above off and the highest too",
    )


def _outside(end: Code, mark: Mark, other: Mark) -> bool:
    """Whether an end of the travel is beyond a mark, seen from another one."""
    return end < mark.code < other.code or end > mark.code > other.code


def _check_low(levels: Sequence[Mark], off: Code | None, heard: Sequence[Code], ends: tuple[Code, Code]) -> None:
    """Raises NoLaw unless the marks go down far enough."""
    lowest, highest = levels[0], levels[-1]
    passed = [code for code in (*heard, ends[0]) if code != off]
    bottom = (max if lowest.code > highest.code else min)(passed, default=ends[0])
    up = abs(lowest.code - bottom) / (float(abs(ends[1] - bottom)) or 1.0)
    if not _outside(bottom, lowest, highest) or up <= AT_BOTTOM:
        # The desk's lowest level is known; where off is, too, so is all that can be asked for.
        if off is not None or _hundredths(lowest) <= LOW:
            return
        raise NoLaw(f"no mark is off, and the lowest is {text(lowest.level)}; set a send to {MARKS_WANTED}")
    if off is None or up > GAP or _hundredths(lowest) > LOW:
        below = f"nothing is known below {text(lowest.level)}, the lowest mark, which is {up:.0%} up the travel"
        raise NoLaw(f"{below}{'' if off is not None else ', and no mark is off'}; set a send to {MARKS_WANTED}")


def _number(code: Code) -> str:
    """As short as a 32-bit real number can be told from its neighbours."""
    short = f"{code:.7g}"
    return short if "e" not in short else f"{code:.9f}"


def _level(level: Level) -> str:
    return "off" if isinstance(level, Off) else change_text(level).lstrip("+")
