"""An address as a QR code (ISO/IEC 18004) for a terminal, made by segno."""

from __future__ import annotations

from typing import Final

QUIET: Final = 4
"""Modules of empty margin all around, as the standard asks for."""

_HALVES: Final = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
"""Two modules, one above the other, as one character: light ones are drawn, so that it reads on a dark terminal. A
light terminal shows it inverted, which cameras of today read as well."""


def told_address(name: str, address: str, *, coded: bool) -> list[str]:
    """The line that tells an address; below it, where it is `coded`, its code for a phone's camera."""
    return [f"{name}: {address}", *(code_lines(address) if coded else [])]


def code_lines(text: str) -> list[str]:
    """The lines of a code for a text. Raises ValueError where the text is too long for one: some 2,900 bytes."""
    import segno

    code = segno.make_qr(text, error="l")
    rows = [[bool(module) for module in row] for row in code.matrix_iter(border=QUIET)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    return [
        "".join(_HALVES[above, below] for above, below in zip(*pair, strict=True))
        for pair in zip(rows[::2], rows[1::2], strict=True)
    ]
