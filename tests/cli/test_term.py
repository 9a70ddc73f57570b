"""What a terminal shows: the same words, in the terminal's own colours; and nothing but the words anywhere else.

Judges from outside: a pseudo-terminal of the system (POSIX `openpty`), the grammar of control sequences in ECMA-48
(5.4, 8.3.117), contrast by WCAG 2.1 (1.4.3, at least 3:1 for large or bold text) on the palettes that rich ships and on
that of xterm's resources (XTerm-col.ad, from memory).
"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import pytest
from forked import LIMIT_S, Forked
from hypothesis import given
from hypothesis import strategies as st
from rich.color import Color
from rich.console import Console
from rich.style import Style
from rich.terminal_theme import DEFAULT_TERMINAL_THEME, SVG_EXPORT_THEME, TerminalTheme

from stagectl.live.printer import Printer
from stagectl.story.rows import Row
from stagectl.story.told import Told
from stagectl.story.words import lines
from stagectl.term.ink import can_show, inked, pen_for
from stagectl.term.styles import LOOKS, REFUSED, STRONG, STYLES, WRONG, parts
from stagectl.term.waiting import AFTER_S, Waiting, over_rows

pty = pytest.importorskip("pty")

ROOT = Path(__file__).resolve().parents[2]

SGR = re.compile(r"\x1b\[([0-9;]*)m")
"""Select graphic rendition, ECMA-48 8.3.117: all that a line may hold."""

OWN = {"", "0", "1", "2", "7", *map(str, range(30, 38)), *map(str, range(40, 48))}
"""Its parameters for bold, faint, negative and the first eight colours."""


def on_terminal(*arguments: str, **environment: str) -> str:
    """What a command writes where both its outputs are one terminal, with plain ends of line."""
    ours, theirs = os.openpty()
    try:
        env = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "FORCE_COLOR")}
        env |= {"TERM": "xterm-256color", "COLORTERM": "truecolor", **environment}
        with open(os.devnull) as nothing:
            process = Forked(["stagectl", *arguments], [nothing.fileno(), theirs, theirs], ROOT, env)
    finally:
        os.close(theirs)
    said = b""
    try:
        while some := os.read(ours, 65_536):
            said += some
    except OSError:
        pass  # Linux says so when the other end is closed.
    finally:
        os.close(ours)
        process.wait()
    return said.decode().replace("\r\n", "\n")


def piped(*arguments: str, **environment: str) -> str:
    with open(os.devnull) as nothing, TemporaryFile() as said:
        fds = [nothing.fileno(), said.fileno(), said.fileno()]
        Forked(["stagectl", *arguments], fds, ROOT, {**os.environ, **environment}).wait(LIMIT_S)
        said.seek(0)
        return said.read().decode()


@pytest.mark.parametrize(
    ("arguments", "marked"),
    [
        (("check", "setlists/three-songs"), "\x1b[1mNo faults"),
        (("rehearse", "setlists/three-songs", "--presses", "presses.yaml"), "\x1b[1;7;31mrefused\x1b[0m"),
        (("check", "setlists/none"), "\x1b[1;31msetlists/none\x1b[0m"),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, tuple) else "",
)
def test_a_terminal_gets_the_same_words_in_its_own_colours(arguments: tuple[str, ...], marked: str) -> None:
    shown, plain = on_terminal(*arguments), piped(*arguments)
    drawn = re.sub(r"[^\n]*\r\x1b\[2K", "", shown)  # a line of waiting, and its end
    assert marked in drawn
    assert SGR.sub("", drawn) == plain
    assert "\x1b" not in plain
    assert {one for found in SGR.findall(drawn) for one in found.split(";")} <= OWN


def test_whoever_wants_no_styles_gets_none() -> None:
    """no-color.org; a dumb terminal, by terminfo's name, is below."""
    assert "\x1b" not in on_terminal("check", "setlists/none", NO_COLOR="1")


def test_a_pipe_loads_no_rich() -> None:
    code = (
        "import sys\nfrom stagectl.cli.main import main\n"
        "try: main(['check', 'setlists/three-songs'])\n"
        "except SystemExit: pass\n"
        "sys.exit('rich' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=False).returncode == 0


# -- lines ------------------------------------------------------------------------------------------------


class Tty(io.StringIO):
    """A terminal, for whoever asks."""

    def isatty(self) -> bool:
        return True


def console(file: io.StringIO | None = None) -> Console:
    return Console(file=file or io.StringIO(), force_terminal=True, color_system="standard", width=80, _environ={})


@given(text=st.text(max_size=60), kind=st.sampled_from([*LOOKS, "", "no such kind"]), head=st.integers(0, 70))
def test_the_parts_of_a_line_are_the_line(text: str, kind: str, head: int) -> None:
    found = list(parts(Told(text, kind, head)))
    assert "".join(part for part, _ in found) == text
    assert {style for _, style in found} <= {"", *STYLES}


@given(before=st.integers(-9000, 1000), after=st.integers(-9000, 1000))
def test_from_and_to_stand_apart(before: int, after: int) -> None:
    (line,) = lines([Row(0, "change", press=1, listener="singer", input="kick → snare", before=before, after=after)])
    strong = [part for part, style in parts(line) if style == STRONG]
    assert len(strong) == 1
    assert float(strong[0].removesuffix(" dB")) == after / 100


def test_a_refusal_has_its_word_and_a_time_is_soft() -> None:
    row = Row(1_500_000_000, "refusal", who="refused (x)", what="next", control="left", detail="too soon")
    (line,) = lines([row])
    assert [part for part, style in parts(line) if style == REFUSED] == ["refused"]
    assert next(parts(line)) == ("  0:01.500  ", "dim")


def luminance(rgb: Sequence[int]) -> float:
    """WCAG 2.1, relative luminance."""
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in rgb))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


