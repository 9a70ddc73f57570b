"""The stage page in a real browser, served by its own process.

Judged by what the browser draws and says: boxes of elements, sizes of letters, what it asks for, and what reaches the
process. The boards are made by the program from real steps of the core.
"""

from __future__ import annotations

import json
import math
import re
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any, Final

import pytest
from browsing import Window, browser
from page_served import Served, served
from stage_boards import SECOND, at_stop, demo, evening

from stagectl.core.actions import Nudge, PauseCue
from stagectl.core.events import DeskCame, DeskWent
from stagectl.live.going import Going
from stagectl.live.page import set_clock
from stagectl.sheet.scene_map import scene_map
from stagectl.view.last import Notice
from stagectl.view.map_board import map_board
from stagectl.view.site import static_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route

pytestmark = pytest.mark.slow

KEY: Final = "a-key-that-lets-somebody-control"
WAIT_S: Final = 20.0
SIZES: Final = ((1280, 800), (800, 1280), (390, 844), (1024, 600))

MARKUP: Final = "<img src=x onerror=alert(1)><script>alert(2)</script>" + "W" * 147
TURNED: Final = ("שלום עולם " * 20)[:200]
SIGNS: Final = "\U0001f3b8\U0001f941" * 100
SAID: Final = """() => {
  window.said = [];
  const answer = document.querySelector(".answer");
  const changes = { childList: true, characterData: true, subtree: true };
  new MutationObserver(() => said.push(answer.textContent)).observe(answer, changes);
}"""
"""Keeps what the page answers, one thing after the other."""

OVERRIDE: Final = "\u202etxet denrut\u202c " + "x" * 180
NAMES: Final = (MARKUP, TURNED, SIGNS, OVERRIDE)


class Stage:
    """The process with its boards, and a browser."""

    def __init__(self, page: Served, window: Window) -> None:
        self.served, self._window = page, window

    @contextmanager
    def look(
        self, path: str = "", size: tuple[int, int] = (1280, 800), *, control: bool = False, **how: Any
    ) -> Iterator[Page]:
        """The page at a path, drawn, by somebody new. Whatever the browser complains of, or asks others for, fails."""
        with self._window.page(self.served.bare, size, ("Security Policy",), **how) as page:
            page.goto(self.served.bare + path + (f"?key={KEY}" if control else ""))
            page.wait_for_selector("body.is-live")
            yield page


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as made:
        yield made


@pytest.fixture(scope="module")
def stage(chromium: Browser) -> Iterator[Stage]:
    with served(KEY) as page:
        yield Stage(page, Window(chromium))


def shown(page: Page, selector: str) -> str:
    return page.locator(selector).inner_text()


def until(page: Page, script: str) -> None:
    """Wait until an expression is true, look by look, since the page's policy lets in nothing that looks."""
    limit = time.monotonic() + WAIT_S
    while not page.evaluate(script):
        assert time.monotonic() < limit, script
        page.wait_for_timeout(10)


def hostile() -> dict[str, Any]:
    """A board with every name as bad as it can be."""
    board: dict[str, Any] = json.loads(json.dumps(evening().board()))
    board["show"], board["venue"] = MARKUP, TURNED
    board["place"] |= {"song": MARKUP, "section": TURNED, "scene": SIGNS}
    board["place"]["next"] = {"song": SIGNS, "section": None, "new_song": True}
    board["inputs"] = [f"{NAMES[at % 4][:190]} {at}" for at in range(16)]
    for at, mix in enumerate(board["listeners"]):
        mix["name"] = f"{NAMES[at % 4][:190]} {at}"
        for column, one in enumerate(mix["nudges"]):
            one["input"] = NAMES[column % 4]
    board["last"] |= {"who": OVERRIDE, "what": MARKUP, "refused": TURNED * 2}
    board["lamps"] = [
        {"what": "pedal", "name": NAMES[at % 4], "state": ("ok", "wait", "wrong")[at % 3], "says": f"is gone, {MARKUP}"}
        for at in range(12)
    ]
    board["notice"] = {"kind": "trouble", "text": MARKUP + TURNED, "at": board["now"]}
    return board


