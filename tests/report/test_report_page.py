"""The page: well-formed, self-contained, escaped, with text that nowhere stands over other text.

Judged by the standard library's HTML parser, by WCAG 2.2's formula of contrast, and by CSP Level 3's digest.
"""

from __future__ import annotations

import base64
import hashlib
import re
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from stagectl.journal.read import open_read
from stagectl.report.build import build
from stagectl.report.page import page
from stagectl.report.style import DARK, LIGHT, PRINT, SHADE_MAX
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row

from .html import Page, outside, overlaps
from .made import DEMO, END, HEAD, HERE, MINUTE, SECOND, arrival, change, demo_rows, written

EVIL = (
    '<script>alert("1")</script>',
    "</title></style>&amp;\"'`",
    "\N{DRUM WITH DRUMSTICKS}\N{VARIATION SELECTOR-16}\N{FAMILY} the \N{GUITAR} one",
    "\u0645\u0631\u062d\u0628\u0627 \u0628\u0627\u0644\u0639\u0627\u0644\u0645",
    "\u202eturned round",
    "x" * 200,
    "word " * 40,
    "\u8d85\u957f\u7684\u6b4c\u66f2\u540d\u79f0" * 20,
    "\ufdfd\ufdfd\ufdfd\ufdfd",
    "line\nbreak\tand\x07bell\x00",
    "http://somewhere.invalid/?a=1&b=<2>",
    "{--ink:red}",
)


def drawn(path: Path, with_show: bool = False) -> str:
    show = load_show(DEMO) if with_show else None
    with closing(open_read(path)) as connection:
        return page(*build(connection, show, None if show is None else compile_show(show)))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> str:
    return drawn(written(tmp_path_factory.mktemp("demo") / "n.night", demo_rows()), with_show=True)


def evil_rows() -> list[Row]:
    rows = [HERE]
    for at, name in enumerate(EVIL, 1):
        begun = at * MINUTE
        rows += [
            Row(begun, "link", who=name, what="here"),
            Row(begun, "press", at, who=name, what=name, pedal=name, control=name, number=at * 100),
            arrival(begun, name, press=at),
            *(change(begun, -at * 100, listener=name, input=other, who=name) for other in EVIL),
            change(begun + SECOND, 0, -300, "nudge", listener=name, input=name),
            Row(begun, "refusal", at, who=name, what=f"{name} in the mix of {name}", detail="it is at its ceiling"),
            Row(begun, "refusal", at, who=name, what=name, pedal=name, control=name, detail=name),
            Row(begun + SECOND, "link", who=name, what="gone"),
            Row(begun, "trouble", what=name),
        ]
    return [*rows, END]


@pytest.fixture(scope="module")
def evil(tmp_path_factory: pytest.TempPathFactory) -> str:
    head = replace(HEAD, setlist=EVIL[0], venue=EVIL[1], zone=EVIL[2])
    return drawn(written(tmp_path_factory.mktemp("evil") / "n.night", evil_rows(), head))


def test_a_page_is_well_formed_and_complete(demo: str) -> None:
    found = Page(demo)
    assert found.faults == []
    assert demo.startswith('<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">')
    heads = [tag for tag, _ in found.tags if tag in ("h1", "h2", "h3")]
    assert heads == ["h1", "h2", "h2", *["h3"] * 5, *["h2"] * 6]
    assert {str(attrs["href"]) for tag, attrs in found.tags if tag == "a"} == {f"#{one}" for one in found.ids}
    for words in ("Lanterns at Low Tide", "lead vocal", "drum pedal", "it is at its ceiling", "curfew 22:30", "dB(A)"):
        assert words in found.text


def test_nothing_is_loaded_run_or_sent(demo: str, evil: str) -> None:
    for text in (demo, evil):
        found = Page(text)
        tags = {tag for tag, _ in found.tags}
        assert not tags & {
            "script",
            "link",
            "img",
            "iframe",
            "object",
            "embed",
            "form",
            "image",
            "use",
            "base",
            "audio",
        }
        attributes = {name for _, attrs in found.tags for name in attrs}
        assert not {name for name in attributes if name.startswith("on")} | attributes & {"src", "style", "action"}
        assert not re.search(r"url\(|@import|expression", found.style)
    # No address at all; that of a name is text, or the name of a drawing.
    assert "://" not in demo
    addressed = {name for _, attrs in Page(evil).tags for name, value in attrs.items() if "://" in str(value)}
    assert addressed <= {"aria-label"}
    assert "http://somewhere.invalid/?a=1&b=<2>" in Page(evil).words


