"""What the page's process is told last of all, however late it comes to it."""

from __future__ import annotations

import asyncio
import os
from typing import Any

import pytest

from stagectl.view import inbox
from stagectl.view.inbox import OVER, Inbox
from stagectl.view.lines import Open, line

OPEN = line({"open": Open("127.0.0.1", 0, "nine songs", "night", None, None)._asdict()})


@pytest.mark.parametrize(
    ("said", "told"), [([{"gone": "the night is over"}], {"gone": "the night is over"}), ([], OVER)]
)
def test_why_it_is_over_is_what_was_said_of_it(
    said: list[dict[str, Any]], told: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All has come in, and the input has ended, before the loop has its turn."""
    monkeypatch.setattr(inbox, "end_after", lambda _: None)
    took: list[dict[str, Any]] = []

    async def whole() -> None:
        reads, writes = os.pipe()
        os.write(writes, OPEN + b"".join(map(line, said)))
        os.close(writes)
        box = Inbox(asyncio.get_running_loop())
        box.read(reads)
        os.close(reads)
        assert await box.opened is not None
        box.give_to(took.append)

    asyncio.run(whole())
    assert took == [told]