XTERM = [(0, 0, 0), (205, 0, 0), (0, 205, 0), (205, 205, 0), (0, 0, 238), (205, 0, 205), (0, 205, 205), (229, 229, 229)]
THEMES = {
    "bright": DEFAULT_TERMINAL_THEME,
    "dark": SVG_EXPORT_THEME,
    "xterm, bright": TerminalTheme((255, 255, 255), (0, 0, 0), XTERM),
    "xterm, dark": TerminalTheme((0, 0, 0), (229, 229, 229), XTERM),
}


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", [name for name in STYLES if name != "dim"])
def test_every_style_can_be_read_on_bright_and_dark(name: str, theme: str) -> None:
    style, on = Style.parse(name), THEMES[theme]
    front = (style.color or Color.default()).get_truecolor(on, foreground=True)
    back = (style.bgcolor or Color.default()).get_truecolor(on, foreground=False)
    low, high = sorted((luminance(front), luminance(back)))
    assert (high + 0.05) / (low + 0.05) >= 3


@pytest.mark.parametrize(
    ("environment", "shows"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
    ids=str,
)
def test_who_can_show_styles(environment: dict[str, str], shows: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert can_show(Tty()) is shows
    assert can_show(io.StringIO()) is False
    assert can_show(None) is False
    assert pen_for(io.StringIO()) is str


def test_the_nights_printer_shows_what_kind_a_line_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    out, error, plain = Tty(), Tty(), io.StringIO()
    row = Row(0, "refusal", who="drummer", what="next", control="left", detail="too soon")
    for streams in ((out, error), (plain, io.StringIO())):
        printer = Printer(*streams)
        printer.begin("ready: nine songs; everything is here")
        printer.say(lines([row]))
        printer.warn("the desk is silent")
        printer.close()
    pen = inked(console())
    assert pen(Told("the desk is silent", "trouble")) + "\n" == error.getvalue()
    assert Style.parse(WRONG).render("x").split("x")[0] in error.getvalue()
    assert "\x1b[1mready\x1b[0m: nine songs" in out.getvalue()
    assert SGR.sub("", out.getvalue()) == plain.getvalue()


# -- waiting ----------------------------------------------------------------------------------------------


class Clock:
    """A clock that is set by hand, s."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_second_goes_by_before_anything_is_shown_and_all_of_it_goes_again() -> None:
    file, clock = io.StringIO(), Clock()
    with Waiting("proving", console=lambda: console(file), clock=clock) as waiting:
        clock.now = AFTER_S - 0.01
        waiting.look()
        assert file.getvalue() == ""
        waiting.at("proving the night at Tidewater Hall", 1, 4)
        clock.now = 3.2
        waiting.look()
        shown = SGR.sub("", file.getvalue())
        assert "proving the night at Tidewater Hall" in shown
        assert " 25 %" in shown
        assert "3 s" in shown
        waiting.hide()
        hidden = file.getvalue()
        assert hidden.endswith("\x1b[2K")
        clock.now += AFTER_S - 0.01
        waiting.look()
        assert file.getvalue() == hidden
        clock.now += 0.02
        waiting.look()
        assert file.getvalue() != hidden
    assert file.getvalue().endswith("\x1b[2K")
    clock.now += 10
    ended = file.getvalue()
    waiting.look()
    assert file.getvalue() == ended


def test_rows_say_how_far_it_is_and_stay_the_same() -> None:
    clock, rows = Clock(), [(3, "a"), (7, "b"), (10, "c")]
    with Waiting("reading", console=console, clock=clock) as waiting:
        seen = [(row, waiting.done) for row in over_rows(waiting, rows, 10, lambda row: row[0])]
    assert seen == [(row, row[0]) for row in rows]
    assert waiting.total == 10


def test_where_nobody_looks_nothing_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Any] = []
    monkeypatch.setattr("stagectl.term.waiting.threading.Thread", lambda **given: started.append(given))
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with Waiting("reading") as waiting:
        waiting.hide()
    assert started == []
