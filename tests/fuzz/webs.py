"""What browsers send: raw requests to the served page, wants, headers that say who asks.

A request goes byte by byte through the page's own connection (uvicorn and h11 with our bounds) to the site, without a
socket. Outside judges: h11 as a client reads the answers, `json` and `urllib` of the standard library the rest.
"""

from __future__ import annotations

import asyncio
import json
from functools import cache
from typing import Any, Final
from urllib.parse import urlsplit

import h11
from uvicorn.server import ServerState

from fuzz.drawn import Drawn
from fuzz.texts import demo, sentence
from stagectl.apart.pipes import parsed
from stagectl.core.actions import Nudge
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.room import Room
from stagectl.rehearse.wants import DO, OF_THE_NIGHT, ask
from stagectl.story.heard import event, heard
from stagectl.view.asked import STEPS, asked
from stagectl.view.audience import Audience
from stagectl.view.connections import Connection
from stagectl.view.guard import Hosts, Keys, host_name, same_origin, seal, whose
from stagectl.view.lines import Cutter
from stagectl.view.process import config_of
from stagectl.view.site import HEADERS, Site
from stagectl.view.wants import NUMBER_MAX, TEXT_MAX, want_from

SENTENCE_MAX: Final = 3_000
"""Characters of a refusal: it repeats up to two texts of a want, and names up to a dozen others."""


def want(data: bytes) -> None:
    """Any body is a want or a sentence; a want is JSON by any reader, and flat. What a night does of it the core takes,
    and it comes back from a journal as it was; what a rehearsal does of it, it does or refuses."""
    try:
        found = want_from(data)
    except ValueError as error:
        sentence(error, SENTENCE_MAX)
        return
    assert found == json.loads(data)
    for name, value in found.items():
        assert len(name) <= TEXT_MAX and isinstance(value, int | str)
        assert len(value) <= TEXT_MAX if isinstance(value, str) else abs(value) <= NUMBER_MAX
    _of_a_night(found)
    _of_a_rehearsal(found)


def _of_a_night(found: dict[str, Any]) -> None:
    plan = demo()[1].plan
    try:
        what = asked(plan, found)
    except ValueError as error:
        sentence(error, SENTENCE_MAX)
        return
    assert not isinstance(what.action, Nudge) or what.action.by in STEPS
    assert event(heard(what, 1)) == what
    step(plan, begin(plan, 0), what, 1)


def _of_a_rehearsal(found: dict[str, Any]) -> None:
    drive = Drive(Room(*demo()), 0, lambda _: None)
    try:
        ask(drive, found, 1_000_000)
    except ValueError as error:
        sentence(error, SENTENCE_MAX)


NAMES: Final = ("do", "listener", "input", "by", "pedal", "control", "down", "value", "is", "song", "number", "section")


def made_want(data: bytes) -> None:
    """A want whose names and values are drawn from those that mean something."""
    drawn = Drawn(data)
    plan = demo()[1].plan
    pedals = [name for pedal in plan.pedals for name in (pedal.name, *(control.name for control in pedal.controls))]
    known = [*DO, *OF_THE_NIGHT, *plan.listeners, *plan.inputs, *pedals, *(stop.name for stop in plan.stops)]
    numbers = [*STEPS, 1, 2, 4, 0, 16_383, True, False, "own", "whole mix"]
    found = {"do": drawn.pick([*DO, *OF_THE_NIGHT])}
    for _ in range(drawn.below(6)):
        found[drawn.pick(NAMES)] = drawn.value(known if drawn.below(2) else numbers, 1)
    want(json.dumps(found, default=repr).encode())


# -- requests ---------------------------------------------------------------------------------------------------

READ: Final = "a-key-to-read"
CONTROL: Final = "a-key-to-control"
PORT: Final = 8480

CUT: Final = b"\n~~\n"
"""Parts a request from the next that comes by the same connection."""

TURNS: Final = 12
"""How often the loop turns between two requests: all answers but the stream are made by then."""


class _Wire(asyncio.Transport):
    """The other end of a connection: keeps what is written, up to a bound."""

    def __init__(self) -> None:
        super().__init__({"peername": ("10.0.0.7", 50_000), "sockname": ("10.0.0.1", PORT)})
        self.said = bytearray()
        self.closed = False

    def write(self, data: Any) -> None:
        self.said += data

    def is_closing(self) -> bool:
        return self.closed

    def close(self) -> None:
        self.closed = True

    def abort(self) -> None:
        self.closed = True

    def pause_reading(self) -> None:
        """It is given what there is."""

    def resume_reading(self) -> None:
        """It is given what there is."""

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        raise AssertionError("no other protocol is spoken here")


