"""The page's process with its guards, over real connections. What browsers do is said by the standards named; events
are read by httpx-sse, a reader of its own."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
import time
from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any, Final

import httpx
import pytest
from httpx_sse import ServerSentEvent, connect_sse
from lines import Program
from pages import CONTROL, LIMIT_S, READ, Served, all_of, answer, served

from stagectl.view.connections import CONNECTIONS_MAX, HEAD_MAX
from stagectl.view.guard import WANTS_AT_ONCE
from stagectl.view.lines import BOARDS_MAX, SILENT_S, Open
from stagectl.view.process import _Process, listen
from stagectl.view.site import HEADERS, QUERY_MAX
from stagectl.view.wants import BODY_MAX

NEXT: Final = {"do": "next"}


@pytest.fixture(scope="module")
def page() -> Iterator[Served]:
    """Everybody of this machine reads; controls need their key."""
    with served() as made:
        yield made


@pytest.fixture(scope="module")
def locked() -> Iterator[Served]:
    """Nobody reads without a key."""
    with served(read_key=READ) as made:
        yield made


def events(page: Served, client: httpx.Client, **headers: str) -> Iterator[ServerSentEvent]:
    """The stream's events, but for those of the heart."""
    with connect_sse(client, "GET", f"{page.url}/live", headers=headers, timeout=LIMIT_S) as source:
        yield from (event for event in source.iter_sse() if event.event != "beat")


def test_a_client_is_given_the_last_of_each_board_and_then_every_change() -> None:
    with served() as page, httpx.Client() as client:
        for at in range(50):
            page.put("stage", now=at, text="é\n\r\u2028 <script>")
        page.put("map", now=1)
        seen = events(page, client, Cookie=page.cookie(CONTROL))
        you = next(seen)
        assert (you.event, you.json(), you.retry) == ("you", {"control": True, "kind": "night", "stale": False}, 1000)
        first: dict[str, Any] = {}
        while len(first) < 2 or first["stage"]["now"] != 49:
            event = next(seen)
            first[event.event] = event.json()
        assert first["stage"]["text"] == "é\n\r\u2028 <script>"
        page.put("stage", now=50)
        after = [event.json() for event in until(seen, "stage", 50)]
        assert after[-1] == {"now": 50}
        assert page.told("clients")["count"] == 1
        page.say({"gone": "the night is over"})
        assert [(event.event, event.json()) for event in seen] == [("gone", {"why": "the night is over"})]
        assert page.program.process.wait(LIMIT_S) == 0


def until(seen: Iterator[ServerSentEvent], board: str, now: int) -> list[ServerSentEvent]:
    """The events up to a board of a time."""
    found = []
    for event in seen:
        found.append(event)
        if event.event == board and event.json()["now"] == now:
            return found
    raise EOFError(f"the stream has ended without {board} {now}")


def test_the_heart_beats_though_nothing_happens(page: Served) -> None:
    with httpx.Client() as client, connect_sse(client, "GET", f"{page.url}/live", timeout=LIMIT_S) as source:
        beats = (event for event in source.iter_sse() if event.event == "beat")
        one, other = next(beats).json()["now"], next(beats).json()["now"]
        assert 0 < other - one < 10_000


