"""The changes of a show as a table, and what is to be said about their time on the wire."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from stagectl.cli.common import aligned, count
from stagectl.core.levels import plain_text, text
from stagectl.core.rise import AT_ONCE_NS, SECOND_NS
from stagectl.story.rows import stop_names
from stagectl.story.words import place

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show
    from stagectl.show.summary import Change

ROWS_MAX: Final = 60
"""Changes that are listed one by one; of a longer set, the `LONGEST` that take longest on the wire."""

LONGEST: Final = 20

HEAD: Final = ("", "levels", "to/from off", "bytes", "on the wire", "fade", "biggest jump")

LEFT: Final = (0, 6)
"""The columns that begin at the left; numbers end at the right."""

TENTH_NS: Final = 100_000_000


def table(show: Show, plan: Plan, everything: Change, changes: Sequence[Change], whole: bool) -> Iterator[str]:
    """The lines of the table; `whole`: however long the set is."""
    link = {"din": "a MIDI cable (31,250 baud, 320 µs a byte)", "usb": "USB"}[show.rig.desk.link]
    yield f"  changes, as the desk is told over {'OSC' if show.profile.over == 'osc' else link}:"
    listed = list(changes)
    if not whole and len(listed) > ROWS_MAX:
        order = sorted(changes, key=lambda change: -change.wire_ns)
        listed = sorted(order[:LONGEST], key=lambda change: change.stop)
    rows = [HEAD, ("everything, at the first press", *_cells(plan, everything))]
    for change in listed:
        song, section = stop_names(plan, change.stop)
        alone = section is None or len(listed) < len(changes)
        rows.append((place(song, section) if alone else f"  {section}", *_cells(plan, change)))
    yield from aligned(rows, LEFT)
    if len(listed) < len(changes):
        most = _time(order[LONGEST].wire_ns)
        yield f"    … and {len(changes) - len(listed)} more, none longer on the wire ({most}); `--all` lists them"


def _cells(plan: Plan, change: Change) -> tuple[str, ...]:
    switched, send, before, after = change.biggest
    jump = "" if send is None else f"{plan.send_name(send)}: {text(before)} → {text(after)}"
    return (
        str(change.levels),
        str(switched or ""),
        f"{change.bytes:,}",
        _time(change.wire_ns),
        _seconds(change.fade_ns) if change.fade_ns else "cut",
        jump,
    )


def _time(ns: int) -> str:
    """A time on the wire: `under 1 ms`, `9.6 ms`, `77 ms`, `1.23 s`."""
    ms = ns / 1_000_000
    if ms >= 1_000:
        return _seconds(ns)
    return "under 1 ms" if ms < 1 and ns else f"{ms:.0f} ms" if ms >= 10 else f"{ms:.1f} ms"


def _seconds(ns: int) -> str:
    """`0.5 s`, `12 s`."""
    return f"{ns / 1_000_000_000:.2f}".rstrip("0").rstrip(".") + " s"


def wire_notes(show: Show, plan: Plan, everything: Change, changes: Sequence[Change]) -> Iterator[str]:
    """Fades and cuts for which the wire is too slow."""
    usb = ", or `link: usb` where the desk is on USB" if show.profile.over == "midi" and _is_din(show) else ""
    if everything.is_held_up and everything.is_slow_to_rise:
        yield f"the first press, where the desk begins with all `off`: {_held_up(plan, everything, usb)}"
    for change in changes:
        name = place(*stop_names(plan, change.stop))
        takes = f"{name}: telling {count(change.levels, 'level')} takes {_time(change.wire_ns)} on the wire"
        if change.jumps:
            than = "longer than" if change.wire_ns > change.fade_ns else "more than half of"
            enough = -(-2 * change.wire_ns // TENTH_NS) * TENTH_NS
            helps = f"a fade of {_seconds(enough)} or more helps{usb}"
            yield f"{takes}, {than} the fade of {_seconds(change.fade_ns)}, so all jump in one go; {helps}"
        elif change.is_slow_cut:
            helps = f"; fewer levels help{usb}"
            yield f"{takes}: the last of this cut comes that much after the press{helps}"
        if change.is_held_up:
            yield f"{name}: {_held_up(plan, change, usb)}"


def _held_up(plan: Plan, change: Change, usb: str) -> str:
    """What rises last, how long that takes, and why. `usb`: what helps the wire."""
    assert change.rises is not None and plan.limits.rise is not None
    rise, send = plan.limits.rise, plan.send_name(change.rises)
    than = f"its fade of {_seconds(change.fade_ns)}" if change.fade_ns else "a cut"
    takes = f"{send} takes about {_seconds(change.rise_ns)} to rise"
    if not change.is_slow_to_rise:
        return f"{takes} at {rise / 100:g} dB a second (`limits: rise`), not {than}"
    wire = f"telling {count(change.levels, 'level')} takes {_time(change.wire_ns)} on the wire"
    most = f"no message raises one by more than {plain_text(rise * AT_ONCE_NS // SECOND_NS)} dB or one step"
    return f"{takes}, not {than}: {wire}, and {most} (`limits: rise`); fewer levels help{usb}"


def stored_note(plan: Plan, changes: Sequence[Change]) -> str | None:
    """What to know about scenes that the desk stores, if a song recalls any."""
    names = [plan.stops[change.stop].name for change in changes if change.stored is not None]
    if not names:
        return None
    longest = max(change.wire_ns for change in changes if change.stored is not None)
    song = f"{names[0]} recalls a scene" if len(names) == 1 else f"{count(len(names), 'song')} recall scenes"
    return (
        f"{song} that the desk itself stores: what is stored there may be above a ceiling until all levels have been "
        f"told behind it ({_time(longest)}), and a recall missed while the desk is away is not made up for later"
    )


def _is_din(show: Show) -> bool:
    return show.rig.desk.link == "din"
