"""Text that is safe in a page, whatever names hold, and how wide it is."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from html import escape
from typing import Final

from stagectl.core.levels import Level, Off

CELL: Final = 0.61
"""How wide a character of a monospace font is, in its size: 0.60 in most, with a little to spare (common practice)."""

NUMBERS_KEPT: Final = 20_000
"""Numbers whose text is kept: levels and places come again and again."""

WIDE: Final = ("W", "F")
_NO_WIDTH: Final = ("Mn", "Me", "Cf")


def safe(text: str) -> str:
    """The text with everything escaped that HTML gives a meaning; characters that no page may hold become U+FFFD (HTML
    Living Standard, 13.2.3.5: control characters; Unicode's surrogates and noncharacters too)."""
    # Most of a page is plain, and knowing that costs least.
    return escape(text if text.isascii() and text.isprintable() else "".join(map(_allowed, text)))


def _allowed(char: str) -> str:
    if char in "\t\n":
        return " "
    bad = unicodedata.category(char) in ("Cc", "Cs") or (ord(char) & 0xFFFE) == 0xFFFE or "\ufdd0" <= char <= "\ufdef"
    return "\ufffd" if bad else char


def named(text: str) -> str:
    """A name in running text: set apart, so that one that is written from right to left leaves the rest in order."""
    return f"<bdi>{safe(text)}</bdi>"


def width(text: str) -> int:
    """How many character cells a text takes (Unicode Standard Annex 11: wide ones take two)."""
    return sum(map(_cells, text))


def _cells(char: str) -> int:
    if unicodedata.category(char) in _NO_WIDTH:
        return 0
    return 2 if unicodedata.east_asian_width(char) in WIDE else 1


def clipped(text: str, cells: int) -> str:
    """The text, or as much of it as fits into so many cells, and `…`."""
    if width(text) <= cells:
        return text
    out, used = "", 0
    for char in text:
        used += _cells(char)
        if used > cells - 1:
            break
        out += char
    return out.rstrip() + "…"


def wrapped(text: str, cells: int, lines: int) -> list[str]:
    """The text in at most so many lines, broken at spaces where that is possible; the last ends with `…` where there is
    more."""
    words, out = text.split(), [""]
    for at, word in enumerate(words):
        longer = f"{out[-1]} {word}".strip()
        if width(longer) <= cells:
            out[-1] = longer
        elif len(out) == lines:
            out[-1] = clipped(" ".join([out[-1], *words[at:]]).strip(), cells)
            break
        elif out[-1]:
            out.append(word)
        else:
            out[-1] = word
    return [clipped(line, cells) for line in out]


def level_text(level: Level | None) -> str:
    """A level to one decimal, without its unit: `-12.5`, `+1.5`, `0`, `off`; nothing for one that is not known."""
    if level is None:
        return ""
    return "off" if isinstance(level, Off) else signed(level)


@lru_cache(NUMBERS_KEPT)
def signed(hundredths: int) -> str:
    """A change to one decimal, without its unit: `+1.5`, `-6`, `0`."""
    tenths = (abs(hundredths) + 5) // 10
    return f"{'-' if hundredths < 0 else '+'}{tenths / 10:.1f}".removesuffix(".0") if tenths else "0"


def count(number: int, one: str, many: str = "") -> str:
    """`1 song`, `1,204 songs`; `2 presses` where `many` says so."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
