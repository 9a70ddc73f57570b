"""Which streams can show styles, and lines with them.

A stream that is no terminal gets every byte as it always was; so does one whose user does not want colours (`NO_COLOR`,
no-color.org: present and not empty), a dumb terminal, and the old Windows console. A style costs two pieces of text
around what it is for, which are made once: whoever prints beside a press only joins them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, TextIO

from stagectl.story.told import Told

if TYPE_CHECKING:
    from rich.console import Console

Pen = Callable[[str], str]
"""From a line to what is printed of it, without the end of line."""

_DUMB: Final = ("dumb", "unknown")


def can_show(stream: Any) -> bool:
    """Whether styles may be shown there; nothing is loaded to find out."""
    try:
        is_terminal = bool(stream.isatty())
    except (AttributeError, OSError, ValueError):
        return False
    return is_terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "").lower() not in _DUMB


def pen_for(stream: TextIO | None) -> Pen:
    """What lines on a stream look like. Where it cannot show styles, as they are, and at no cost."""
    if not can_show(stream):
        return str
    from rich.console import Console

    return inked(Console(file=stream))


def inked(console: Console) -> Pen:
    """What lines look like on a console of rich's."""
    if console.color_system is None or console.no_color or console.legacy_windows:
        return str
    from rich.color import ColorSystem
    from rich.style import Style

    from stagectl.term.styles import STYLES, parts

    around: dict[str, Sequence[str]] = {"": ("", "")}
    for name in STYLES:
        # Never more than the sixteen colours, whatever the terminal could show.
        around[name] = Style.parse(name).render("\0", color_system=ColorSystem.STANDARD).split("\0")

    def pen(line: str) -> str:
        return "".join(f"{around[style][0]}{text}{around[style][1]}" for text, style in parts(line) if text)

    return pen


@lru_cache(maxsize=4)
def _kept(stream: TextIO) -> Pen:
    return pen_for(stream)


def echo(line: str, kind: str = "", *, err: bool = False) -> None:
    """Print a line, as what it is where the stream can show it. A line that says its kind itself needs none."""
    import sys

    import click

    pen = _kept(sys.stderr if err else sys.stdout)
    click.echo(pen(Told(line, kind) if kind else line), err=err)
