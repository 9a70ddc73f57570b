"""The rehearsal room in a real browser, driven by the keyboard alone; before axe-core, in both lights.

All of it is real: the command, the page's process, the browser. What came of a key is read from the page.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from browsing import Window, browser
from judges import axe
from room_pages import Rehearsal, rehearsal

if TYPE_CHECKING:
    from playwright.sync_api import Page

DEMO: Final = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"

pytestmark = pytest.mark.slow

SIZES: Final = ((1280, 800), (1024, 600))
NARROW: Final = ((390, 844), (700, 900), (800, 1280), (900, 700))

MARKUP: Final = "<img src=x onerror=alert(1)>" + "W" * 40
TURNED: Final = "שלום עולם " * 3


@pytest.fixture(scope="module")
def window() -> Iterator[Window]:
    with browser() as made:
        yield Window(made)


@pytest.fixture(scope="module")
def room() -> Iterator[Rehearsal]:
    with rehearsal(DEMO) as page:
        yield page


@contextmanager
def look(room: Rehearsal, window: Window, size: tuple[int, int] = (1280, 800), **how: Any) -> Iterator[Page]:
    """The room, drawn. Whatever the browser complains of, or asks others for, fails."""
    with window.page(room.origin, size, **how) as page:
        page.goto(room.url)
        page.wait_for_selector("#table td")
        page.wait_for_selector("#feet button")
        page.wait_for_selector("#line li")
        yield page


def says(page: Page, selector: str, text: str) -> None:
    """Wait until an element says something."""
    page.wait_for_function(
        "([selector, text]) => document.querySelector(selector).textContent.includes(text)", arg=[selector, text]
    )


FOCUS: Final = """(() => {
  const one = document.activeElement;
  return [one.id || one.tagName + " " + one.textContent, parseFloat(getComputedStyle(one).outlineWidth)];
})()"""


def focus(page: Page) -> str:
    """What has the focus: its id, or what it is and says."""
    return str(page.evaluate(FOCUS)[0])


def tab_to(page: Page, which: str) -> list[str]:
    """Press Tab until the element with an id has the focus; what had it on the way, all of it visibly."""
    met: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(FOCUS)
        met.append(str(name))
        assert outline >= 2, name
        if met[-1] == which:
            return met
    raise AssertionError(f"Tab never came to `{which}`: {met}")


def test_the_whole_room_is_driven_by_the_keyboard_alone(window: Window, tmp_path: Path) -> None:
    """No mouse: feet by their keys, time, jumps, the table with its accounts, the treadle, what the keys are."""
    with rehearsal(DEMO) as room, look(room, window) as page:
        keys = page.keyboard
        # A press, a hold, a double press; each is made of both edges, and what it means the program finds out.
        keys.press("1")
        says(page, "#place", "1 of 9: Lanterns at Low Tide")
        says(page, "#last", "drummer: next (drum pedal, left, press)")
        keys.down("1")
        says(page, "#feet button.down .name", "left")
        says(page, "#last", "drummer: back (drum pedal, left, hold)")
        keys.up("1")
        says(page, "#place", "before the first song")
        # A jump, by Tab and the arrows of a list.
        tab_to(page, "stops")
        keys.press("3")
        tab_to(page, "jump")
        keys.press("Enter")
        says(page, "#place", "3 of 9: Nobody Rows Alone")
        says(page, "#last", "page: go to → Nobody Rows Alone")
        says(page, "#line [aria-current]", "here")
        # The table: which layer made it, and the whole account of it.
        keys.press("t")
        for _ in range(9):
            keys.press("ArrowDown")
        for _ in range(3):
            keys.press("ArrowRight")
        says(page, "#cell", "keys in the mix of guitarist")
        says(page, "#cell", "made by: song Nobody Rows Alone (setlist.yaml:")
        keys.press("Enter")
        page.wait_for_selector("#why[open]")
        says(page, "#why-rows", "up 4")
        keys.press("Escape")
        page.wait_for_selector("#why", state="hidden")
        assert focus(page).startswith("TD")
        # A nudge, marked in its cell with from, to and whose.
        keys.press("3")
        says(page, "#table td.moved .by", "nudge by singer")
        assert page.locator("#table td.moved").count() == 1
        assert page.locator("#table td.moved .way").text_content() == "▲ −3 → −2"
        says(page, "#story", "lead vocal −3\u00a0dB → −2\u00a0dB")
        says(page, "#feet", "double press: nudge click −1\u00a0dB")
        assert not re.search(r"(?<![\w-])-\d", page.inner_text("body"))
        says(page, "#sums", "; wire time ")
        # Time: held still, at ten times the speed, ahead to where the track does something.
        keys.press("h")
        page.wait_for_selector('#still[aria-pressed="true"]')
        keys.press("h")
        page.wait_for_selector('#still[aria-pressed="false"]')
        keys.press("d")
        page.wait_for_selector('#ten[aria-pressed="true"]')
        keys.press("q")
        says(page, "#place", "organ break")
        keys.press("d")
        page.wait_for_selector('#one[aria-pressed="true"]')
        # A treadle, by its key and by arrows.
        keys.press("4")
        assert focus(page).startswith("INPUT")
        for _ in range(3):
            keys.press("+")
        says(page, "#last", "ride")
        # A switch of the page that has the focus is a foot, too.
        page.locator("#feet button").first.focus()
        keys.press("Space")
        says(page, "#place", "Nobody Rows Alone, out")
        # What the keys are; and that they can be turned off (WCAG 2.2, 2.1.4).
        keys.press("?")
        page.wait_for_selector("#about[open]")
        says(page, "#key-rows", "left of drum pedal")
        tab_to(page, "keys-on")
        keys.press("Space")
        keys.press("Escape")
        keys.press("1")
        keys.press("h")
        # What comes behind them is heard in order; had `h` counted, this would be the second of two.
        tab_to(page, "still")
        keys.press("Space")
        page.wait_for_selector("#still[aria-pressed=true]")
        assert "Nobody Rows Alone, out" in str(page.text_content("#place"))


def test_tab_comes_to_everything_in_the_order_in_which_it_stands(room: Rehearsal, window: Window) -> None:
    with look(room, window) as page:
        page.evaluate("document.body.focus()")
        met = tab_to(page, "stop") if page.is_enabled("#stop") else tab_to(page, "replay")
        assert [one for one in met if one in ("light", "help", "still", "one", "ten", "skip", "stops", "jump")] == [
            *("light", "help", "still", "one", "ten", "skip", "stops", "jump")
        ]
        rest = [str(one) for one in page.evaluate(_FOCUSABLE)]
        seen = set(met)
        for _ in range(60):
            if seen >= set(rest):
                break
            page.keyboard.press("Tab")
            seen.add(focus(page))
        assert set(rest) <= seen


_FOCUSABLE: Final = """
[...document.querySelectorAll('main button, main select, main input, main td[tabindex="0"]')]
  .filter((one) => !one.disabled && one.checkVisibility())
  .map((one) => one.id || one.tagName + ' ' + one.textContent)
