"""The code in the terminal, read back by zxing-cpp, a reader of its own (ISO/IEC 18004)."""

from __future__ import annotations

import numpy as np
import pytest
import zxingcpp

from stagectl.view.qr import QUIET, code_lines

TOP = "▀█"
BELOW = "▄█"


def drawn(lines: list[str], *, inverted: bool = False) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """What a camera sees: each character is two modules, eight pixels each."""
    rows = [[char in half for char in line] for line in lines for half in (TOP, BELOW)]
    light = np.kron(np.array(rows, dtype=np.uint8), np.ones((8, 8), dtype=np.uint8)) * np.uint8(255)
    return 255 - light if inverted else light


@pytest.mark.parametrize("inverted", [False, True], ids=["dark terminal", "light terminal"])
@pytest.mark.parametrize(
    "text",
    [
        "http://127.0.0.1:8480/?key=1yJjUBBi71G5lfv1OP5Q4Q",
        "http://[2001:db8::1]:65535/?key=" + "a" * 22,
        "http://stage.local:8480/",
    ],
)
def test_a_camera_reads_the_address(text: str, inverted: bool) -> None:
    lines = code_lines(text)
    assert len({len(line) for line in lines}) == 1 and set("".join(lines)) <= set(" ▀▄█")
    [read] = zxingcpp.read_barcodes(drawn(lines, inverted=inverted))
    assert read.text == text


def test_it_has_its_margin_and_fits_a_terminal() -> None:
    lines = code_lines("http://192.168.100.100:8480/?key=" + "a" * 22)
    assert len(lines) <= 24 and len(lines[0]) <= 80
    assert all(set(line[:QUIET] + line[-QUIET:]) <= {"█", "▀"} for line in lines)