def test_the_policy_lets_in_this_style_sheet_alone(demo: str) -> None:
    """CSP Level 3, 6.7.3.3 and 6.7.3.2: the digest is that of the element's text, in UTF-8."""
    found = Page(demo)
    (policy,) = [attrs["content"] for tag, attrs in found.tags if attrs.get("http-equiv") == "Content-Security-Policy"]
    digest = base64.b64encode(hashlib.sha256(found.style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    # It stands before what it is to keep in.
    assert demo.index("Content-Security-Policy") < demo.index("<style>")


def test_names_are_text_whatever_they_hold(evil: str) -> None:
    found = Page(evil)
    assert found.faults == []
    for name in EVIL[:2]:
        assert name in found.words
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f]", evil)
    # A name that turns the direction round is set apart each time.
    for at in (hit.start() for hit in re.finditer("\u202e", evil)):
        before = evil[:at]
        in_text = before.rfind("<bdi>") > before.rfind("</bdi>")
        in_title = before.rfind("<title>") > before.rfind("</title>") or before.rfind(' aria-label="') > before.rfind(
            ">"
        )
        in_drawing = ' i">' in before[-6:]
        assert in_text or in_title or in_drawing, before[-60:]


@pytest.mark.parametrize("which", ["demo", "evil"])
def test_no_text_of_a_drawing_stands_over_another_or_outside(which: str, request: pytest.FixtureRequest) -> None:
    found = Page(request.getfixturevalue(which))
    assert len(found.boxes) > 300
    assert list(overlaps(found)) == []
    assert outside(found) == []


def test_the_judge_of_overlaps_sees_one() -> None:
    style = "<style>svg .m{font-size:10px}</style>"
    near = '<svg width="99" height="20"><text x="0" y="10" class="m">four</text>{}</svg>'
    near = near.format('<text x="{}" y="12" class="m">x</text>')
    assert len(list(overlaps(Page(style + near.format(24))))) == 1
    assert list(overlaps(Page(style + near.format(25)))) == []
    assert [box.text for box in outside(Page(style + near.format(94)))] == ["x"]


def luminance(colour: tuple[float, float, float]) -> float:
    """Relative luminance, WCAG 2.2."""
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """WCAG 2.2, 1.4.3: (L1 + 0.05) / (L2 + 0.05)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def rgb(code: str) -> tuple[float, float, float]:
    red, green, blue = bytes.fromhex(code[1:])
    return red / 255, green / 255, blue / 255


@pytest.mark.parametrize("colours", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
def test_contrasts_are_enough(colours: dict[str, str]) -> None:
    assert contrast(rgb("#777777"), rgb("#ffffff")) == pytest.approx(4.48, abs=0.01)  # a well-known pair
    all_ = {name: rgb(code) for name, code in colours.items()}
    mixed = zip(all_["paper"], all_["tint"], strict=True)
    red, green, blue = (paper + SHADE_MAX * (tint - paper) for paper, tint in mixed)
    for text, on in (
        ("ink", all_["paper"]),
        ("soft", all_["paper"]),
        ("tint", all_["paper"]),
        ("ink", all_["band"]),
        ("ink", (red, green, blue)),
    ):
        assert contrast(all_[text], on) >= 4.5, text
    for line in ("line", "tint", "ink"):
        assert contrast(all_[line], all_["paper"]) >= 3, line
    assert contrast(all_["tint"], (red, green, blue)) >= 3


def test_it_prints_without_cut_rows_and_knows_both_screens(demo: str) -> None:
    style = Page(demo).style
    assert "@page{margin:12mm 10mm 14mm}" in style
    assert re.search(r"@media print\{.*figure,tr,li,p[^{]*\{break-inside:avoid\}", style, re.DOTALL)
    assert "@media (prefers-color-scheme:dark){:root{" in style
    # A4 is 210 mm wide, Letter 215.9 mm; a CSS pixel is 1/96 inch. No drawing is wider than what the margins leave, and
    # none is higher than a page of the shorter paper, Letter.
    for wide, high in Page(demo).drawings:
        assert wide <= (210 - 20) / 25.4 * 96 + 2
        assert high <= (279.4 - 26) / 25.4 * 96


def test_a_very_big_night_stays_bounded_and_readable(tmp_path: Path) -> None:
    """60 songs, 16 listeners, 32 inputs: each level is drawn, and no drawing is higher than a page."""
    songs, listeners, inputs = (
        [f"{what} number {at}" for at in range(n)] for what, n in (("song", 60), ("player", 16), ("input", 32))
    )
    rows = [HERE]
    for at, song in enumerate(songs):
        rows.append(arrival(at * MINUTE, song, press=at))
        for one in listeners:
            rows += [change(at * MINUTE, -(at * 37 % 50) * 50, listener=one, input=other) for other in inputs]
            rows.append(change(at * MINUTE + SECOND, -100, -250, "nudge", listener=one, input=inputs[at % 32]))
    text = drawn(written(tmp_path / "n.night", [*rows, END]))
    assert len(text) < 9_000_000
    assert len(re.findall(r">([+-]?\d+(?:\.\d)?|off)</text>", text)) >= 60 * 16 * 32
    # The parser takes its time: it gets the first and the last listener's part, between what is before and behind.
    head, first, *_, last = text.split("<h3>")
    found = Page("<h3>".join((head, first, last)))
    assert found.faults == []
    assert outside(found) == []
    assert list(overlaps(found)) == []
    assert max(high for _, high in found.drawings) <= (279.4 - 26) / 25.4 * 96
