"""The page in a real browser: on screen, light and dark, and printed on A4 and Letter.

Judged by what the browser draws: the words of the printed page and their places, as `pdftotext -bbox` (poppler) finds
them, the sizes that `pdfinfo` says, the pixels of screenshots, and a web server that counts who asks.
"""

from __future__ import annotations

import re
import subprocess
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from html.parser import HTMLParser
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from browsing import Window, browser
from needs import needs, unavailable

from stagectl.journal.read import open_read
from stagectl.report.build import build
from stagectl.report.page import page
from stagectl.report.style import DARK, LIGHT, style_sheet
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

from .made import DEMO, demo_rows, written

PAPERS = {"A4": (595.3, 841.9), "letter": (612.0, 792.0)}
"""ISO 216 and ANSI/ASME Y14.1 A, in points."""


class Word(NamedTuple):
    """A word of a printed page: the page from 0, its corners in points, and the word."""

    page: int
    left: float
    top: float
    right: float
    bottom: float
    text: str


class _Words(HTMLParser):
    """What `pdftotext -bbox` says."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[Word] = []
        self._page = -1
        self._box: tuple[float, ...] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: float(value or 0) for name, value in attrs if name in ("xmin", "ymin", "xmax", "ymax")}
        self._page += tag == "page"
        self._box = (found["xmin"], found["ymin"], found["xmax"], found["ymax"]) if tag == "word" else None

    def handle_data(self, data: str) -> None:
        if self._box is not None and data.strip():
            left, top, right, bottom = self._box
            self.words.append(Word(self._page, left, top, right, bottom, data))


@pytest.fixture(scope="module")
def window() -> Iterator[Window]:
    with browser() as made:
        yield Window(made)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    needs("pdftotext", "pdfinfo")
    folder = tmp_path_factory.mktemp("browser")
    written(folder / "n.night", demo_rows())
    return folder


def drawn(night: Path) -> str:
    show = load_show(DEMO)
    with closing(open_read(night / "n.night")) as connection:
        return page(*build(connection, show, compile_show(show)))


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_it_prints_with_nothing_cut_and_no_word_over_another(
    night: Path, window: Window, paper: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_paper = style_sheet().replace("@page{", f"@page{{size:{paper};")
    monkeypatch.setattr("stagectl.report.page.style_sheet", lambda: on_paper)
    (night / "n.html").write_text(drawn(night), "utf-8")
    pdf = night / f"{paper}.pdf"
    with window.page(night.as_uri(), (1280, 720)) as tab:
        tab.goto((night / "n.html").as_uri())
        tab.pdf(path=pdf, prefer_css_page_size=True, print_background=True)
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+)", subprocess.check_output(["pdfinfo", pdf], text=True))
    assert size is not None
    wide, high = PAPERS[paper]
    assert (float(size[1]), float(size[2])) == pytest.approx((wide, high), abs=1)
    parser = _Words()
    parser.feed(subprocess.check_output(["pdftotext", "-bbox", pdf, "-"], text=True))
    words = parser.words
    assert len(words) > 900
    # Margins: 10 mm at the sides, 12 and 14 mm above and below; a millimetre is 72/25.4 points.
    for word in words:
        assert word.left >= 10 * 72 / 25.4 - 1 and word.right <= wide - 10 * 72 / 25.4 + 1, word
        assert word.top >= 12 * 72 / 25.4 - 3 and word.bottom <= high - 14 * 72 / 25.4 + 3, word
    assert list(over_each_other(words)) == []
    said = " ".join(word.text for word in words)
    for mark in ("Lanterns at Low Tide", "curfew 22:30", "it is at its ceiling", "to 0.5", "Local rules and a hearing"):
        assert mark in said
    # A row of a table is on one page as a whole: the drummer's ears have four lines.
    begins = next(word for word in words if word.text == "90.5")
    (ends,) = [word for word in words if word.text == "rehearsal"]
    assert begins.page == ends.page and begins.bottom < ends.top


def over_each_other(words: list[Word]) -> Iterator[tuple[Word, Word]]:
    """Words that share more than a tenth of their height and a point of width. Boxes are those of the font, which is
    higher than its letters."""
    by_page: dict[int, list[Word]] = {}
    for word in words:
        by_page.setdefault(word.page, []).append(word)
    for some in by_page.values():
        some.sort(key=lambda word: word.top)
        for at, one in enumerate(some):
            for other in some[at + 1 :]:
                if other.top >= one.bottom:
                    break
                deep = min(one.bottom, other.bottom) - other.top
                across = min(one.right, other.right) - max(one.left, other.left)
                if across > 1 and deep > 0.35 * min(one.bottom - one.top, other.bottom - other.top):
                    yield one, other


def test_the_judge_of_words_sees_one_over_another() -> None:
    one = Word(0, 10, 10, 50, 20, "one")
    assert list(over_each_other([one, one._replace(left=45, right=80, top=13, bottom=23)]))
    assert not list(over_each_other([one, one._replace(left=51, right=80)]))
    assert not list(over_each_other([one, one._replace(top=20, bottom=30)]))
    assert not list(over_each_other([one, one._replace(page=1)]))


@pytest.mark.slow
@pytest.mark.parametrize(("wide", "scheme"), [(1280, "light"), (800, "dark")])
def test_on_screen_it_has_the_colours_of_its_scheme(night: Path, window: Window, wide: int, scheme: str) -> None:
    try:
        from PIL import Image
    except ImportError:
        unavailable("Pillow, which reads the screenshots, is not installed")
    (night / "s.html").write_text(drawn(night), "utf-8")
    shot = night / f"{wide}.png"
    with window.page(night.as_uri(), (wide, 2000), color_scheme=scheme) as tab:
        tab.goto((night / "s.html").as_uri())
        tab.screenshot(path=shot)
    with Image.open(shot) as image:
        assert image.size == (wide, 2000)
        red, green, blue = np.asarray(image.convert("RGB"), dtype=np.int64).transpose(2, 0, 1)
    codes, counts = np.unique(red << 16 | green << 8 | blue, return_counts=True)
    colours = Counter(dict(zip(codes.tolist(), counts.tolist(), strict=True)))
    own = DARK if scheme == "dark" else LIGHT
    paper, ink, tint = (int(own[name][1:], 16) for name in ("paper", "ink", "tint"))
    assert colours.most_common(1)[0][0] == paper
    assert colours[paper] > 0.6 * wide * 2000
    # The style sheet counts: its ink and its tint are there, so the policy let it in.
    assert colours[ink] > 1000 and colours[tint] > 1000


@contextmanager
def counting() -> Iterator[tuple[int, list[str]]]:
    """A web server on this machine, and what it is asked for."""
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(404)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the name is http.server's
            """Nothing is logged."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1], asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.mark.slow
def test_its_policy_keeps_a_browser_from_asking_anybody(night: Path, window: Window) -> None:
    """What a name could never bring in is put in by hand: with the policy nobody is asked, without it somebody is."""
    text = drawn(night)
    with counting() as (port, asked):
        there = f"http://127.0.0.1:{port}"
        planted = (
            f'<img src="{there}/image"><script src="{there}/script"></script>'
            f'<link rel="stylesheet" href="{there}/style">'
            f'<iframe src="{there}/frame"></iframe><p style="background:url({there}/attribute)">x</p>'
        )
        (night / "p.html").write_text(text.replace("<main>", f"<main>{planted}"), "utf-8")
        # What the policy keeps it from, it asks for and complains of here.
        with window.page("", (1280, 720), ()) as tab:
            tab.goto((night / "p.html").as_uri())
            tab.screenshot(path=night / "p.png")
        assert asked == []
        bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
        assert bare != text
        (night / "b.html").write_text(bare.replace("<main>", f"<main>{planted}"), "utf-8")
        with window.page("", (1280, 720), ()) as tab:
            tab.goto((night / "b.html").as_uri())
            tab.screenshot(path=night / "p.png")
        assert {"/image", "/script", "/style", "/frame", "/attribute"} <= set(asked)
