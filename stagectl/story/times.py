"""Times in words."""

from __future__ import annotations


def clock(at: int) -> str:
    """A time of the night, or a position in a track: `0:07.250`, `12:03.000`, `1:02:03.000`."""
    millis = abs(at) // 1_000_000
    minutes, rest = divmod(millis, 60_000)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{'-' if at < 0 and millis else ''}{head}:{rest // 1000:02d}.{rest % 1000:03d}"
