"""The demo night watched in a browser: feet over OSC, the daemon, its page, Chromium; what the page shows after each
press is what a rehearsal of the same night tells."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from browsing import browser
from nights import playing, told
from page_stage import Stage, address, ended

pytestmark = pytest.mark.slow

WAIT_MS = 20_000

SHOWN = """([song, did, came]) => {
  // Names are set apart for text that runs from right to left.
  const says = (id) => document.getElementById(id).textContent.replace(/[\u2066-\u2069]/g, '');
  return says('song') === song && says('did').startsWith(did) && says('came').includes(came);
}"""


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.close()


def expected(show: Path) -> Iterator[tuple[str, str, str]]:
    """For each press of the show's own script: the song that is up after it, who did what, and what came of it."""
    by_press: dict[int, list[dict[str, Any]]] = {}
    for one in told("rehearse", str(show)):
        if one.get("press") is not None and one.get("who") != "desk":
            by_press.setdefault(one["press"], []).append(one)
    song = ""
    for some in by_press.values():
        press = next(one for one in some if one["kind"] == "press")
        song = next((one["song"] for one in some if one["kind"] == "arrival"), song)
        changes = [one for one in some if one["kind"] == "change"]
        came = ""
        if press["what"] == "nudge" and changes:
            came = f"{changes[0]['from_db']:g} dB → {changes[0]['to_db']:g} dB".replace("-", "−")
        yield song, f"{press['who']}: {press['what']}", came


def test_each_press_of_the_demo_night_is_seen(stage: Stage) -> None:
    script = yaml.load((stage.show / "presses.yaml").read_text(), yaml.BaseLoader)["presses"]
    wanted = list(expected(stage.show))
    assert len(wanted) == len(script) and len({song for song, _, _ in wanted}) == 3
    foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    with (
        foot,
        playing(stage.show, stage.journal, "--page", "127.0.0.1:0") as daemon,
        browser() as chromium,
    ):
        page = chromium.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(address(daemon, "page"))
        page.wait_for_function("() => document.getElementById('live').textContent.includes('live')")
        for press, shown in zip(script, wanted, strict=True):
            for value in (b"\1", b"\0"):
                path = f"/foot/{press['control']}".encode()
                padded = path + bytes(4 - len(path) % 4)
                foot.sendto(padded + b",i\0\0\0\0\0" + value, ("127.0.0.1", stage.to))
            page.wait_for_function(SHOWN, arg=list(shown))
        ended(daemon)
        page.wait_for_function("() => document.getElementById('live').textContent.toLowerCase().includes('over')")
