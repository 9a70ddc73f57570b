"""How words stand in a unit file, so that the service manager reads back what was meant.

From systemd.service(5), "Command lines": words stand in double quotes, with escapes as in C; `$$` is a dollar in a
command. From systemd.unit(5), "Specifiers": `%%` is a percent sign wherever such are expanded. In a list of paths a
backslash is one, so only quotes are left there (as tried with systemd 252).
"""

from __future__ import annotations

import re
from typing import Final

_PLAIN: Final = re.compile(r"[A-Za-z0-9_@+=:,./-]+")
_SAID: Final = {"\\": "\\\\", '"': '\\"', "%": "%%"}


def word(text: str, *, command: bool = False) -> str:
    """One word of an assignment. `command`: of a command behind its program, where variables are put in. Raises
    ValueError for a NUL, which no command line can hold, and for bytes that are no UTF-8 (`surrogateescape`): a service
    manager starts a program with those, but answers no question about it any more (as tried with systemd 252)."""
    if "\0" in text or any("\ud800" <= char <= "\udfff" for char in text):
        raise ValueError(f"{text!r} holds a NUL, or bytes that are no UTF-8")
    if _PLAIN.fullmatch(text):
        return text
    said = _SAID | ({"$": "$$"} if command else {})
    return '"' + "".join(said.get(char) or (char if char.isprintable() else _bytes(char)) for char in text) + '"'


def path(text: str) -> str:
    """One path of a list. Raises ValueError for one that cannot be said there: with both kinds of quotes, or with
    characters that cannot be printed."""
    if not text.isprintable():
        raise ValueError(f"{text!r} holds characters that cannot be printed")
    said = text.replace("%", "%%")
    if _PLAIN.fullmatch(text):
        return said
    for quote in "\"'":
        if quote not in text:
            return f"{quote}{said}{quote}"
    raise ValueError(f"{text!r} holds both kinds of quotes")


def sentence(text: str) -> str:
    """Words for people, to the end of the line. What cannot be printed is a space there; a backslash at the end, which
    would go on with the next line, is left out."""
    plain = "".join(char if char.isprintable() else " " for char in text)
    return plain.rstrip("\\ ").replace("%", "%%")


def _bytes(char: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in char.encode())
