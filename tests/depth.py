"""How long the properties search. The suite has to be done in minutes; `STAGECTL_SEARCH=long` looks four times as long,
and does each property as often as its test says."""

from __future__ import annotations

import os
from typing import Final

LONG: Final = os.environ.get("STAGECTL_SEARCH") == "long"

SHARE: Final = 4
"""The suite takes one of so many examples, seeds or planted bugs."""

LEAST: Final = 5


def examples(many: int, least: int = LEAST) -> int:
    """How many examples: `many` in a long search, a quarter of them in the suite. `least`: fewer than that are no
    search; less where a single one looks at thousands of things."""
    return many if LONG else max(least, many // SHARE)