def request(data: bytes) -> None:
    """Whatever comes by a connection: every answer is sound HTTP, none says that something broke (500), all have our
    headers, and no key nor want gets through but by its guard."""
    wants: list[Any] = []
    troubles: list[dict[str, Any]] = []
    said = asyncio.run(_answers(data, wants, troubles))
    assert not troubles, troubles
    assert (READ.encode() not in said and CONTROL.encode() not in said) or _says_key(data)
    if wants:
        assert seal(CONTROL).encode() in data and b"rigin" in data.lower()
    _judge(said)


def _says_key(data: bytes) -> bool:
    """Whether the keys were in the request itself, which may lead on to what it asked for."""
    return READ.encode() in data or CONTROL.encode() in data


async def _answers(data: bytes, wants: list[Any], troubles: list[dict[str, Any]]) -> bytes:
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: troubles.append(context))
    audience = Audience()
    # A stream then ends when it has said all that there is.
    audience.end("the test is over")
    site = Site(Keys(read=READ, control=CONTROL), Hosts(["band"]), PORT, "night", audience, wants.append, lambda: None)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        try:
            await site(scope, receive, send)
        except h11.LocalProtocolError:
            # What is asked for was no HTTP after all, and has been told so.
            pass
        except Exception as error:  # noqa: BLE001 - whatever it is, it is the finding
            troubles.append({"exception": repr(error)})

    config = config_of(app)
    config.load()
    wire = _Wire()
    connection = Connection(config, ServerState(), {}, loop)
    connection.connection_made(wire)
    for part in data.split(CUT)[:4]:
        if wire.closed or not part:
            # No loop hands over nothing.
            break
        connection.data_received(part)
        for _ in range(TURNS):
            await asyncio.sleep(0)
    connection.connection_lost(None)
    for task in asyncio.all_tasks() - {asyncio.current_task()}:
        await asyncio.wait({task}, timeout=1)
    return bytes(wire.said)


CODES: Final = frozenset((200, 202, 303, 400, 403, 404, 405, 413, 429, 431, 503))


def _judge(said: bytes) -> None:
    """What was said is answers, whole but for the last, by a client's reader of HTTP."""
    while said.startswith(b"HTTP/"):
        head, found, rest = said.partition(b"\r\n\r\n")
        if not found:
            return
        rows = head.split(b"\r\n")
        code = int(rows[0].split(b" ")[1])
        fields = {name.lower(): value.strip() for name, _, value in (row.partition(b":") for row in rows[1:])}
        client = h11.Connection(h11.CLIENT)
        client.send(h11.Request(method="GET", target="/", headers=[("Host", "x")]))
        client.send(h11.EndOfMessage())
        client.receive_data(head + b"\r\n\r\n")
        answer = client.next_event()
        assert isinstance(answer, h11.Response) and answer.status_code == code
        assert code in CODES, (code, head)
        by_us = b"content-security-policy" in fields
        assert by_us or code in (400, 431), head
        if by_us:
            assert all(fields[name.lower().encode()] == value.encode() for name, value in HEADERS.items())
        size = fields.get(b"content-length")
        if size is None:
            return
        after = rest.find(b"HTTP/1.1 ", 0)
        said = rest[int(size) :] if rest[: int(size)] and not rest.startswith(b"HTTP/") else rest[max(after, 0) :]


# -- headers ----------------------------------------------------------------------------------------------------


def headers(data: bytes) -> None:
    """Any headers: a host that is let in is one by the standard library too, and so is an origin that is ours."""
    host, _, origin = data.decode("latin-1").partition("\n")
    hosts = Hosts(["band"])
    whose(host)
    if hosts.allow(host):
        name = host_name(host)
        assert name is not None and urlsplit(f"http://{host}/").hostname is not None
        assert name in ("localhost", "band") or set(name) <= set("0123456789abcdefABCDEF.:")
        if same_origin(origin, host):
            parts = urlsplit(origin)
            assert parts.scheme == "http" and (parts.hostname or "").strip("[]").rstrip(".") == name


def pipe_lines(data: bytes) -> None:
    """Lines of JSON between processes, however they are cut: the same lines, and none that is no object."""
    cutter = Cutter()
    step_ = 1 + len(data) // 7
    lines = [line for at in range(0, len(data), step_) for line in cutter.take(data[at : at + step_])]
    assert lines == data.split(b"\n")[:-1]
    for line in lines:
        message = parsed(line)
        assert message is None or isinstance(message, dict)


@cache
def cookie() -> bytes:
    """What a browser says that was let in to control."""
    return f"stagectl-{PORT}={seal(CONTROL)}".encode()
