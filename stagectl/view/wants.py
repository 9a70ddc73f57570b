"""What a client asks for, as it comes: JSON, of a shape that is the same for everything that can be asked for. What it
means, whoever keeps the page knows. Pure."""

from __future__ import annotations

import json
import unicodedata
from typing import Any, Final

BODY_MAX: Final = 2_000
"""Bytes of a want."""

ENTRIES_MAX: Final = 20
TEXT_MAX: Final = 200
"""Entries of a want, and characters of each text in it."""

NUMBER_MAX: Final = 1_000_000_000
"""What a number in a want may be, up and down."""


def want_from(body: bytes) -> dict[str, Any]:
    """The want of a body. Raises ValueError, with a sentence for whoever sent it."""
    if len(body) > BODY_MAX:
        raise ValueError(f"{len(body)} bytes are too many; up to {BODY_MAX} are taken")
    try:
        want = json.loads(body, object_pairs_hook=_once, parse_constant=_no_number)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise ValueError("this is no JSON in UTF-8") from None
    if not isinstance(want, dict):
        raise ValueError("a want is an object of JSON")
    if len(want) > ENTRIES_MAX:
        raise ValueError(f"{len(want)} entries are too many; up to {ENTRIES_MAX} are taken")
    for name, value in want.items():
        _check(name, value)
    if not isinstance(want.get("do"), str):
        raise ValueError("a want says what to `do`, as a text")
    return want


def _check(name: str, value: object) -> None:
    if not _is_text(name):
        raise ValueError(f"the name of an entry has up to {TEXT_MAX} characters, and no control characters")
    match value:
        case bool():
            pass
        case int() if -NUMBER_MAX <= value <= NUMBER_MAX:
            pass
        case str() if _is_text(value):
            pass
        case _:
            raise ValueError(
                f"`{name}` is none of: a text of up to {TEXT_MAX} characters without control characters, a whole "
                f"number from -{NUMBER_MAX:,} to {NUMBER_MAX:,}, true, false"
            )


def _is_text(text: str) -> bool:
    """Whether a text can be a name. Names join and part their letters, and turn them round, by characters that show
    nothing themselves; so only control characters and halves of a pair are refused (Unicode: Cc, Cs). Which names there
    are, the plan knows."""
    return len(text) <= TEXT_MAX and not any(unicodedata.category(char) in ("Cc", "Cs") for char in text)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object that says everything once."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a want says each entry once")
    return found


def _no_number(text: str) -> None:
    raise ValueError(f"`{text}` is no number of JSON")
