"""Numbers of bytes in words."""

from __future__ import annotations

from typing import Final

UNITS: Final = ("B", "kB", "MB", "GB", "TB")
"""Byte, and its multiples by the prefixes of the SI, each 1,000 of the one before (IEC 80000-13: 1,024 would be the
kibibyte, KiB)."""


def size_text(size: int) -> str:
    """Bytes as people say them, to two figures at least: `812 B`, `3.4 kB`, `84 kB`, `1.2 GB`."""
    power = next((power for power in range(len(UNITS) - 1) if size / 1_000**power < 999.5), len(UNITS) - 1)
    value = size / 1_000**power
    # What is below the tenth where a figure more would be rounded up to it.
    return f"{value:.1f} {UNITS[power]}" if power and value < 9.95 else f"{value:,.0f} {UNITS[power]}"
