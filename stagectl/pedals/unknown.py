"""What an ear says of a message that no control stands for."""

from __future__ import annotations

from typing import Final

SAID_MAX: Final = 60
"""Characters of an unknown message that are recorded."""

BACKGROUND: Final = {
    0xF1: "time code",
    0xF2: "song position",
    0xF8: "clock",
    0xF9: "undefined real-time",
    0xFD: "undefined real-time",
    0xFE: "active sensing",
}
"""What comes along from a machine that runs, many times a second, and says nothing about a foot: it is counted.
Tune request and system reset are none of these: somebody commands them (MIDI 1.0 Detailed Specification 4.2.1)."""
