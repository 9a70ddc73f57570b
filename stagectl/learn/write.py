"""The mapping file that says what was learned, with the evidence as comments. The gestures are left to the user, as
commented examples."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from textwrap import wrap
from typing import Final

from stagectl.core.contacts import BOUNCE_DEFAULT_NS, BOUNCE_MAX_NS
from stagectl.core.travel import DEAD_DEFAULT, DEAD_MAX
from stagectl.errors import Fault, FileFaults
from stagectl.learn.series import Sender
from stagectl.learn.verdict import Kind, Learned, Verdict, count
from stagectl.whole import umask

CONTROLS_MAX: Final = 64
"""The most controls that a mapping holds."""

BOUNCE_STEP_MS: Final = 5
"""A bounce window is written in steps of this."""

_MS: Final = 1_000_000
_WIDTH: Final = 112


def default_names(verdicts: Sequence[Verdict]) -> dict[Sender, str]:
    """`switch 1`, `switch 2`, `treadle 1`, in the order in which the controls first spoke."""
    counted = {"switch": 0, "treadle": 0}
    names = {}
    for verdict in verdicts:
        what = "switch" if verdict.is_switch else "treadle"
        counted[what] += 1
        names[verdict.sender] = f"{what} {counted[what]}"
    return names


def mapping_text(name: str, port: str, learned: Learned, names: Mapping[Sender, str]) -> str:
    """The mapping file. `name`: the pedal's; `port`: where it was heard; `names`: of the controls, all different;
    a control without one is left out."""
    named = [verdict for verdict in learned.verdicts if verdict.sender in names]
    lines = [*comment(f"Learned from `{plain(port)}`: {_heard(learned)}", "")]
    lines += comment(
        "Each control has what it sends, and what was seen of it. Take the # from a gesture and say what it does; of a "
        "treadle, from all of its lines.",
        "",
    )
    left = len(named) - CONTROLS_MAX
    if left > 0:
        lines += comment(f"{count(left, 'control')} more spoke; a mapping holds {CONTROLS_MAX}.", "")
    lines += [f"name: {quoted(name)}", "controls:"]
    for verdict in named[:CONTROLS_MAX]:
        lines += [f"  {quoted(names[verdict.sender])}:", *(f"    {line}" for line in _control(verdict, names))]
    return "\n".join(lines) + "\n"


def _heard(learned: Learned) -> str:
    said = f"{count(learned.heard, 'message')} in {learned.span_ns / 1_000_000_000:.0f} s."
    if learned.background:
        said += f" Sent without a foot: {counted(learned.background)}."
    if learned.odd:
        said += f" Left out: {counted(learned.odd)}."
    return said


def counted(counts: Mapping[str, int]) -> str:
    """What was counted, in words: `clock (12), reset (1)`."""
    return ", ".join(f"{what} ({number:,})" for what, number in counts.items())


def _control(verdict: Verdict, names: Mapping[Sender, str]) -> Iterator[str]:
    yield from comment(f"{_capital(str(verdict.sender))}: {verdict.what()} ({verdict.sure.value}).")
    yield from comment(f"{_capital(verdict.why)}.")
    if verdict.against:
        yield from comment(f"Would contradict: {verdict.against}.")
    if verdict.wanted:
        yield from comment(f"To be sure: {verdict.wanted}.")
    yield from _more(verdict, names)
    yield f"sends: {sends_text(verdict.sender)}"
    yield from _turn(verdict) if not verdict.is_switch else _press(verdict)


def _more(verdict: Verdict, names: Mapping[Sender, str]) -> Iterator[str]:
    """What else was seen."""
    if verdict.bounce_edges > 1:
        length, gap = verdict.bounce_ns / _MS, verdict.bounce_gap_ns / _MS
        yield from comment(f"Bounce: {verdict.bounce_edges} edges within {length:.1f} ms, up to {gap:.1f} ms apart.")
    if verdict.varies:
        down = " Any strength is down." if verdict.sender.kind == "note" else ""
        yield from comment(f"Strength of the presses: {verdict.softest} to {verdict.high}.{down}")
    if verdict.kind is Kind.REPEATS:
        yield from comment("It never says that it was let go, so each message is a press.")
    if not verdict.is_switch:
        bits = 14 if verdict.sender.top > 127 else 7
        rest = f"rests within {verdict.jitter} steps" if verdict.jitter else "rests without a wobble"
        yield from comment(f"Resolution: {bits} bits, {count(verdict.values, 'value')} seen; it {rest}.")
    if verdict.sender.kind == "sysex" and not verdict.sender.press_only:
        yield from comment(
            "One byte of the message was more than one number, and is taken for its value. If each is a switch of its "
            "own, press each three times before the next."
        )
    for other in verdict.beside:
        which = f", `{names[other]}` here" if other in names else ""
        yield from comment(f"Always comes together with {other}{which}: one press may send both. Use one of them.")


def sends_text(sender: Sender) -> str:
    """What stands behind `sends:`."""
    if sender.text:
        return f"{{{sender.kind}: {quoted(sender.text)}}}"
    bare = sender.kind in ("pitch bend", "channel pressure")
    parts = [f"{sender.kind}: " if bare else f"{sender.kind}: {sender.number}"]
    if sender.bank is not None:
        parts.append(f"bank: {sender.bank}")
    if sender.channel:
        parts.append(f"channel: {sender.channel}")
    return "{" + ", ".join(parts) + "}"


def _turn(verdict: Verdict) -> Iterator[str]:
    """All of it is commented: a travel means nothing without a turn."""
    yield "# turn: {ride: own, from: -6, to: +3}"
    yield f"# heel: {verdict.heel}"
    yield f"# toe: {verdict.toe}"
    if verdict.jitter:
        yield f"# jitter: {verdict.jitter}"
        # The wobble of a foot that rests at an end must not leave the end.
        dead = -(-100 * verdict.jitter // abs(verdict.toe - verdict.heel))
        if dead > DEAD_DEFAULT:
            yield f"# dead zone: {min(dead, DEAD_MAX)}"


def _press(verdict: Verdict) -> Iterator[str]:
    if verdict.kind is Kind.LATCHING:
        yield "latching: yes"
    if verdict.kind is Kind.REPEATS:
        yield "says up: no"
    if verdict.closed:
        yield "rests: closed"
    if verdict.threshold is not None:
        yield f"threshold: {verdict.threshold}"
    window = bounce_ms(verdict.bounce_gap_ns)
    if window * _MS > BOUNCE_DEFAULT_NS:
        yield f"bounce: {min(window, BOUNCE_MAX_NS // _MS)} ms"
    yield "# press: next"
    if verdict.kind is Kind.MOMENTARY:
        yield "# hold: back"
        yield "# double press: {nudge: own, by: -1}"


def bounce_ms(gap_ns: int) -> int:
    """The window, ms, that bridges the longest gap of a train with a quarter to spare."""
    return -(-gap_ns * 5 // 4 // (BOUNCE_STEP_MS * _MS)) * BOUNCE_STEP_MS


_BARE = re.compile(r"[A-Za-z][A-Za-z0-9 _./()+-]*")
_WORDS = {"yes", "no", "true", "false", "on", "off", "null"}


def quoted(text: str) -> str:
    """A text as it stands in YAML: bare where it can only be a text, else in quotes."""
    if _BARE.fullmatch(text) and text == text.strip() and text.lower() not in _WORDS:
        return text
    return "'" + text.replace("'", "''") + "'"


def comment(text: str, indent: str = "    ", before: str = "") -> list[str]:
    """A text as comment lines that leave room for `indent`; `before` is put before each."""
    return [f"{before}# {line}" for line in wrap(text, _WIDTH - len(indent), break_on_hyphens=False)]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def plain(text: str) -> str:
    """On one line, as a comment can hold it."""
    return "".join(char if char.isprintable() else "?" for char in text)


def file_name(name: str) -> str:
    """The file of a pedal's name: letters, digits and hyphens, at most 60 characters, with `.yaml`."""
    stem = re.sub(r"[^\w]+", "-", name.lower()).strip("-_")[:60].rstrip("-_")
    return f"{stem or 'pedal'}.yaml"


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all: a temporary file beside it takes its name. Raises FileFaults."""
    made = ""
    try:
        handle, made = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(made, 0o666 & ~umask())
        os.replace(made, path)
    except OSError as error:
        if made:
            with suppress(OSError):
                os.unlink(made)
        raise FileFaults([Fault(str(path), 0, f"cannot be written: {error.strerror or error}")]) from error
