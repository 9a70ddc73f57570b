"""What is answered to whom, without a socket: keys that are old, wrong or right, names in addresses, a program that
hangs. httpx speaks to the application itself (ASGI)."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final
from urllib.parse import quote, unquote, urlsplit

import httpx
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stagectl.view.audience import Audience
from stagectl.view.guard import Hosts, Keys, seal
from stagectl.view.site import NAME_MAX, Site

READ: Final = "a-key-to-read"
CONTROL: Final = "a-key-to-control"
HERE: Final = "http://127.0.0.1:8480"
NEXT: Final = {"do": "next"}

NAMES: Final = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=40).filter(
    lambda name: name not in (".", "..")
)
"""Names as a show may have them, but for those that mean a place in every address (RFC 3986, 3.3)."""


class Page:
    """A page that one browser asks for, from one address."""

    def __init__(self, client: httpx.AsyncClient, wants: list[Any], silent: list[float | None]) -> None:
        self.client, self.wants, self.silent = client, wants, silent

    async def code(self, path: str, **headers: str) -> int:
        return (await self.get(path, **headers)).status_code

    async def get(self, path: str, **headers: str) -> httpx.Response:
        return await self.client.get(path, headers={name.replace("_", "-"): value for name, value in headers.items()})

    async def want(self) -> httpx.Response:
        return await self.client.post("/want", json=NEXT, headers={"Origin": HERE})

    async def you(self) -> str:
        """What the page is told of itself."""
        return (await self.get("/live")).text.split("\n\n")[0]


def asked(test: Callable[[Page], Awaitable[None]], *, read: str | None = READ, control: str | None = CONTROL) -> None:
    async def run() -> None:
        wants: list[Any] = []
        silent: list[float | None] = [None]
        audience = Audience()
        # A stream then ends when it has said all that there is.
        audience.end("the test is over")
        keys = Keys(read=read, control=control)
        site = Site(keys, Hosts([]), 8480, "night", audience, wants.append, lambda: silent[0])
        transport = httpx.ASGITransport(app=site, client=("10.0.0.7", 50_000))
        async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
            await test(Page(client, wants, silent))

    asyncio.run(run())


def old(key: str = "last night's key") -> str:
    return f"stagectl-8480={seal(key)}"


# -- keys that are the right ones no more ------------------------------------------------------------------------


def test_an_old_cookie_is_told_of_though_everybody_may_read() -> None:
    async def test(page: Page) -> None:
        assert '{"control":false,"kind":"night","stale":false}' in await page.you()
        page.client.headers["Cookie"] = old()
        assert '{"control":false,"kind":"night","stale":true}' in await page.you()
        answer = await page.want()
        assert answer.status_code == 403 and "the right one no more" in answer.text
        del page.client.headers["Cookie"]
        assert await page.code(f"/?key={CONTROL}") == 303
        assert '{"control":true,"kind":"night","stale":false}' in await page.you()

    asked(test, read=None)


def test_where_there_are_no_keys_none_is_old() -> None:
    async def test(page: Page) -> None:
        page.client.headers["Cookie"] = old()
        assert '"stale":false' in await page.you()

    asked(test, read=None, control=None)


def test_beyond_this_machine_an_old_cookie_reads_nothing_and_says_why() -> None:
    async def test(page: Page) -> None:
        page.client.headers["Cookie"] = old()
        for path in ("/live", "/", "/static/page.js"):
            answer = await page.get(path)
            assert answer.status_code == 403
            assert answer.text.startswith("the key that this browser has is the right one no more: scan the code")

    asked(test)


def test_browsers_with_old_cookies_never_keep_the_right_key_out() -> None:
    async def test(page: Page) -> None:
        for at in range(200):
            page.client.headers["Cookie"] = old(f"key {at % 2 if at < 100 else at}")
            assert await page.code("/live") == 403
        del page.client.headers["Cookie"]
        assert await page.code("/?key=a-slip") == 403
        assert await page.code(f"/?key={READ}") == 303

    asked(test)


def test_the_right_key_passes_at_once_though_its_address_waits() -> None:
    async def test(page: Page) -> None:
        codes = [await page.code(f"/?key=guess{at}") for at in range(40)]
        assert set(codes) == {403, 429} and codes[-1] == 429
        assert [await page.code(f"/?key={key}") for key in (READ, CONTROL)] == [303, 303]
        assert await page.code("/?key=guess0") == 403

    asked(test)


@pytest.mark.parametrize("mode", ["no-cors", "cors", "same-origin", "websocket"])
def test_wrong_keys_that_a_page_makes_a_browser_say_cost_nobody_anything(mode: str) -> None:
    async def test(page: Page) -> None:
        codes = {await page.code(f"/?key=guess{at}", Sec_Fetch_Mode=mode) for at in range(40)}
        assert codes == {403}
        assert await page.code("/?key=a-slip", Sec_Fetch_Mode="navigate") == 403
        assert await page.code("/?key=another") == 429

    asked(test)


# -- names -------------------------------------------------------------------------------------------------------


@given(NAMES)
@example("R&D/50% who?#1 \\ é")
def test_the_address_of_a_listener_keeps_its_name_whatever_is_in_it(name: str) -> None:
    """RFC 3986, 3.3, by the quoting and the parser of the standard library."""
    path = f"/listener/{quote(name, safe='')}"

    async def test(page: Page) -> None:
        answer = await page.get(f"{path}?x=1&key={READ}")
        assert answer.status_code == 303
        there = urlsplit(answer.headers["location"])
        assert (unquote(there.path), there.query, there.fragment) == (f"/listener/{name}", "x=1", "")
        assert await page.code(answer.headers["location"]) == (200 if len(name) <= NAME_MAX else 404)

    asked(test)


# -- a program that hangs ----------------------------------------------------------------------------------------


def test_a_program_that_hangs_is_asked_for_nothing() -> None:
    async def test(page: Page) -> None:
        await page.get(f"/?key={CONTROL}")
        assert (await page.want()).status_code == 202
        page.silent[0] = 7.6
        for answer in (await page.want(), await page.get("/live")):
            assert (answer.status_code, answer.headers["retry-after"]) == (503, "1")
            assert "said nothing for 8 s" in answer.text
        page.silent[0] = None
        assert (await page.want()).status_code == 202
        assert page.wants == [NEXT, NEXT]

    asked(test)
