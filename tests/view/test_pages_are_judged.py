"""The pages before judges from outside (`tests/judges.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from browsing import Window, browser
from judges import axe, html_validate
from page_served import Served, served
from stage_boards import at_stop, demo, evening

from stagectl.sheet.scene_map import scene_map
from stagectl.view.last import Notice
from stagectl.view.map_board import map_board
from stagectl.view.site import static_files

pytestmark = pytest.mark.slow

KEY: Final = "a-key-that-lets-somebody-control"
SIZE: Final = (1280, 720)


@pytest.fixture(scope="module")
def window() -> Iterator[Window]:
    with browser() as made:
        yield Window(made)


@pytest.fixture(scope="module")
def stage() -> Iterator[Served]:
    night = evening()
    at_stop(night, "Nobody Rows Alone", "organ break")
    night.nudge(0, None, 100)
    night.known = night.known._replace(pedals_here=[0], met={"vocal pedal"}, journal="the disk is full")
    with served(KEY) as page:
        page.put("stage", night.board(notice=Notice("reminder", "15 min to the curfew", 0)))
        page.put("map", map_board(scene_map(*demo()), night.moment.wall_ms))
        yield page


PATHS: Final = (("", ".nudge"), ("listener/singer", ".nudge"), ("map", "td"))


def test_axe_finds_nothing_against_the_pages(stage: Served, window: Window) -> None:
    with window.page(stage.bare, SIZE, reduced_motion="reduce") as page:
        for path, drawn in PATHS:
            page.goto(f"{stage.bare}{path}?key={KEY}")
            page.wait_for_selector(drawn)
            assert axe(page) == [], path
        page.goto(stage.bare)
        page.wait_for_selector("#controls button")
        page.keyboard.press("?")
        page.wait_for_selector("dialog[open]")
        assert axe(page) == []


def test_axe_would_see_a_button_without_a_name_and_pale_text(stage: Served, window: Window) -> None:
    with window.page(stage.bare, SIZE) as page:
        page.goto(stage.bare)
        page.wait_for_selector(".nudge")
        page.evaluate("document.getElementById('help').textContent = ''")
        page.evaluate("document.getElementById('did').style.setProperty('color', '#aaa')")
        assert {one["id"] for one in axe(page)} >= {"button-name", "color-contrast"}


def test_the_markup_is_valid_and_bad_markup_would_be_seen(tmp_path: Path) -> None:
    good = {name: static_files()[name].decode() for name in ("page.html", "map.html")}
    bad = good["page.html"].replace("<footer>", '<footer><p id="lamps"><div>')
    # HTML lets the doctype be in capitals, and empty elements stand as they are.
    said = html_validate(tmp_path, {**good, "bad.html": bad}, without=("doctype-style", "void-style"))
    assert {"no-dup-id", "element-permitted-content"} & {one.partition(":")[0] for one in said.pop("bad.html")}
    assert said == {name: [] for name in good}