def resize(page: Page, size: tuple[int, int]) -> None:
    """Another screen; what is drawn for it has been drawn when this is over."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    frame = (
        "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(done))))"
    )
    page.evaluate(f"async () => {{ await {frame}; }}")


# -- read from two metres ----------------------------------------------------------------------------------------

ARC_MINUTES = """(id) => {
  const element = document.getElementById(id), style = getComputedStyle(element);
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} 100px ${style.fontFamily}`;
  const high = pen.measureText("H").actualBoundingBoxAscent / 100 * parseFloat(style.fontSize);
  return high;
}"""
"""How high capitals of an element are drawn, CSS pixels."""


def arc_minutes(pixels: float, size: tuple[int, int], diagonal_mm: float = 254, away_mm: float = 2000) -> float:
    """The angle that a height on a screen has to an eye."""
    high = pixels * diagonal_mm / math.hypot(*size)
    return math.degrees(2 * math.atan(high / 2 / away_mm)) * 60


def test_the_judge_of_angles_knows_what_is_known() -> None:
    """An angle of 1 minute is 0.29 mm at a metre: 22 minutes at 2 m are 12.8 mm."""
    assert arc_minutes(12.8, (3, 4), diagonal_mm=5) == pytest.approx(22, abs=0.05)


def test_now_and_next_are_readable_at_two_metres_on_ten_inches(stage: Stage) -> None:
    """ISO 9241-303: capitals of 20 to 22 minutes of arc where one has to read, 16 at the least (from memory)."""
    night = evening()
    stage.served.put("stage", night.board())
    with stage.look() as page:
        for size in ((1280, 800), (800, 1280), (1024, 600), (1920, 1200)):
            resize(page, size)
            assert shown(page, "#song") == "Lanterns at Low Tide"
            for name, least in (("song", 20), ("section", 20), ("next", 20), ("in-song", 16), ("to-go", 16)):
                assert arc_minutes(page.evaluate(ARC_MINUTES, name), size) >= least, (name, size)
        # A name that is too long is made smaller, never too small.
        stage.served.put("stage", hostile())
        until(page, "document.getElementById('song').textContent.startsWith('<img')")
        for size in ((1280, 800), (800, 1280)):
            resize(page, size)
            for name in ("song", "section", "next"):
                assert arc_minutes(page.evaluate(ARC_MINUTES, name), size) >= 16, (name, size)


# -- nothing overlaps, nothing hangs out ------------------------------------------------------------------------------

BOXES = """() => {
  const parts = ".top h1, #where, #live, #wall, nav a, nav button, .big, .next .tag, .digits, .count .tag, .did, "
    + ".came, .sign, .card h3, .card .state, .nudge .input, .nudge .by, .nudge .bar, .nudge .words, .quiet, .lamps li, "
    + ".controls button, .controls select, .controls .answer";
  return [...document.querySelectorAll(parts)].filter((one) => one.checkVisibility() && one.textContent + one.className)
    .map((one) => {
      const box = one.getBoundingClientRect();
      // What hangs below the line of a big name is in its padding, which is over the border of the next part.
      const hangs = parseFloat(getComputedStyle(one).paddingBottom) * one.matches(".big");
      const says = `${one.id || one.className}: ${one.textContent.slice(0, 20)}`;
      return [says, box.left, box.top, box.right, box.bottom - hangs];
    }).filter(([, left, top, right, bottom]) => right > left && bottom > top);
}"""


def over_each_other(boxes: list[list[Any]]) -> list[tuple[str, str]]:
    """Boxes that share more than a pixel each way."""
    found = []
    for at, (one, left, top, right, bottom) in enumerate(boxes):
        for other, left2, top2, right2, bottom2 in boxes[at + 1 :]:
            if min(right, right2) - max(left, left2) > 1 and min(bottom, bottom2) - max(top, top2) > 1:
                found.append((one, other))
    return found


@pytest.mark.parametrize(("path", "control"), [("", True), ("listener/singer", True), ("", False)])
def test_bad_names_are_only_text_and_nothing_overlaps(stage: Stage, path: str, control: bool) -> None:
    usual, bad = evening().board(), hostile()
    stage.served.put("stage", usual)
    with stage.look(path, control=control) as page:
        for board in (usual, bad):
            stage.served.put("stage", board)
            until(page, f"document.getElementById('song').textContent === {json.dumps(board['place']['song'])}")
            for size in SIZES:
                resize(page, size)
                boxes = page.evaluate(BOXES)
                assert len(boxes) > 12
                assert over_each_other(boxes) == [], size
                assert [one for one in boxes if one[1] < 0 or one[3] > size[0] + 0.5] == [], size
                assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        assert page.evaluate("document.querySelectorAll('body img, body script').length") == 0


def test_a_night_as_usual_needs_no_scrolling(stage: Stage) -> None:
    """Looking is enough: on a tablet everything is on one screen, also where something is wrong."""
    night = evening()
    usual = night.board()
    night.known = night.known._replace(pedals_here=[0], met={"vocal pedal"}, journal="the disk is full")
    stage.served.put("stage", usual)
    with stage.look() as page:
        for board, lamps in ((usual, 0), (night.board(), 2)):
            stage.served.put("stage", board)
            until(page, f"document.querySelectorAll('.lamps .wrong').length === {lamps}")
            for size in ((1280, 800), (800, 1280)):
                resize(page, size)
                assert page.locator(".nudge").count() >= 5
                assert page.evaluate("document.documentElement.scrollHeight") <= size[1]


def test_the_judge_of_boxes_sees_what_overlaps(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look() as page:
        page.wait_for_selector(".nudge")
        page.evaluate("document.getElementById('next').style.setProperty('margin-top', '-90px')")
        assert over_each_other(page.evaluate(BOXES)) != []


READ_OUT: Final = """(() => {
  const one = document.getElementById("live").cloneNode(true);
  for (const hidden of one.querySelectorAll("[aria-hidden=true]")) hidden.remove();
  return one.textContent;
})()"""
"""What is read out of the strip that says how old the page is."""


# -- what it says --------------------------------------------------------------------------------------


def test_it_says_what_the_board_says_and_goes_along(stage: Stage) -> None:
    night = evening()
    at_stop(night, "Nobody Rows Alone", "organ break")
    stage.served.put("stage", night.board())
    with stage.look() as page:
        assert (shown(page, "#song"), shown(page, "#section")) == ("Nobody Rows Alone", "organ break")
        assert (shown(page, "#next-tag"), shown(page, "#next")) == ("next", "out")
        cards = page.locator(".card").all_inner_texts()
        assert [card.split("\n")[0] for card in cards] == ["singer", "drummer", "bassist", "guitarist", "keys player"]
        assert "+3" in cards[0] and "at ceiling" in cards[0] and "hushed" in cards[3]
        assert "3 pedals: here" in shown(page, "#lamps")
        # Now and then, a press.
        night.nudge(0, None, 100)
        stage.served.put("stage", night.board())
        why = "refused: lead vocal in the mix of singer: it is at its ceiling"
        until(page, f"document.getElementById('came').textContent === '{why}'")
        assert shown(page, "#sign") == "✕"
        at_stop(night, "Goodnight, Harbour", "all voices")
        stage.served.put("stage", night.board())
        until(page, "document.getElementById('next').textContent === 'nothing: this is the last'")
        assert shown(page, "#sign") == "✓"


def test_a_hush_that_leaves_the_sends_where_they_are_is_said_beside_them(stage: Stage) -> None:
    """Where the show drives the whole mix, a hush takes only that down."""
    night = evening()
    night.nudge(0, None, 100)
    board = night.board()
    stage.served.put("stage", board)
    with stage.look("listener/singer") as page:
        until(page, "document.querySelector('.nudge .words').textContent.includes('ceiling')")
        first, *others = board["listeners"]
        stage.served.put("stage", board | {"listeners": [first | {"hushed": True}, *others]})
        until(page, "document.querySelector('.nudge .words').textContent.endsWith(', hushed')")


def test_a_restart_leaves_nothing_of_the_last_press(stage: Stage) -> None:
    night = evening()
    stage.served.put("stage", night.board())
    with stage.look() as page:
        until(page, "document.getElementById('did').textContent !== 'No press yet'")
        stage.served.put("stage", night.board() | {"last": None})
        until(page, "document.getElementById('did').textContent === 'No press yet'")
        assert [shown(page, one) for one in ("#ago", "#came", "#sign")] == ["", "", ""]
        # What changes each second is not read out.
        assert page.locator("#last #ago").get_attribute("aria-hidden") == "true"


def test_a_desk_that_is_away_is_seen_first_and_nothing_looks_as_if_it_was_heard(stage: Stage) -> None:
    night = evening()
    night.do(DeskWent())
    night.known = night.known._replace(met={"desk"}, pedals_here=[0, 1])
    night.want(Nudge(column=None, by=-100), 0)
    stage.served.put("stage", night.board(notice=Notice("reminder", "15 min to the curfew", night.now)))
    with stage.look() as page:
        until(page, "document.querySelectorAll('.lamps .wrong').length === 1")
        for size in (*SIZES, (844, 390)):
            resize(page, size)
            lamp = page.locator(".lamps .wrong").bounding_box()
            song = page.locator("#song").bounding_box()
            assert lamp is not None and song is not None
            assert lamp["y"] + lamp["height"] <= size[1], size
            assert (lamp["y"] < song["y"]) is (size in ((390, 844), (844, 390), (1024, 600)))
            assert over_each_other(page.evaluate(BOXES)) == [], size
        assert shown(page, ".lamps .wrong") == "\u2068desk\u2069 is gone"
        assert (shown(page, "#sign"), shown(page, "#came")) == (
            "◇",
            "the desk is away: not told yet: singer: lead vocal 0 dB → −1 dB",
        )
        assert "hushed, desk away" in shown(page, "#cards")
        assert "The desk is away" in shown(page, "#quiet")
    with stage.look("listener/singer") as page:
        words = page.locator(".words").all_inner_texts()
        assert words[0] == "wanted −1 dB, desk away, 1 dB left to the ceiling"
        assert not any(one.startswith("now") for one in words)
        # One sign for less than 0, whoever has written the number; only a key has the other.
        assert re.findall(r"(?<![\w-])-\d", shown(page, "body")) == []
        night.do(DeskCame(), after=1)
        stage.served.put("stage", night.board())
        until(page, "document.getElementById('sign').textContent === '✓'")
        assert page.locator(".words").first.inner_text().startswith("now −1 dB")


def test_a_bar_is_as_long_as_its_nudge_and_its_mark_is_at_the_ceiling(stage: Stage) -> None:
    night = evening()
    stage.served.put("stage", night.board())
    with stage.look("listener/drummer") as page:
        page.wait_for_selector(".nudge")
        nudges = night.board()["listeners"][1]["nudges"]
        drawn = page.evaluate(
            """() => [...document.querySelectorAll(".bar")].map((bar) => {
              const [all, fill, top] = [bar, bar.querySelector("i"), bar.querySelector("b")].map((one) =>
                one.getBoundingClientRect());
              const at = (x) => Math.round((x - all.left - all.width / 2) / (all.width / 2) * 1200);
              return [at(fill.left), at(fill.right), at(top.left + 1)];
            })"""
        )
        assert len(drawn) == len(nudges) == 2
        for (left, right, top), one in zip(drawn, nudges, strict=True):
            assert one["room"] is not None
            assert (min(left, 0), max(right, 0)) == pytest.approx((min(one["by"], 0), max(one["by"], 0)), abs=5)
            assert top == pytest.approx(one["by"] + one["room"], abs=10)
        assert "left to the ceiling" in shown(page, ".card")


def test_the_page_of_one_listener_shows_them_alone(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look("listener/keys%20player", (390, 844)) as page:
        page.wait_for_selector(".nudge")
        assert page.locator(".card").count() == 1
        assert shown(page, ".card a") == "keys player"
    with stage.look("listener/nobody", (390, 844)) as page:
        until(page, "document.getElementById('quiet').textContent.includes('there are')")
        assert "keys player" in shown(page, "#quiet")


def test_the_page_of_one_listener_tells_nothing_of_what_others_were_refused(stage: Stage) -> None:
    night = evening()
    night.nudge(1, None, -100)
    night.nudge(0, None, 9_000, 2)
    board = night.board()
    assert board["last"] is not None and board["last"]["refused"]
    stage.served.put("stage", board)
    with stage.look("listener/drummer", (390, 844)) as page:
        until(page, "document.getElementById('did').textContent.includes('nudge')")
        assert "drummer" in shown(page, "#did")
        assert "refused" not in shown(page, "#last")
        assert "kick" in shown(page, "#came")
    # The last of them is called as a part of every object of the language is.
    for path in ("", "listener/singer", "listener/constructor"):
        with stage.look(path, (390, 844)) as page:
            until(page, "document.getElementById('came').textContent.startsWith('refused: ')")
            assert "singer" in shown(page, "#did")


def test_a_set_whose_lengths_are_all_known_is_told_to_the_second(stage: Stage) -> None:
    board = evening().board()
    board["clock"]["unsaid"] = 0
    stage.served.put("stage", board)
    with stage.look() as page:
        until(page, "document.getElementById('to-go-tag').textContent.startsWith('to the end (')")
        assert re.fullmatch(r"\d+:\d\d", shown(page, "#to-go"))


def test_clocks_go_on_by_themselves(stage: Stage, chromium: Browser) -> None:
    night = evening()
    at_stop(night, "Nobody Rows Alone")
    board = night.board()
    stage.served.put("stage", board)
    context = chromium.new_context()
    page = context.new_page()
    page.clock.install()
    page.goto(stage.served.bare)
    page.wait_for_selector("body.is-live")

    def seconds() -> int:
        minutes, rest = shown(page, "#in-song").rsplit(":", 1)
        hours, _, minutes = minutes.rpartition(":")
        return int(hours or 0) * 3600 + int(minutes) * 60 + int(rest)

    def goes_on() -> bool:
        before = seconds()
        page.clock.fast_forward(4_000)
        return before + 4 <= seconds() <= before + 8

    # A beat would bring the clock back to the program's; one may be on its way yet.
    stage.served.process.send_signal(signal.SIGSTOP)
    try:
        assert goes_on() or goes_on()
    finally:
        stage.served.process.send_signal(signal.SIGCONT)
    context.close()


def hurried(page: Page, script: str) -> None:
    """Wait until something is so while the program's clock is said to be ten minutes ahead."""
    until(page, f"import('/static/base.js').then((base) => (base.beat(Date.now() + 600_000), {script}))")


def test_a_clock_that_was_set_back_is_followed_and_what_is_paused_stands_still(stage: Stage) -> None:
    night = evening()
    going = Going(demo()[0], night.plan)
    at_stop(night, "Nobody Rows Alone")
    going.look(night.state)
    night.want(PauseCue(), after=5 * SECOND)
    night.wall_ms = int(time.time() * 1000) - night.now // 1_000_000
    board = night.board(set_clock(going, night.state, night.now, None))
    stage.served.put("stage", board)
    with stage.look() as page:
        until(page, "document.getElementById('in-song-tag').textContent.startsWith('track paused')")
        left = board["clock"]["song_left"], board["clock"]["rest"]
        assert left[0] is not None and left[1] is not None
        # Of some songs nobody has said the length.
        assert board["clock"]["unsaid"]
        about = f"{math.ceil(sum(filter(None, left)) / 60_000)} min"
        assert shown(page, "#to-go") == about
        assert shown(page, "#to-go-tag").startswith("about, to the end (")
        hurried(page, "document.getElementById('ago').textContent === ', 10 min ago'")
        assert shown(page, "#to-go") == about
        # The next beat is ten minutes behind.
        until(page, "/^, (just now|\\d+ s ago)$/.test(document.getElementById('ago').textContent)")


def test_times_are_those_of_the_show_wherever_the_browser_thinks_it_is(stage: Stage) -> None:
    board = evening().board() | {"utc": -210}
    stage.served.put("stage", board)
    with stage.look(timezone_id="Asia/Kolkata") as page:
        # 2026-11-25T22:30Z, 3 h 30 min behind UTC.
        until(page, "document.getElementById('to-go-tag').textContent.endsWith('curfew 19:00')")


@pytest.mark.parametrize(
    ("from_curfew", "after", "says"),
    [(-60_000, -270, "18:00"), (0, -150, "20:00"), (1, -270, "19:00")],
    ids=["back", "forward", "back, but later"],
)
def test_a_curfew_after_the_clocks_are_changed_is_the_one_of_the_setlist(
    stage: Stage, from_curfew: int, after: int, says: str
) -> None:
    board = evening().board()
    curfew = board["clock"]["curfew"]
    assert curfew is not None
    turn = {"at": curfew + from_curfew, "before": -210, "after": after}
    stage.served.put("stage", board | {"utc": -210, "turn": turn})
    with stage.look(timezone_id="Asia/Kolkata") as page:
        until(page, f"document.getElementById('to-go-tag').textContent.endsWith('curfew {says}')")


# -- old, over, and back ---------------------------------------------------------------------------------------------


def test_it_says_when_what_it_shows_is_old_and_comes_back_by_itself(chromium: Browser) -> None:
    night = evening()
    with ExitStack() as stack:
        first = stack.enter_context(served())
        port = int(first.bare.rsplit(":", 1)[1].strip("/"))
        first.put("stage", night.board())
        context = chromium.new_context()
        stack.callback(context.close)
        page = context.new_page()
        page.clock.install()
        page.goto(first.bare)
        page.wait_for_selector("body.is-live")
        first.kill()
        page.clock.fast_forward(4_000)
        assert page.locator("body.is-old").count() == 0
        page.clock.fast_forward(3_000)
        page.wait_for_selector("body.is-old")
        said, read_out = shown(page, "#live"), page.evaluate(READ_OUT)
        assert said.startswith("OLD: what you see is 0:0") and "No connection to stagectl" in said
        assert shown(page, "#song") == "Lanterns at Low Tide"
        page.clock.fast_forward(60_000)
        assert "1:0" in shown(page, "#live")
        # Who is read to is told of it once, not each second.
        assert (
            page.evaluate(READ_OUT) == read_out == "OLD: what you see is old. No connection to stagectl; trying again."
        )
        second = stack.enter_context(served(port=port))
        at_stop(night, "The Long Corridor")
        second.put("stage", night.board())
        # Its own time stands still but for this, that of the stream does not.
        page.clock.resume()
        until(page, "document.getElementById('song').textContent === 'The Long Corridor'")
        page.wait_for_selector("body.is-live")
        second.say({"gone": "the night is over"})
        page.wait_for_selector("body.is-over")
        assert shown(page, "#live").startswith("It is over: the night is over")


def test_a_new_key_is_asked_for_and_a_new_night_is_found(chromium: Browser) -> None:
    night = evening()
    with ExitStack() as stack:
        first = stack.enter_context(served(read_key="the first"))
        port = int(first.bare.rsplit(":", 1)[1].strip("/"))
        context = chromium.new_context()
        stack.callback(context.close)
        page = context.new_page()
        page.clock.install()
        page.goto(first.url)
        page.wait_for_selector("body.is-live")
        first.say({"gone": "the night is over"})
        page.wait_for_selector("body.is-over")
        first.process.wait(WAIT_S)
        second = stack.enter_context(served(read_key="the second", port=port))
        page.wait_for_selector("body.is-key")
        said = "A new key is needed: scan the code at the computer again. What you see is"
        assert shown(page, "#live").startswith(said)
        # It is scanned, which opens another page.
        context.new_page().goto(second.url)
        second.put("stage", night.board())
        page.clock.fast_forward(10_000)
        page.wait_for_selector("body.is-live")
        until(page, "document.getElementById('song').textContent === 'Lanterns at Low Tide'")


# -- controls ------------------------------------------------------------------------------------------


def asked(stage: Stage, does: Callable[[], object]) -> dict[str, Any]:
    """What the process tells the program when somebody does something."""
    does()
    want: dict[str, Any] = stage.served.until("want")["want"]
    return want


def test_without_the_key_there_is_nothing_to_press(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look() as page:
        assert page.locator("#controls button:visible").count() == 0
        page.keyboard.press("n")
        # It has asked for what it asks for when it has been answered this; the first want is that of somebody else.
        assert page.evaluate("fetch('/static/base.css').then((answer) => answer.ok)")
        assert asked(stage, lambda: stage.served.want({"do": "back"}, KEY)) == {"do": "back"}
        page.keyboard.press("?")
        assert "only shows" in shown(page, "#control-note")
        assert "hush everyone" not in shown(page, "#key-rows")


def test_buttons_and_keys_ask_for_the_same(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look(control=True) as page:
        page.locator("#controls").wait_for()
        for text, key, does in (
            ("next", "n", "next"),
            ("back", "b", "back"),
            ("start cue", "c", "start cue"),
            ("hush everyone", "h", "hush everyone"),
            ("fall back", "f", "fall back"),
        ):
            assert asked(stage, page.get_by_role("button", name=text, exact=True).click) == {"do": does}
            assert asked(stage, lambda key=key: page.keyboard.press(key)) == {"do": does}  # type: ignore[misc]
        until(page, "document.querySelector('.answer').textContent === '→ fall back: asked'")
        # With single keys off, only buttons act (WCAG 2.2, 2.1.4).
        page.keyboard.press("?")
        page.get_by_label("single keys act").uncheck()
        page.get_by_role("button", name="close").click()
        page.keyboard.press("n")
        assert asked(stage, page.get_by_role("button", name="back", exact=True).click) == {"do": "back"}


def test_nobody_is_controlled_who_is_not_there(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look("listener/nobody", control=True) as page:
        until(page, "document.getElementById('quiet').textContent.includes('nobody here is called')")
        assert page.locator("#controls").is_hidden()
    with stage.look("listener/singer", control=True) as page:
        page.locator("#controls").wait_for()


def test_a_key_that_is_held_presses_a_button_once(stage: Stage) -> None:
    """A keyboard repeats Enter as long as it is down, and a browser clicks each time."""
    stage.served.put("stage", evening().board())
    with stage.look(control=True) as page:
        keys = page.keyboard
        for key in ("Enter", "Space"):
            page.get_by_role("button", name="next", exact=True).focus()

            def held(key: str = key) -> None:
                for _ in range(4):
                    keys.down(key)
                keys.up(key)

            assert asked(stage, held) == {"do": "next"}
            until(page, "document.querySelector('.answer').textContent === '→ next: asked'")
            assert asked(stage, lambda: keys.press("b")) == {"do": "back"}
        # One press after the other counts.
        page.get_by_role("button", name="next", exact=True).focus()
        for _ in range(2):
            assert asked(stage, lambda: keys.press("Enter")) == {"do": "next"}


def test_an_answer_that_is_overtaken_hides_no_later_one(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look(control=True) as page:
        page.locator("#controls").wait_for()
        page.evaluate(SAID)
        held: list[Route] = []
        page.route("**/want", lambda route: held.append(route))
        page.keyboard.press("b")
        page.keyboard.press("n")
        page.keyboard.press("c")
        waiting(page, held, 3)
        held[1].fulfill(status=200, body="")
        until(page, "said.length === 1")
        held[0].fulfill(status=200, body="")
        held[2].fulfill(status=200, body="")
        until(page, "said.length > 1")
        page.keyboard.press("n")
        page.keyboard.press("b")
        waiting(page, held, 5)
        held[4].fulfill(status=200, body="")
        until(page, "said.length > 2")
        # What was not done is told at any rate.
        held[3].fulfill(status=429, body="too many")
        until(page, "said.length > 3")
        assert page.evaluate("said") == [
            "→ next: asked",
            "→ start cue: asked",
            "→ back: asked",
            "✕ next: not done: too many",
        ]


def waiting(page: Page, held: list[Route], count: int) -> None:
    """Wait until so many requests have been held back."""
    limit = time.monotonic() + WAIT_S
    while len(held) < count:
        assert time.monotonic() < limit, held
        page.wait_for_timeout(10)


def test_who_comes_with_an_old_key_is_told_that_controls_need_the_new_one(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look() as page:
        assert not page.locator("#stale").is_visible()
        port = stage.served.bare.rsplit(":", 1)[1].strip("/")
        page.context.add_cookies([{"name": f"stagectl-{port}", "value": "of yesterday", "url": stage.served.bare}])
        page.reload()
        page.locator("#stale").wait_for()
        assert shown(page, "#stale") == "Controls need the new key: scan the code at the computer again."
        assert not page.locator("#controls").is_visible()


def test_a_listener_moves_their_own_mix(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look("listener/singer", (390, 844), control=True) as page:
        page.locator("#controls").wait_for()
        nudge = {"do": "nudge", "listener": "singer"}
        press = page.keyboard.press
        assert asked(stage, lambda: press("s")) == nudge | {"input": "own", "by": 100}
        assert asked(stage, lambda: press("z")) == nudge | {"input": "whole mix", "by": -100}
        page.get_by_label("input", exact=True).select_option("guitar")
        up = page.get_by_role("button", name="the input in the list up 1 dB")
        assert asked(stage, up.click) == nudge | {"input": "guitar", "by": 100}
        for key, does in (("h", "hush"), ("u", "undo"), ("r", "clear nudges")):
            assert asked(stage, lambda key=key: press(key)) == {"do": does, "listener": "singer"}  # type: ignore[misc]


def test_a_refusal_of_the_page_is_shown(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look(control=True) as page:
        page.locator("#controls").wait_for()
        page.context.clear_cookies()
        page.keyboard.press("n")
        until(
            page,
            "document.querySelector('.answer.no')?.textContent.startsWith('✕ next: not done: this page only shows')",
        )


def test_everything_can_be_reached_by_the_keyboard_and_hit_by_a_finger(stage: Stage) -> None:
    """WCAG 2.2: 2.1.1, 2.4.7, 2.5.8 (24 px at least; 44 for what acts)."""
    stage.served.put("stage", evening().board())
    with stage.look(control=True) as page:
        page.wait_for_selector(".nudge")
        all_ = page.evaluate(
            """() => [...document.querySelectorAll("a[href], button, select")].filter((one) => one.checkVisibility())
              .map((one) => one.textContent)"""
        )
        reached = []
        for _ in all_:
            page.keyboard.press("Tab")
            text, outline = page.evaluate(
                "[document.activeElement.textContent, getComputedStyle(document.activeElement).outlineStyle]"
            )
            reached.append(text)
            assert outline == "solid"
        assert sorted(reached) == sorted(all_) and len(all_) > 12
        sizes = page.evaluate(
            """() => [...document.querySelectorAll("a[href], button, select")].filter((one) => one.checkVisibility())
              .map((one) => [one.tagName, one.getBoundingClientRect().width, one.getBoundingClientRect().height])"""
        )
        for tag, wide, high in sizes:
            least = 24 if tag == "A" else 44
            assert wide >= 24 and high >= least, (tag, wide, high)


# -- bright and dark -----------------------------------------------------------------------------------

GROUND = "getComputedStyle(document.documentElement).backgroundColor"


def test_bright_or_dark_by_the_system_or_by_a_key_and_kept(stage: Stage) -> None:
    stage.served.put("stage", evening().board())
    with stage.look(color_scheme="light") as page:
        bright = page.evaluate(GROUND)
        page.keyboard.press("d")
        dark = page.evaluate(GROUND)
        assert shown(page, "#light") == "bright"
        page.reload()
        page.wait_for_selector("body.is-live")
        assert page.evaluate(GROUND) == dark != bright
        page.locator("#light").click()
        assert page.evaluate(GROUND) == bright
    with stage.look(color_scheme="dark") as page:
        assert page.evaluate(GROUND) == dark


# -- the map -------------------------------------------------------------------------------------------


def test_the_map_has_every_level_of_a_mix_and_marks_every_jump(stage: Stage) -> None:
    night, scene = evening(), scene_map(*demo())
    at_stop(night, "Nobody Rows Alone", "organ break")
    stage.served.put("stage", night.board())
    stage.served.put("map", map_board(scene, night.moment.wall_ms))
    with stage.look("map") as page:
        page.wait_for_selector("td")
        for one in scene["listeners"]:
            page.get_by_label("whose mix").select_option(one["name"])
            rows = page.evaluate(
                """() => [...document.querySelectorAll("tbody tr")].map((row) => [
                  row.querySelector("th").textContent,
                  [...row.querySelectorAll("td")].map((cell) => cell.lastChild?.data ?? ""),
                  [...row.querySelectorAll("td")].flatMap((cell, at) => cell.matches(".jump")
                    ? [[at, cell.firstChild.textContent]] : []),
                ])"""
            )
            jumps = [jump for jump in scene["jumps"] if jump["listener"] == one["name"]]
            for (name, cells, marks), row in zip(rows, one["rows"], strict=True):
                assert name == row["input"]
                says = [{"·": "off", "": None}.get(cell, cell.replace("−", "-")) for cell in cells]
                assert [level if level in ("off", None) else round(float(level) * 100) for level in says] == row[
                    "levels"
                ]
                mine = sorted((jump["stop"], "▲" if jump["by"] > 0 else "▼") for jump in jumps if jump["input"] == name)
                assert [tuple(mark) for mark in marks] == mine
        assert shown(page, "th.here") == "organ break"
        page.locator("#scroll").focus()
        page.keyboard.press("ArrowRight")
        until(page, "document.getElementById('scroll').scrollLeft > 0")
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280


CUT: Final = """() => [...document.querySelectorAll("#levels thead .clip")]
  .filter((one) => one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight + 1)
  .map((one) => one.textContent)"""


def test_on_the_map_names_are_whole_and_stay_in_sight(stage: Stage) -> None:
    stage.served.put("map", map_board(scene_map(*demo()), 0))
    with stage.look("map", (800, 400)) as page:
        page.wait_for_selector("td")
        for width in (1280, 800, 390):
            resize(page, (width, 400))
            assert page.locator("#levels thead .clip").count() > 20
            assert page.evaluate(CUT) == []
        where = "((one) => [one.getBoundingClientRect().left, one.getBoundingClientRect().top])"
        seen = f"['.corner', 'th.song', '#levels tbody th'].map((one) => {where}(document.querySelector(one)))"
        corner, song, name = page.evaluate(seen)
        page.evaluate("document.getElementById('scroll').scrollTo(50, 60)")
        assert page.evaluate(seen) == [corner, [song[0] - 50, song[1]], [name[0], name[1] - 60]]


SEEN: Final = """(id) => {
  const [element, letters] = [document.getElementById(id), document.createRange()];
  const half = element.getBoundingClientRect().top + 1.62 * parseFloat(getComputedStyle(element).fontSize);
  const rest = element.querySelector(".rest");
  const below = (node) => [...node.data].map((_, at) => {
    letters.setStart(node, at);
    letters.setEnd(node, at + 1);
    return letters.getClientRects()[0];
  }).filter((is) => is?.width).map((is) => is.top > half);
  return [below(element.firstChild).some(Boolean), rest && below(rest.firstChild).every(Boolean),
    rest && getComputedStyle(rest).opacity];
}"""
"""Whether a letter of what is seen of a name is in a third line; whether all the rest are, and how they are drawn."""


def test_of_a_name_of_three_lines_nothing_of_the_third_is_seen(stage: Stage) -> None:
    """Its tops would stand as dashes below the second; who is read to hears the name whole."""
    board = evening().board()
    name = "The Exceedingly Long Ballad of the Élégie for Åse, " * 3
    board["place"] |= {"song": name.strip(), "section": "the quiet bit"}
    stage.served.put("stage", board)
    with stage.look() as page:
        for size in ((1280, 800), (390, 844), (800, 1280)):
            resize(page, size)
            assert page.evaluate(SEEN, "song") == [False, True, "0"], size
            assert page.evaluate(SEEN, "section") == [False, None, None], size
            assert page.evaluate("document.getElementById('song').textContent") == name.strip()
        board["place"]["song"] = "A Kettle"
        stage.served.put("stage", board)
        until(page, "document.getElementById('song').textContent === 'A Kettle'")
        assert page.evaluate(SEEN, "song") == [False, None, None]


def test_the_whole_page_is_small() -> None:
    """150 kB for all that the stage page, the map and what they share come to."""
    files = {name: len(data) for name, data in static_files().items() if not name.startswith("room")}
    assert {"page.html", "base.css", "style.css", "page.js", "base.js", "map.html"} <= set(files)
    assert sum(files.values()) < 150_000
