"""What is answered to whom: the pages, their files, the stream of boards, and what somebody wants.

Every request passes the same gate first (`Site.__call__`): host, method, origin, key. Refusals are a plain sentence.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping
from html import escape
from importlib import resources
from typing import Any, Final, NamedTuple, NoReturn
from urllib.parse import quote, urlencode

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from stagectl.view.audience import CLIENTS_MAX, Audience
from stagectl.view.guard import Failures, Hosts, Keys, Rights, WantRates, by_hand, same_origin, same_site, seal
from stagectl.view.lines import Kind
from stagectl.view.wants import BODY_MAX, want_from

TYPES: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "html": "text/html; charset=utf-8",
}
"""The kinds of files that are served, by the end of the name."""

PAGES: Final[Mapping[Kind, Mapping[str, str]]] = {
    "night": {"/": "page.html", "/map": "map.html"},
    "rehearsal": {"/": "page.html", "/map": "map.html", "/room": "room.html"},
}
"""Which page stands at which address."""

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
"""What the pages may load and do (W3C Content Security Policy 3): their own files, and nothing that stands in them."""

HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Said with every answer."""

QUERY_MAX: Final = 512
NAME_MAX: Final = 200
"""Bytes of what stands behind the question mark, and of a listener's name in an address."""


def static_files() -> dict[str, bytes]:
    """The files that are served, by name, read once: nothing else can be asked for."""
    folder = resources.files("stagectl.view") / "static"
    found = sorted(folder.iterdir(), key=lambda file: file.name) if folder.is_dir() else []
    return {file.name: file.read_bytes() for file in found if file.is_file() and file.name.rpartition(".")[2] in TYPES}


LEFT_ALONE: Final = "/%-._~!$&'()*+,;=:@"
"""Characters of a path that stay as they are in the address that somebody is led on to (RFC 3986, 3.3)."""

NEW_KEY: Final = "scan the code that was shown at the start, or open that address"


class _No(Exception):
    """A refusal: its code, its sentence, and headers that go with it."""

    def __init__(self, code: int, sentence: str, **headers: str) -> None:
        super().__init__(sentence)
        self.code, self.headers = code, headers


class Who(NamedTuple):
    """Who asks: what they may do, and whether they come with a key that is no longer the right one. Then a new key is
    needed for what the old one was for, even where everybody may read."""

    rights: Rights
    stale: bool = False


