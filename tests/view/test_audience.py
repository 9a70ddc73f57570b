"""What each client is given, board by board."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from contextlib import aclosing

from stagectl.view.audience import Audience, as_event


def test_who_comes_while_a_board_is_about_to_be_given_is_given_it_once() -> None:
    """All boards as they are come first; then those that are new."""

    async def live() -> None:
        audience = Audience()
        audience.put("map", {"now": 1})
        stream = audience.stream({})
        assert isinstance(stream, AsyncGenerator)
        async with aclosing(stream) as given:
            assert b"event: you" in await anext(given)
            assert await anext(given) == as_event("map", {"now": 1})
            audience.put("stage", {"now": 2})
            assert await anext(given) == as_event("stage", {"now": 2})
            # The same once more is news: it was put anew.
            audience.put("map", {"now": 1})
            assert await anext(given) == as_event("map", {"now": 1})
            audience.end("over")
            assert [event async for event in given] == [as_event("gone", {"why": "over"})]

    asyncio.run(live())
