"""What edited files move when a night goes on by them: rows with a cause of their own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from stagectl.core.plan import Levels, Plan
from stagectl.story.rows import BY_EDIT, Row

BY_FILES: Final = "edited files"
"""Who moved what edited files have moved."""


def edited(old: Plan, had: Levels, new: Plan, has: Levels, at: int) -> Iterator[Row]:
    """Levels that a night has on the files of now (`new`), and had otherwise on those of before (`old`), at a time, ns.
    Sends are the same where their names are."""
    before = {names: had[send] for names, send in old.sends_by_name.items()}
    for (listener, name), send in new.sends_by_name.items():
        level, was = has[send], before.get((listener, name))
        if level is not None and level != was:
            row = Row(at, "change", who=BY_FILES, what=BY_EDIT, listener=listener, input=name)
            yield row._replace(before=was, after=level, sent=new.in_steps(send, level))