def test_a_program_that_hangs_is_asked_for_nothing_and_its_clients_hear_no_heart(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its beats have their own times: those that have waited in the pipe bring nobody back to life."""
    clock = Clock()
    monkeypatch.setattr("stagectl.view.process.time.monotonic_ns", lambda: clock.now)

    async def test() -> None:
        made = listen("127.0.0.1", 0)
        process = _Process(Open("127.0.0.1", 0, "t"), made, out=Said())  # type: ignore[arg-type]
        heard: list[str] = []
        monkeypatch.setattr(process.audience, "put", lambda board, _: heard.append(board))
        assert process._silent_s() is None
        clock.now += int((SILENT_S + 1) * 1e9)
        assert process._silent_s() == SILENT_S + 1
        process.take({"beat": clock.now - int((SILENT_S + 0.5) * 1e9)})
        assert (process._silent_s(), heard) == (SILENT_S + 0.5, [])
        process.take({"beat": clock.now})
        assert (process._silent_s(), heard) == (None, ["beat"])
        made.close()

    asyncio.run(test())


class Clock:
    """A clock that is set by hand, ns."""

    now = 10**12


class Said:
    """What the process says goes nowhere."""

    def say(self, what: str, **_: object) -> None:
        """Nothing."""


def test_every_answer_says_what_browsers_are_to_keep_from(page: Served) -> None:
    """W3C CSP 3, WHATWG Fetch (nosniff), W3C Referrer Policy; the names are those of the standards."""
    wrong_key = page.ask("GET", "/?key=no")
    answers = [page.ask("GET", path) for path in ("/nowhere", "/?" + "x" * (QUERY_MAX + 1), "/static/page.js")]
    answers += [page.ask("PUT", "/want"), page.ask("GET", "/", Host="evil.example"), wrong_key]
    for code, headers, _ in answers:
        assert {name: headers[name.lower()] for name in HEADERS} == HEADERS, code
        assert "server" not in headers
    policy = dict(part.split(" ", 1) for part in HEADERS["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in str(policy) and policy["script-src"] == policy["style-src"] == "'self'"


def test_a_key_goes_into_a_cookie_and_out_of_the_address(locked: Served) -> None:
    """Read by the cookie jar of httpx, and by `http.cookies`."""
    assert locked.ask("GET", "/live")[0] == 403
    code, headers, _ = locked.ask("GET", f"/listener/drums?x=1&key={READ}")
    assert (code, headers["location"]) == (303, "/listener/drums?x=1")
    [(name, cookie)] = SimpleCookie(headers["set-cookie"]).items()
    assert (name, cookie["httponly"], cookie["samesite"].lower(), cookie["path"]) == (
        f"stagectl-{locked.port}",
        True,
        "strict",
        "/",
    )
    assert READ not in headers["set-cookie"]
    for key, control in ((READ, False), (CONTROL, True)):
        with httpx.Client(follow_redirects=False) as client:
            client.get(f"{locked.url}/", params={"key": key})
            assert next(events(locked, client)).json()["control"] is control


def test_whoever_comes_by_a_link_of_another_site_is_led_on_by_the_page_itself(locked: Served) -> None:
    """RFC 6265bis 5.2: a strict cookie is not sent along the redirects of a navigation that another site began."""
    code, headers, text = locked.ask("GET", f"/listener/a%22b?key={READ}", Sec_Fetch_Site="cross-site")
    assert (code, "location" in headers, "set-cookie" in headers) == (200, False, True)
    assert 'content="0; url=/listener/a%22b"' in text


@pytest.mark.parametrize("path", ["//evil.example/x", "/\\evil.example", "/%0d%0aSet-Cookie:%20a=b", "///evil.example"])
def test_nobody_is_led_elsewhere(locked: Served, path: str) -> None:
    """RFC 3986, 4.2: an address that begins with two slashes is that of another host."""
    code, headers, _ = locked.ask("GET", f"{path}?key={READ}")
    where = headers.get("location", "/")
    assert code in (303, 404, 400) and where[0] == "/" and where[1:2] not in ("/", "\\") and "\r" not in where


def test_wrong_keys_wait_and_what_is_right_does_not() -> None:
    with served(read_key=READ) as page:
        codes = [page.ask("GET", f"/?key=guess{n}")[0] for n in range(6)]
        assert codes[0] == 403 and set(codes[1:]) <= {403, 429} and codes.count(429) >= 3
        code, headers, text = page.ask("GET", "/?key=another")
        assert (code, int(headers["retry-after"]) >= 1, "wait" in text) == (429, True, True)
        assert page.ask("GET", f"/?key={READ}")[0] == 303
        assert page.want(NEXT) == 202
        assert page.ask("HEAD", "/live", Cookie=page.cookie(READ))[0] == 200
        assert page.ask("HEAD", "/live", Cookie=f"stagectl-{page.port}=x; other=y")[0] == 403


def test_only_the_page_itself_with_its_key_may_ask_for_something(page: Served) -> None:
    big = b'{"do": "next", "pad": "' + b"x" * BODY_MAX + b'"}'
    refused = {
        "no origin": page.want(NEXT, Origin=""),
        "another origin": page.want(NEXT, Origin="http://evil.example"),
        "another port": page.want(NEXT, Origin=f"http://127.0.0.1:{page.port + 1}"),
        "a sandbox": page.want(NEXT, Origin="null"),
        "over TLS": page.want(NEXT, Origin=f"https://{page.at}"),
        "another site": page.want(NEXT, Sec_Fetch_Site="cross-site"),
        "a neighbour": page.want(NEXT, Sec_Fetch_Site="same-site"),
        "another host": page.want(NEXT, Host="evil.example", Origin="http://evil.example"),
        "no cookie": page.want(NEXT, Cookie=""),
        "a wrong cookie": page.want(NEXT, Cookie=page.cookie("wrong")),
        "the key for a cookie": page.want(NEXT, Cookie=f"stagectl-{page.port}={CONTROL}"),
        "another port's cookie": page.want(NEXT, Cookie=page.cookie(CONTROL).replace("-", "-1")),
    }
    assert set(refused.values()) == {403}, refused
    malformed = [
        page.want(NEXT, Content_Type="text/plain"),
        page.want(NEXT, Content_Type=""),
        *map(page.want, (b"", b"{", b"\xff\xfe", b"[" * 900, b'{"do": 1}', b'{"do": "a", "do": "b"}', [], {"x": 1})),
        *map(page.want, ({"do": "x", "y": {}}, {"do": "x", "y": 1.5}, b'{"do": "x", "y": NaN}', {"do": "\n"})),
        *map(page.want, ({"do": "x" * 201}, {"do": "x", **{f"n{n}": 1 for n in range(20)}}, {"do": "x", "y": 1e99})),
    ]
    assert set(malformed) == {400}, malformed
    assert page.want(big) == 413
    parts = f"{len(big):x}\r\n".encode() + big + b"\r\n0\r\n\r\n"
    assert page.want(parts, Transfer_Encoding="chunked", Content_Length="") == 413
    before = time.monotonic_ns()
    assert page.want({"do": "nudge", "listener": "é", "by": -100, "yes": True}, Sec_Fetch_Site="same-origin") == 202
    first = page.told("want")
    at = first.pop("at")
    assert before < at < time.monotonic_ns()
    assert first == {"is": "want", "want": {"do": "nudge", "listener": "é", "by": -100, "yes": True}, "from": "page"}


def test_a_reader_and_whoever_has_no_key_control_nothing(locked: Served) -> None:
    assert locked.want(NEXT, Cookie=locked.cookie(READ)) == 403
    with served(control_key=None) as page:
        assert [page.want(NEXT), page.want(NEXT, Cookie=page.cookie("None"))] == [403, 403]


def test_wants_are_bounded_in_time() -> None:
    with served() as page:
        codes = [page.want({"do": "next", "n": n}) for n in range(3 * WANTS_AT_ONCE)]
        assert set(codes) == {202, 429} and codes.index(429) >= WANTS_AT_ONCE
        for n, code in enumerate(codes):
            if code == 202:
                assert page.told("want")["want"]["n"] == n


@pytest.mark.parametrize("path", ["/live", "/want", "/", "/static/page.js"])
def test_a_name_that_was_pointed_here_is_no_name_of_this_page(page: Served, path: str) -> None:
    """DNS rebinding; and a request with no host, or with two, is none at all (RFC 9112, 3.2)."""
    assert page.ask("GET", path, Host="evil.example")[0] == 403
    for hosts in ("", f"Host: {page.at}\r\nHost: evil.example\r\n"):
        with page.raw(f"GET {path} HTTP/1.1\r\n{hosts}\r\n".encode()) as made:
            assert answer(all_of(made))[0] == 400


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/static",
            "/static/",
            "/static/page.html",
            "/static/../site.py",
            "/static/%2e%2e/site.py",
            "/static//page.js",
        ),
        *(
            "/docs",
            "/openapi.json",
            "/favicon.ico",
            "/live/x",
            "/listener/",
            "/listener/" + "x" * 201,
            "/room",
            "/.",
            "//",
        ),
    ],
)
def test_there_is_nothing_else(page: Served, path: str) -> None:
    assert page.ask("GET", path)[0] == 404


def test_methods_are_few(page: Served) -> None:
    """RFC 9110, 15.5.6: with an `Allow`; 9.3.2: HEAD is GET without its content, and does not stay open."""
    code, headers, _ = page.ask("GET", "/want")
    assert (code, headers["allow"]) == (405, "POST")
    assert {page.ask(method, "/live")[0] for method in ("POST", "PUT", "DELETE", "OPTIONS", "TRACE")} == {405}
    assert page.ask("HEAD", "/live")[::2] == (200, "")


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x16\x03\x01\x02\x00\x01\x00",
        b"\0" * 4096,
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost : b\r\n\r\n",
        b"POST /want HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
        b"POST /want HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * (HEAD_MAX + 70_000),
        b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 20_000,
    ],
    ids=range(8),
)
def test_garbage_is_answered_by_an_end(page: Served, garbage: bytes) -> None:
    with page.raw() as made:
        try:
            made.sendall(garbage)
            data = all_of(made)
        except (BrokenPipeError, ConnectionResetError):
            data = b""
    assert data == b"" or answer(data)[0] in (400, 403)
    assert page.ask("HEAD", "/live")[0] == 200


def test_whoever_speaks_before_the_answer_is_let_go_of(page: Served) -> None:
    """Requests in a row on one connection (RFC 9112, 9.3.2, lets a server close it): no browser does that."""
    one = f"GET /live HTTP/1.1\r\nHost: {page.at}\r\n\r\n".encode()
    with page.raw(one * 50) as made:
        assert b"event: you" not in all_of(made)
    with page.raw(one) as made:
        assert made.recv(15) == b"HTTP/1.1 200 OK"
        made.sendall(b"more" * 1000)
        all_of(made)
    assert page.ask("HEAD", "/live")[0] == 200


def test_idle_connections_without_number_keep_nobody_out(page: Served) -> None:
    crowd = [page.raw(b"GET / HT" if n % 2 else b"") for n in range(CONNECTIONS_MAX + 100)]
    try:
        assert page.ask("HEAD", "/live")[0] == 200
        assert page.want(NEXT) == 202
        ended = 0
        for one in crowd[:100]:
            one.settimeout(LIMIT_S)
            ended += all_of(one) == b""
        assert ended == 100
    finally:
        for one in crowd:
            one.close()


def test_a_client_that_takes_nothing_costs_no_more_than_one_that_does() -> None:
    with served() as page, httpx.Client() as client:
        stalled = [page.raw(f"GET /live HTTP/1.1\r\nHost: {page.at}\r\n\r\n".encode()) for _ in range(5)]
        seen = events(page, client)
        next(seen)
        for at in range(300):
            page.put("stage", now=at, pad="x" * 100_000)
            if at == 20:
                before = resident(page.program)
        until(seen, "stage", 299)
        # 300 boards of 100 kB for five clients would be 150 MB.
        assert resident(page.program) - before < 12_000_000
        for one in stalled:
            one.close()


def resident(program: Program) -> int:
    """What the process holds in memory, bytes; where the system does not say it, nothing."""
    status = Path(f"/proc/{program.process.pid}/statm")
    return int(status.read_text().split()[1]) * 4096 if status.exists() else 0


def test_it_ends_with_standard_input_and_needs_a_first_line() -> None:
    with served() as page:
        assert page.program.process.stdin is not None
        page.program.process.stdin.close()
        assert page.program.process.wait(LIMIT_S) == 0
    program = Program([sys.executable, "-m", "stagectl.view.process"])
    assert program.process.stdin is not None
    program.process.stdin.close()
    assert program.process.wait(LIMIT_S) == 0
    program.close()


def test_ctrl_c_is_for_the_program(page: Served) -> None:
    page.program.process.send_signal(signal.SIGINT)
    assert page.ask("HEAD", "/live")[0] == 200


def test_a_port_that_is_taken_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        program = Program([sys.executable, "-m", "stagectl.view.process"])
        program.say(json.dumps({"open": {"host": "127.0.0.1", "port": port, "title": "t"}}))
        told = json.loads(program.line(LIMIT_S))
        assert told["is"] == "failed" and f"127.0.0.1:{port}" in told["text"]
        assert "another program, or an earlier page that hangs, has that port" in told["text"]
        assert program.process.wait(LIMIT_S) == 3
        program.close()


def test_lines_that_make_no_sense_are_passed_over(page: Served) -> None:
    for line in ("", "no JSON", "[]", "{}", '{"board": 1, "is": {}}', '{"board": "x", "is": 1}', '{"board": {}}'):
        page.line(line)
    page.put("stage", pad="x" * 1_000_001)
    page.put("stage", now=76)
    with httpx.Client() as client:
        seen = events(page, client)
        until(seen, "stage", 76)
        for at in range(BOARDS_MAX):
            page.put(f"board {chr(97 + at)}", now=at)
        page.put("stage", now=77)
        until(seen, "stage", 77)
        names = {event.event for event in until(events(page, client), "stage", 77)}
    # With the beat there are as many as there may be; the last is one too many.
    assert names <= {"you", "stage", *(f"board {chr(97 + at)}" for at in range(BOARDS_MAX - 1))}