"""


def test_a_window_that_loses_the_focus_lets_go_of_every_foot(room: Rehearsal, window: Window) -> None:
    with look(room, window) as page:
        page.keyboard.down("5")
        page.wait_for_selector("#feet button.down")
        page.evaluate("dispatchEvent(new Event('blur'))")
        page.wait_for_function("() => document.querySelectorAll('#feet button.down').length === 0")
        page.keyboard.up("5")


def test_a_foot_whose_way_up_is_lost_is_let_go_of_as_soon_as_somebody_hears(room: Rehearsal, window: Window) -> None:
    with look(room, window, words=("Security Policy",)) as page:
        page.keyboard.down("1")
        says(page, "#last", "(drum pedal, left, hold)")
        page.wait_for_selector("#feet button.down")
        page.route("**/want", lambda route: route.abort())
        page.keyboard.up("1")
        says(page, "#last", "not sent")
        assert page.locator("#feet button.down").count() == 1
        page.unroute("**/want")
        page.wait_for_function("() => document.querySelectorAll('#feet button.down').length === 0")


TURN: Final = "([one, value]) => { one.value = value; one.dispatchEvent(new Event('input')); }"


def test_a_treadle_is_turned_where_others_turned_it_and_under_its_new_name(window: Window, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMO, tmp_path / "show"))
    with rehearsal(folder) as room, look(room, window, (390, 844)) as page:
        treadle = page.locator("#feet input")

        def asks(does: Callable[[], object]) -> tuple[str, int]:
            with page.expect_request("**/want") as asked:
                does()
            want = json.loads(asked.value.post_data or "")
            return want["pedal"], want["value"]

        def turn() -> None:
            page.evaluate(TURN, [treadle.element_handle(), 100])

        assert asks(turn) == ("vocal pedal", 100)
        room.want(do="turn", pedal="vocal pedal", control="treadle", value=20)
        page.wait_for_function("() => document.querySelector('#feet input').value === '20'")
        assert asks(turn) == ("vocal pedal", 100)
        text = (folder / "rig.yaml").read_text("utf-8")
        (folder / "rig.yaml").write_text(text.replace("name: vocal pedal", f"name: {'W' * 60}"), "utf-8")
        says(page, "#feet", "WWW")
        assert asks(lambda: page.keyboard.press("+"))[0] == "W" * 60
        says(page, "#last", "WWW")
        assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_nothing_stands_over_the_edge_or_over_each_other(room: Rehearsal, window: Window) -> None:
    with look(room, window) as page:
        page.keyboard.press("1")
        page.wait_for_selector("#table td.moved")
        for wide, high in SIZES:
            page.set_viewport_size({"width": wide, "height": high})
            page.wait_for_function("(wide) => innerWidth === wide", arg=wide)
            across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
            assert across == [wide, high]
            boxes = page.evaluate(
                "[...document.querySelectorAll('header.top, main > section')].map((one) => {"
                " const { left, top, right, bottom } = one.getBoundingClientRect();"
                " return [left, top, right, bottom]; })"
            )
            for at, (left, top, right, bottom) in enumerate(boxes):
                assert right - left > 100
                assert bottom - top > 30
                for other in boxes[at + 1 :]:
                    apart = right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top
                    assert apart, (wide, high, boxes[at], other)


BOXES: Final = (
    ("#scroll", "tbody .level, tbody th", "bottom"),
    (".told .scrolls", "li > *", "top"),
    (".sent .scrolls", "td:not(:has(*)), .bytes, .means", "bottom"),
    (".side", ".name bdi, .does, h3", "bottom"),
)
"""Boxes, the lines in them, and the edge at which they have to end whole."""

CUT: Final = """
const cut = ([selector, lines, side]) => {
  const box = document.querySelector(selector);
  const { top, bottom } = box.getBoundingClientRect();
  const at = side === "top" ? top + box.clientTop : bottom;
  const all = [...box.querySelectorAll(lines)].flatMap((line) => {
    const range = document.createRange();
    range.selectNodeContents(line);
    return [...range.getClientRects()].map((one) => [one.top < at - 1 && one.bottom > at + 1, line.textContent]);
  });
  const over = box.scrollHeight > box.clientHeight || selector === ".side";
  return { lines: all.length, over, cut: all.filter(([is]) => over && is).map(([, text]) => text) };
};
"""

CUT_AFTER_TURNS: Final = f"""
async (box) => {{
  {CUT}
  const rows = document.querySelector(box[0]).querySelector("tbody");
  const found = [];
  rows.firstElementChild.querySelector("td > :last-child").textContent += " and so on".repeat(20);
  for (let turn = 0; turn < rows.children.length; turn += 1) {{
    rows.append(rows.firstElementChild);
    for (let frame = 0; frame < 3; frame += 1) await new Promise(requestAnimationFrame);
    found.push(...cut(box).cut);
  }}
  return found;
}}
"""
"""Lines that are cut in a box whose rows, one of them high, take as much room as before, but change places."""

AT_REST: Final = f"""
async (boxes) => {{
  {CUT}
  const drawn = ([selector]) => {{
    const box = document.querySelector(selector);
    return [box.textContent, box.scrollTop, box.clientHeight, box.scrollHeight].join();
  }};
  for (let same = 0, frame = 0, last = ""; same < 20; frame += 1) {{
    await new Promise(requestAnimationFrame);
    const now = boxes.map(drawn).join();
    same = now === last ? same + 1 : 0;
    last = now;
    if (frame > 2000) throw new Error("it never comes to rest");
  }}
  return boxes.map(cut);
}}
"""
"""When nothing has moved in any box for 20 frames: how many lines each has, whether it has no room for all, and those
that its edge then cuts."""


@pytest.mark.parametrize("size", SIZES)
def test_no_line_is_cut_in_half_at_the_end_of_a_box(room: Rehearsal, window: Window, size: tuple[int, int]) -> None:
    with look(room, window, size) as page:
        page.select_option("#stops", "3")
        page.click("#jump")
        says(page, "#last", "page: go to")
        # When there are more bytes than it has room for, time stands still.
        page.wait_for_function(
            "() => { const box = document.querySelector('.sent .scrolls');"
            " return box.scrollHeight > box.clientHeight && box.querySelector('.bytes') !== null; }"
        )
        page.keyboard.press("h")
        page.wait_for_selector('#still[aria-pressed="true"]')
        boxes = dict(
            zip([box for box, _, _ in BOXES], page.evaluate(AT_REST, [list(one) for one in BOXES]), strict=True)
        )
        assert not any(page.evaluate(CUT_AFTER_TURNS, list(BOXES[2])))
        page.keyboard.press("h")
        page.wait_for_selector('#still[aria-pressed="false"]')
        assert {box: one["cut"] for box, one in boxes.items()} == {box: [] for box in boxes}
        assert all(one["lines"] > 0 for one in boxes.values()), boxes
        assert boxes[".sent .scrolls"]["over"]


SEEN: Final = """
() => {
  const box = document.querySelector("#scroll").getBoundingClientRect();
  const corner = document.querySelector("#head th").getBoundingClientRect();
  const seen = (one) => {
    const { top, right, bottom, left } = one.getBoundingClientRect();
    return top >= corner.bottom - 1 && bottom <= box.bottom && left >= corner.right - 1 && right <= box.right;
  };
  const moved = [...document.querySelectorAll("#table td.moved")];
  const rows = [...document.querySelectorAll("#rows tr")].map((row) => row.getBoundingClientRect());
  return {
    moved: moved.length,
    seen: moved.filter(seen).length,
    scrolled: document.querySelector("#scroll").scrollTop,
    below: rows.filter((row) => row.bottom > box.bottom + 1).length,
    above: rows.filter((row) => row.top < corner.bottom - 1).length,
    more: document.querySelector("#more").textContent,
  };
}
"""
"""Of the cells that the last step moved, how many are whole within the table, beside its headings; how many rows are
beyond its edges, and what is said of them."""


def has_moved(page: Page, by: str, lines: list[list[str]]) -> dict[str, Any]:
    """What is seen when a step by somebody has moved something, and the page has come to rest."""
    page.wait_for_selector(f"#table td.moved .by:text('{by}')", state="attached")
    (box,) = page.evaluate(AT_REST, lines)
    assert box["cut"] == []
    return dict(page.evaluate(SEEN))


LINES: Final = [["#scroll", "tbody .level, tbody .way, tbody .by, tbody th", "bottom"]]


@pytest.mark.parametrize("size", [(1280, 640), (900, 480), (1280, 560)])
def test_what_a_step_has_moved_is_in_view(window: Window, size: tuple[int, int]) -> None:
    with rehearsal(DEMO) as room, look(room, window, size) as page:
        page.keyboard.press("1")
        first = has_moved(page, "", LINES)
        assert (first["scrolled"], first["above"], first["seen"] > 0, first["below"] > 0) == (0, 0, True, True)
        assert f"▼ {first['below']} more row" in first["more"] and "of them moved" in first["more"]
        # The click stands far below.
        page.keyboard.press("2")
        click = has_moved(page, "nudge by drummer", LINES)
        assert (click["moved"], click["seen"], click["scrolled"] > 0) == (1, 1, True)
        assert f"▲ {click['above']} more row" in click["more"] and "of them moved" not in click["more"]
        # Back to what stands above: the row of the headings is not over it.
        page.evaluate("document.querySelector('#scroll').scrollTop = 0")
        page.keyboard.press("3")
        assert has_moved(page, "nudge by singer", LINES)["seen"] == 1
        # Where somebody has just scrolled it, it stays.
        page.hover("#table td")
        page.mouse.wheel(0, -2000)
        page.wait_for_function("() => document.querySelector('#scroll').scrollTop === 0")
        page.keyboard.press("2")
        left = has_moved(page, "nudge by drummer", LINES)
        assert (left["scrolled"], left["moved"], left["seen"]) == (0, 1, 0)
        assert f"▼ {left['below']} more rows below, 1 of them moved" in left["more"]


def test_a_table_that_has_room_for_everything_says_nothing_of_more_and_one_that_has_not_uses_its_room(
    room: Rehearsal, window: Window
) -> None:
    with look(room, window, (1280, 1200)) as page:
        page.evaluate(AT_REST, LINES)
        whole = page.evaluate(SEEN)
        assert (whole["below"], whole["above"], whole["more"]) == (0, 0, "")
        for high in range(600, 900, 37):
            page.set_viewport_size({"width": 1280, "height": high})
            page.wait_for_function("(high) => innerHeight === high", arg=high)
            (box,) = page.evaluate(AT_REST, LINES)
            blank = page.evaluate(
                "document.querySelector('#more').getBoundingClientRect().top"
                " - document.querySelector('#scroll').getBoundingClientRect().bottom"
            )
            assert box["cut"] == []
            assert -1 <= blank < 25 or not box["over"], (high, blank)


def test_in_a_narrow_window_the_table_has_its_width_and_the_pedals_are_under_it(
    room: Rehearsal, window: Window
) -> None:
    with look(room, window, NARROW[0]) as page:
        for width, height in NARROW:
            page.set_viewport_size({"width": width, "height": height})
            page.wait_for_function("(width) => innerWidth === width", arg=width)
            assert page.evaluate("document.documentElement.scrollWidth") == width
            boxes = page.evaluate(
                "['#scroll', '.side', '.told', '.sent'].map((one) => {"
                " const { top, bottom, width } = document.querySelector(one).getBoundingClientRect();"
                " return [top, bottom, width]; })"
            )
            assert all(across > width - 40 for _, _, across in boxes)
            assert all(one[1] <= other[0] for one, other in pairwise(boxes))
            # What the window has no room for is scrolled within the table.
            assert boxes[0][1] - boxes[0][0] < height
            assert page.evaluate("document.querySelector('#head').offsetWidth") >= min(600, width - 40)


def test_hostile_names_are_only_text(window: Window, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMO, tmp_path / "show"))
    for name in ("setlist.yaml", "rig.yaml"):
        text = (folder / name).read_text("utf-8")
        text = text.replace("Lanterns at Low Tide", f"'{MARKUP}'").replace("last chorus", TURNED.strip())
        (folder / name).write_text(text.replace("bassist", f'"{MARKUP}"'), "utf-8")
    with rehearsal(folder) as room, look(room, window, (1024, 600)) as page:
        page.keyboard.press("1")
        says(page, "#place", MARKUP)
        assert page.locator("img").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") == 1024
        assert MARKUP in str(page.text_content("#head"))


def test_axe_finds_nothing_against_the_room(room: Rehearsal, window: Window) -> None:
    with look(room, window, reduced_motion="reduce") as page:
        page.keyboard.press("1")
        page.wait_for_selector("#table td.moved")
        assert axe(page) == []
        page.keyboard.press("?")
        page.wait_for_selector("#about[open]")
        assert axe(page) == []