class Site:
    """The answers, as an ASGI application. `wanted`: takes what somebody wants, when every guard has let it through;
    `silent_s`: for how long the program has said nothing, s, None where it has lately: then nothing that is asked for
    would be heard, and what is shown is old."""

    def __init__(
        self,
        keys: Keys,
        hosts: Hosts,
        port: int,
        kind: Kind,
        audience: Audience,
        wanted: Callable[[Any], None],
        silent_s: Callable[[], float | None],
    ) -> None:
        self._keys, self._hosts, self._kind = keys, hosts, kind
        self._audience, self._wanted, self._silent_s = audience, wanted, silent_s
        self._cookie = f"stagectl-{port}"
        self._failures, self._rates = Failures(), WantRates()
        self._files = static_files()
        self._answers: Mapping[tuple[str, str], Callable[[Request, Who], Awaitable[Response]]] = {
            ("GET", "live"): self._live,
            ("POST", "want"): self._want,
            ("GET", "static"): self._static,
            ("GET", ""): self._page,
            ("GET", "listener"): self._page,
            ("GET", "map"): self._page,
            ("GET", "room"): self._page,
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        try:
            response = await self._answer(request)
        except _No as no:
            # What it sends on is not waited for.
            response = PlainTextResponse(f"{no}.\n", no.code, headers={**no.headers, "Connection": "close"})
        except ClientDisconnect:
            return
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        await response(scope, receive, send)

    async def _answer(self, request: Request) -> Response:
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or not self._hosts.allow(hosts[0]):
            raise _No(403, "this page is not asked for by that name; use the address that was printed at the start")
        method = "GET" if request.method == "HEAD" else request.method
        room = request.scope["path"].partition("/")[2].partition("/")[0]
        answer = self._answers.get((method, room))
        if answer is None:
            allowed = [known for known, where in self._answers if where == room]
            if allowed:
                raise _No(405, f"only {allowed[0]} is answered here", Allow=", ".join(allowed))
            raise _No(404, "there is nothing here")
        if len(request.url.query) > QUERY_MAX:
            raise _No(400, "the address is too long")
        if "key" in request.query_params:
            return self._enter(request)
        who = self._who(request)
        if who.rights < Rights.READ:
            why = "the key that this browser has is the right one no more" if who.stale else "this page needs its key"
            raise _No(403, f"{why}: {NEW_KEY}")
        return await answer(request, who)

    # -- keys ---------------------------------------------------------------------------------------------------

    def _who(self, request: Request) -> Who:
        """Who this client is, by its cookie."""
        value = request.cookies.get(self._cookie)
        if value is None:
            return Who(self._keys.least)
        found = self._keys.by_cookie(value)
        if found is None:
            # Where there are no keys, none is old.
            return Who(self._keys.least, stale=self._keys != Keys(read=None, control=None))
        return Who(max(found, self._keys.least))

    def _enter(self, request: Request) -> Response:
        """Somebody comes with a key in the address: it goes into a cookie, and out of the address."""
        address, key = _address(request), request.query_params["key"]
        if self._keys.by_key(key) is None:
            self._refuse(request, address, key)
        self._failures.passed(address)
        rest = urlencode([pair for pair in request.query_params.multi_items() if pair[0] != "key"])
        # As it came: there are names with every character in them.
        path = request.scope["raw_path"].decode("ascii", "replace").lstrip("/")
        there = "/" + quote(path, safe=LEFT_ALONE) + (f"?{rest}" if rest else "")
        if same_site(request.headers.get("sec-fetch-site")):
            response = Response(status_code=303, headers={"Location": there})
        else:
            # From a link on another site: a cookie that is strict is not sent along where that one has led to, so the
            # page goes there by itself.
            text = f'<!doctype html><meta http-equiv="refresh" content="0; url={escape(there)}"><title>stagectl</title>'
            response = Response(text, media_type=TYPES["html"])
        response.set_cookie(self._cookie, seal(key), httponly=True, samesite="strict", path="/")
        return response

    def _refuse(self, request: Request, address: str, key: str) -> NoReturn:
        """A wrong key. Those that a page of another site has made a browser say cost the one who sits there nothing."""
        if by_hand(request.headers.get("sec-fetch-mode")):
            now = time.monotonic()
            wait_s = self._failures.wait_s(address, now)
            if wait_s > 0:
                whole = int(wait_s) + 1
                text = f"that key is wrong, as others were before: wait {whole} s, then {NEW_KEY}"
                raise _No(429, text, **{"Retry-After": str(whole)})
            self._failures.failed(address, key, now)
        raise _No(403, f"that key is wrong: {NEW_KEY}")

    # -- answers ------------------------------------------------------------------------------------------------

    async def _page(self, request: Request, _: Who) -> Response:
        path = request.scope["path"]
        if path.startswith("/listener/") and 0 < len(path) - len("/listener/") <= NAME_MAX:
            path = "/"
        name = PAGES[self._kind].get(path)
        if name is None or name not in self._files:
            raise _No(404, "there is nothing here")
        return Response(self._files[name], media_type=TYPES["html"])

    async def _static(self, request: Request, _: Who) -> Response:
        name = request.scope["path"].removeprefix("/static/")
        if name not in self._files or name.endswith(".html"):
            raise _No(404, "there is nothing here")
        return Response(self._files[name], media_type=TYPES[name.rpartition(".")[2]])

    async def _live(self, request: Request, who: Who) -> Response:
        self._from_here(request)
        if request.scope["path"] != "/live":
            raise _No(404, "there is nothing here")
        self._program_lives()
        control = who.rights >= Rights.CONTROL
        if self._audience.full(control):
            text = f"{len(self._audience.clients)} pages are open, of {CLIENTS_MAX}: close one of them"
            raise _No(503, text, **{"Retry-After": "5"})
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        you = {"control": control, "kind": self._kind, "stale": who.stale}
        return StreamingResponse(self._audience.stream(you), media_type="text/event-stream")

    async def _want(self, request: Request, who: Who) -> Response:
        if request.headers.get("origin") is None:
            raise _No(403, "only the page itself may ask for something: there is no Origin")
        self._from_here(request)
        if who.rights < Rights.CONTROL:
            why = "the key that this browser has is the right one no more" if who.stale else "this page only shows"
            raise _No(403, f"{why}: to control, open the address that was printed for it at the start")
        if request.scope["path"] != "/want":
            raise _No(404, "there is nothing here")
        self._program_lives()
        if not self._rates.take(_address(request), time.monotonic()):
            raise _No(429, "too many wants at once: wait a second", **{"Retry-After": "1"})
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            raise _No(400, "a want comes as application/json")
        try:
            want = want_from(await _body(request))
        except ValueError as error:
            raise _No(400, str(error)) from None
        self._wanted(want)
        return PlainTextResponse("asked for.\n", 202)

    def _program_lives(self) -> None:
        """Refuse what would come to nothing, since the program does not hear it."""
        silent_s = self._silent_s()
        if silent_s is not None:
            text = f"stagectl has said nothing for {silent_s:.0f} s: it hangs, or was stopped; nothing is asked of it"
            raise _No(503, text, **{"Retry-After": "1"})

    def _from_here(self, request: Request) -> None:
        """Refuse what a page of another site has caused."""
        origin = request.headers.get("origin")
        here = origin is None or same_origin(origin, request.headers["host"])
        if not here or not same_site(request.headers.get("sec-fetch-site")):
            raise _No(403, "a page of another site has asked for this")


def _address(request: Request) -> str:
    return request.client.host if request.client is not None else ""


async def _body(request: Request) -> bytes:
    """The body of a request, if it is small. How long it may take, the connection sees to."""
    body = b""
    too_much = _No(413, f"that is too much; up to {BODY_MAX} bytes are taken")
    if int(request.headers.get("content-length", "0")) > BODY_MAX:
        raise too_much
    async for part in request.stream():
        body += part
        if len(body) > BODY_MAX:
            raise too_much
        await asyncio.sleep(0)
    return body
