"""A line of what came in, as a journal has it. What it means is in `heard.py`."""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

Value: TypeAlias = int | str | None


class Heard(NamedTuple):
    """One event. `at`: ns since the night began, at or after the one before: when the core has taken it to happen.
    `kind`: its number in `KINDS`; `one`, `two`, `three`: its fields, in their order. `said`: the bytes that a pedal
    sent, where it came as bytes."""

    at: int
    kind: int
    one: Value = None
    two: Value = None
    three: Value = None
    said: bytes | None = None
