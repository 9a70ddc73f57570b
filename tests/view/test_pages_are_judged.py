"""The pages before judges from outside: axe-core (accessibility, by WCAG) and html-validate.

Both come from npm, into the folder that STAGECTL_JUDGES names, or `.judges`; `.ci/run` puts them there.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from needs import needs, unavailable
from page_served import JUDGES, Served, browser, served
from stage_boards import at_stop, demo, evening

from stagectl.sheet.scene_map import scene_map
from stagectl.view.last import Notice
from stagectl.view.map_board import map_board
from stagectl.view.site import static_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.slow

KEY: Final = "a-key-that-lets-somebody-control"
TAGS: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"]


def judge(name: str) -> Path:
    """A judge's folder."""
    there = JUDGES / "node_modules" / name
    if not there.is_dir():
        unavailable(f"{name} is not in {JUDGES}: npm install --prefix {JUDGES} axe-core html-validate")
    return there


@pytest.fixture(scope="module")
def axe() -> Callable[..., list[dict[str, Any]]]:
    """What axe-core has against a page as it is; in the dark only its contrast is another."""
    text = (judge("axe-core") / "axe.min.js").read_text("utf-8")

    def judged(page: Page, scheme: str = "light") -> list[dict[str, Any]]:
        page.evaluate(text)
        only = {"type": "tag", "values": TAGS} if scheme == "light" else {"type": "rule", "values": ["color-contrast"]}
        said = page.evaluate("(only) => axe.run(document, { runOnly: only })", only)
        assert len(said["passes"]) > (10 if scheme == "light" else 0)
        return [{"id": one["id"], "where": [node["html"][:120] for node in one["nodes"]]} for one in said["violations"]]

    return judged


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as made:
        yield made


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


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_the_pages(
    stage: Served, chromium: Browser, axe: Callable[..., list[dict[str, Any]]], scheme: Any
) -> None:
    context = chromium.new_context(color_scheme=scheme, reduced_motion="reduce")
    page = context.new_page()
    page.goto(stage.url)
    for path, drawn in PATHS:
        page.goto(stage.bare + path)
        page.wait_for_selector(drawn)
        assert axe(page, scheme) == [], path
    page.goto(stage.bare)
    page.wait_for_selector("#controls button")
    page.keyboard.press("?")
    page.wait_for_selector("dialog[open]")
    assert axe(page, scheme) == []
    context.close()


def test_axe_would_see_a_button_without_a_name_and_pale_text(
    stage: Served, chromium: Browser, axe: Callable[..., list[dict[str, Any]]]
) -> None:
    context = chromium.new_context(color_scheme="light")
    page = context.new_page()
    page.goto(stage.bare)
    page.wait_for_selector(".nudge")
    page.evaluate("document.getElementById('help').textContent = ''")
    page.evaluate("document.getElementById('did').style.setProperty('color', '#aaa')")
    assert {one["id"] for one in axe(page)} >= {"button-name", "color-contrast"}
    context.close()


@pytest.mark.parametrize("name", ["page.html", "map.html"])
def test_the_markup_is_valid(name: str, tmp_path: Path) -> None:
    """By html-validate's own recommended rules."""
    needs("node")
    said = _validated(tmp_path, name, static_files()[name].decode())
    assert said == []


def test_the_validator_would_see_bad_markup(tmp_path: Path) -> None:
    needs("node")
    bad = static_files()["page.html"].decode().replace("<footer>", '<footer><p id="lamps"><div>')
    assert {"no-dup-id", "element-permitted-content"} & set(_validated(tmp_path, "page.html", bad))


def _validated(folder: Path, name: str, text: str) -> list[str]:
    """The rules that a page breaks."""
    there = judge("html-validate")
    (folder / name).write_text(text, "utf-8")
    rules = {
        "extends": ["html-validate:recommended"],
        # Matters of taste: HTML lets the doctype be in capitals, and empty elements stand as they are.
        "rules": {"doctype-style": "off", "void-style": "off"},
        "root": True,
    }
    (folder / ".htmlvalidate.json").write_text(json.dumps(rules), "utf-8")
    node = shutil.which("node")
    assert node is not None
    run = subprocess.run(
        [node, there / "bin" / "html-validate.mjs", "--formatter", "json", name],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert run.returncode in (0, 1), run.stderr
    return [f"{one['ruleId']}" for file in json.loads(run.stdout) for one in file["messages"]]
