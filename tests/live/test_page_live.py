"""The stage page of a night on real ports: a foot and the desk over OSC, a browser over HTTP, its stream read by
httpx-sse, the journal by the sqlite3 of the standard library."""

from __future__ import annotations

import socket
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from httpx_sse import connect_sse
from nights import playing, told
from page_stage import LIMIT_S, Stage, address, ended


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.close()


def boards(client: httpx.Client, url: str) -> Iterator[dict[str, Any]]:
    """The boards of the stage."""
    with connect_sse(client, "GET", f"{url}live", timeout=LIMIT_S) as source:
        yield from (event.json() for event in source.iter_sse() if event.event == "stage")


def shows(seen: Iterator[dict[str, Any]], wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    """The first board that shows something."""
    return next(board for board in seen if wanted(board))


def test_a_press_is_shown_and_a_want_is_played_and_kept(stage: Stage) -> None:
    with playing(stage.show, stage.journal, "--page", "127.0.0.1:0", "--control") as daemon, httpx.Client() as client:
        url = address(daemon, "page")
        seen = boards(client, url)
        first = shows(seen, lambda board: all(lamp["state"] == "ok" for lamp in board["lamps"]))
        assert (first["kind"], first["place"]["number"], first["last"]) == ("night", 0, None)
        assert stage.press()
        after = shows(seen, lambda board: board["place"]["number"] == 1)
        after = after if after["last"] else shows(seen, lambda board: board["last"] is not None)
        assert (after["last"]["who"], after["last"]["what"], after["last"]["refused"]) == ("fiddler", "next", None)
        client.get(address(daemon, "page with controls"))
        say = {"Origin": url.rstrip("/")}
        want = {"do": "nudge", "listener": "singer", "input": "own", "by": 100}
        assert client.post(f"{url}want", json=want, headers=say).status_code == 202
        nudged = shows(seen, lambda board: board["listeners"][0]["nudges"])
        assert [(one["input"], one["by"]) for one in nudged["listeners"][0]["nudges"]] == [("voice", 100)]
        assert client.post(f"{url}want", json={"do": "hush", "listener": "nobody"}, headers=say).status_code == 202
        said = shows(seen, lambda board: board["notice"] is not None)
        assert "no listener `nobody`" in said["notice"]["text"]
        ended(daemon)
    with sqlite3.connect(stage.journal) as journal:
        dump = "\n".join(journal.iterdump())
    assert "key=" not in dump
    journal.close()
    pressed = [
        (one["who"], one["what"]) for one in told("log", "--journal", str(stage.journal)) if one["kind"] == "press"
    ]
    assert pressed == [("fiddler", "next"), ("page for singer", "nudge")]
    assert told("log", "--journal", str(stage.journal))[-1]["kind"] == "end"


def test_a_page_that_cannot_be_served_keeps_no_press_from_the_desk(stage: Stage) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with playing(stage.show, stage.journal, "--page", f"127.0.0.1:{port}") as daemon:
            daemon.until(lambda line: line.startswith("ready"))
            assert stage.press()
            daemon.until(lambda line: "next" in line)
            told_of = daemon.process.stderr
            assert told_of is not None
            assert any(f"the page cannot be served at 127.0.0.1:{port}" in line for line in iter(told_of.readline, ""))
            ended(daemon)


def test_beyond_this_machine_the_page_has_a_key_to_read(stage: Stage) -> None:
    with playing(stage.show, stage.journal, "--page", "0.0.0.0:0") as daemon, httpx.Client() as client:
        bare, _, key = address(daemon, "page").partition("?key=")
        port = bare.rstrip("/").rsplit(":", 1)[1]
        here = f"http://127.0.0.1:{port}/"
        assert len(key) >= 22
        assert client.get(f"{here}live").status_code == 403
        assert client.get(here, params={"key": key}, follow_redirects=False).status_code == 303
        assert next(boards(client, here))["show"]
        ended(daemon)
