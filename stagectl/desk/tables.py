"""Tables from messages to levels, in which no two may share a message."""

from __future__ import annotations

from typing import TypeVar

from stagectl.desk.meaning import Spot
from stagectl.errors import WireError

KeyT = TypeVar("KeyT")
ValueT = TypeVar("ValueT")


def put(table: dict[KeyT, ValueT], key: KeyT, value: ValueT, spot: Spot) -> None:
    """Put a level's message in. Raises WireError where another level has it."""
    if key in table:
        raise WireError(f"{spot} is said by the same message as another level")
    table[key] = value


def check_channel(key: tuple[int, int], highest: int, spot: Spot) -> None:
    """Raise WireError unless a channel and a number are in range."""
    channel, number = key
    if not 1 <= channel <= 16:
        raise WireError(f"{spot} is on channel {channel}, outside 1 to 16")
    if not 0 <= number <= highest:
        raise WireError(f"{spot} is on number {number}, outside 0 to {highest}")
