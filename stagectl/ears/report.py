"""What a set comes to for each listener's ears: figures, and the lines and JSON that tell them.

With a level that was measured at the ear there is a dose; without one there is only how much hotter or colder than the
base the mix was, and what that does to the allowed time, whatever it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from stagectl.core.levels import Level, Off, change_text
from stagectl.ears.exposure import (
    HOUR,
    PERIODS,
    Criterion,
    Heard,
    allowed,
    average,
    dose,
    left,
    steady,
    time_factor,
)
from stagectl.ears.mix import SECOND, Course, Ears

CAUTION: Final = (
    "These are estimates. They take every input to play all the time and equally loud, and know nothing of the packs' "
    "volume knobs, of the stage around, or of the rest of the day. Local rules and a hearing professional decide."
)

SONG_MIN: Final = SECOND
"""A song that was only passed through, for less than this, ns, is not the hottest one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A level that was measured at the ear, dB(A), while the mix had a sum, hundredths of a dB; `how`: in the words of
    whoever did."""

    level: float
    mix_sum: int
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Whose ears: `base` is the sum of their mix in the base, hundredths of a dB."""

    name: str
    base: Level
    measured: Measured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What a set comes to for one listener.

    `time`: how long the set was, s. `hotter`: its average over the base, dB, with the criterion's exchange rate; None
    where one of the two is off. `factor`: what that makes of the allowed time. `hottest`: the song with the highest
    average. `song_level`: that average, as `level`, or as `hotter` where nothing was measured.

    With a measured level: `level`, the energy average at the ear, dB(A) (minus infinity for silence); `dose`, % of what
    is allowed in the criterion's period; `steady`, the level of that dose over the reference time, dB(A); `left`, how
    much longer it may go on so, s.
    """

    listener: Listener
    time: float
    silent: bool
    hotter: float | None
    factor: float | None
    hottest: str | None
    song_level: float | None
    level: float | None = None
    dose: float | None = None
    steady: float | None = None
    left: float | None = None


def figures(criterion: Criterion, listeners: Iterable[Listener], ears: Ears) -> list[Figures]:
    """The figures of a set, a listener each."""
    return [_figures(criterion, one, ears) for one in listeners]


def _figures(criterion: Criterion, listener: Listener, ears: Ears) -> Figures:
    whole = ears.whole(listener.name)
    time, base = whole.time / SECOND, listener.base
    over = average(whole.heard(), criterion.exchange)
    silent = over == -math.inf
    hotter = None if silent or isinstance(base, Off) else over - base / 100
    song = _hottest(criterion, ears, listener.name)
    out = Figures(
        listener=listener,
        time=time,
        silent=silent,
        hotter=hotter,
        factor=None if hotter is None else time_factor(criterion, hotter),
        hottest=None if song is None else song[0],
        song_level=None if song is None or isinstance(base, Off) else song[1] - base / 100,
    )
    return out if listener.measured is None else _at_ear(criterion, out, listener.measured, ears)


def _at_ear(criterion: Criterion, out: Figures, measured: Measured, ears: Ears) -> Figures:
    """The figures with those that a measured level allows."""
    heard = at_ear(ears.whole(out.listener.name), measured)
    used = dose(criterion, heard)
    songs = ears.songs(out.listener.name)
    return replace(
        out,
        song_level=None if out.hottest is None else average(at_ear(songs[out.hottest], measured)),
        level=average(heard),
        dose=used,
        steady=steady(criterion, used),
        left=left(criterion, used, out.time),
    )


def at_ear(course: Course, measured: Measured) -> list[Heard]:
    """What was heard, dB(A) and s: the measured level, moved by as much as the mix has moved since."""
    return [(measured.level + level, time) for level, time in course.heard(-measured.mix_sum)]


def _hottest(criterion: Criterion, ears: Ears, name: str) -> tuple[str, float] | None:
    """The song with the highest average, and that; None where nothing was heard."""
    songs = ears.songs(name)
    stayed = {song: course for song, course in songs.items() if course.time >= SONG_MIN} or songs
    averages = {song: average(course.heard(), criterion.exchange) for song, course in stayed.items()}
    song = max(averages, key=lambda song: averages[song], default=None)
    return None if song is None or averages[song] == -math.inf else (song, averages[song])


# -- in words ---------------------------------------------------------------------------------------------


def lines(criterion: Criterion, found: Sequence[Figures], notes: Sequence[str] = ()) -> list[str]:
    """The figures in lines for people, with what they rest on."""
    time = max((one.time for one in found), default=0.0)
    if not time:
        return ["Ears: nothing was recalled, so there is nothing to add up."]
    out = [
        f"Ears: {long(time)} from the first recall on, by what the desk was asked for. {criterion.name}: "
        f"{criterion.level:g} dB(A) for {criterion.reference / HOUR:g} h a {criterion.period}, "
        f"half as long for each {criterion.exchange:.2g} dB."
    ]
    for one in found:
        out.append(f"  {one.listener.name}: {_one(criterion, one)}")
        measured = one.listener.measured
        if measured is not None:
            at = f"{measured.level:g} dB(A) at a mix sum of {change_text(measured.mix_sum)} dB"
            out.append(f"    measured: {at}: {measured.how}")
    return [*out, *(f"  Note: {note}." for note in notes), f"  {CAUTION}"]


def _one(criterion: Criterion, one: Figures) -> str:
    if one.silent:
        return "off all the time"
    if one.level is None or one.dose is None or one.left is None:
        return _relative(one)
    hour = f", {_percent(one.dose * HOUR / one.time)} an hour" if one.dose else ""
    used = f"{_percent(one.dose)} of the {criterion.period}'s dose{hour}"
    where = f". Hottest: {one.hottest}, {one.song_level:.1f} dB(A)" if one.song_level is not None else ""
    return f"{one.level:.1f} dB(A) on average, {used}; {_left(criterion, one)}{where}."


def _relative(one: Figures) -> str:
    if one.hotter is None or one.factor is None:
        return "not measured, and the base of this mix is off, so there is nothing to compare with."
    song = "" if one.song_level is None else f" Hottest: {one.hottest}, {_against(one.song_level)}."
    if abs(one.hotter) < 0.05:
        return f"as hot as base: the allowed time is the same.{song}"
    return f"{_against(one.hotter)}: the allowed time is {_factor(one.factor)} times as long.{song}"


def _against(hotter: float) -> str:
    if abs(hotter) < 0.05:
        return "as hot as base"
    return f"{abs(hotter):.1f} dB {'hotter' if hotter > 0 else 'colder'} than base"


def _left(criterion: Criterion, one: Figures) -> str:
    assert one.left is not None
    if one.left == 0:
        return f"nothing is left of the {criterion.period}'s dose"
    if one.left > PERIODS[criterion.period] - one.time:
        return f"at this level the {criterion.period} ends before it is used up"
    return f"at this level {long(one.left)} left of the {criterion.period}"


def _percent(value: float) -> str:
    return f"{_number(value)} %"


def _factor(value: float) -> str:
    return f"{value:.2f}" if 0.1 <= value < 9.95 else _number(value)


def _number(value: float) -> str:
    """Two digits that say something: `0.012`, `3.4`, `120`."""
    return f"{value:,.0f}" if value >= 9.95 else f"{value:.2g}" if value >= 0.001 else "less than 0.001"


def long(seconds: float) -> str:
    """A length of time, never longer than it is: `12 s`, `2 min 49 s`, `3 h 38 min`."""
    whole = int(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours:,} h {minutes} min"


# -- as JSON ----------------------------------------------------------------------------------------------


def as_json(criterion: Criterion, found: Sequence[Figures], at: int, notes: Sequence[str] = ()) -> dict[str, Any]:
    """One object for programs: seconds, dB and percent; what is infinite or not known is null. `at`: when, ns."""
    return {
        "kind": "ears",
        "at": round(at / SECOND, 6),
        "criterion": {
            "name": criterion.name,
            "clause": criterion.clause,
            "level_dba": criterion.level,
            "reference_s": criterion.reference,
            "exchange_db": round(criterion.exchange, 4),
            "per": criterion.period,
        },
        "over_s": round(max((one.time for one in found), default=0.0), 6),
        "listeners": [_object(criterion, one) for one in found],
        "notes": list(notes),
        "caution": CAUTION,
    }


def _object(criterion: Criterion, one: Figures) -> dict[str, Any]:
    base, measured = one.listener.base, one.listener.measured
    out: dict[str, Any] = {
        "listener": one.listener.name,
        "base_sum_db": "off" if isinstance(base, Off) else base / 100,
        "silent": one.silent,
        "hotter_than_base_db": _rounded(one.hotter),
        "allowed_time_factor": _rounded(one.factor),
        "hottest_song": one.hottest,
    }
    if measured is None:
        return out | {"hottest_song_over_base_db": _rounded(one.song_level)}
    return out | {
        "hottest_song_dba": _rounded(one.song_level),
        "measured": {"level_dba": measured.level, "mix_sum_db": measured.mix_sum / 100, "how": measured.how},
        "average_dba": _rounded(one.level),
        "allowed_at_average_s": None if one.level is None else _rounded(allowed(criterion, one.level)),
        "dose_percent": _rounded(one.dose),
        "steady_dba": _rounded(one.steady),
        "left_s": _rounded(one.left),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 4)
