"""The sheet as HTML: well-formed, self-contained, escaped, all greys, and its map says each level.

Judged by the standard library's HTML parser, by html-validate, by WCAG 2.2's formula of contrast, and by CSP Level 3's
digest.
"""

from __future__ import annotations

import base64
import hashlib
import re
from itertools import pairwise
from pathlib import Path

import pytest
from judges import html_validate

from stagectl.sheet import style
from stagectl.sheet.facts import PARTS
from stagectl.sheet.map_table import SHADES
from stagectl.sheet.page import page
from stagectl.sheet.words import cell_words

from .html import Parsed
from .made import DEMO, EVIL, evil, feet, sheet


@pytest.fixture(scope="module")
def demo() -> str:
    return page(sheet(DEMO, "Tidewater Hall"), "a4")


@pytest.fixture(scope="module")
def worst(tmp_path_factory: pytest.TempPathFactory) -> str:
    return page(sheet(evil(tmp_path_factory.mktemp("evil")), EVIL[6]), "letter")


@pytest.mark.parametrize("which", ["demo", "worst"])
def test_a_page_is_well_formed_and_loads_and_runs_nothing(which: str, request: pytest.FixtureRequest) -> None:
    found = Parsed(request.getfixturevalue(which))
    assert found.faults == []
    tags = {tag for tag, _ in found.tags}
    assert tags <= {
        *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "h1", "h2", "h3", "p", "span"),
        *("div", "dl", "dt", "dd", "ul", "li", "b", "bdi", "br"),
        *("table", "caption", "colgroup", "col", "thead", "tbody", "tr", "th", "td"),
    }
    attributes = {name for _, attrs in found.tags for name in attrs}
    assert attributes <= {
        *("lang", "charset", "name", "content", "http-equiv", "class", "id", "aria-labelledby", "tabindex"),
        *("scope", "colspan"),
    }
    ids = [attrs["id"] for _, attrs in found.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert not re.search(r"url\(|@import|expression", found.style)
    # CSP Level 3, 6.7.3.3: the digest is that of the element's text, in UTF-8.
    (policy,) = [attrs["content"] for _, attrs in found.tags if attrs.get("http-equiv") == "Content-Security-Policy"]
    digest = base64.b64encode(hashlib.sha256(found.style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def test_names_are_text_whatever_they_hold(worst: str) -> None:
    found = Parsed(worst)
    # Emoji that are not whole are no characters of a page; all other names stand there as they are.
    for name in EVIL:
        assert name in found.words
    # A name that turns the direction round is set apart each time.
    for hit in re.finditer("\u202e", worst.split("</style>")[1]):
        before = worst.split("</style>")[1][: hit.start()]
        in_name = before.rfind("<bdi>") > before.rfind("</bdi>")
        assert in_name, before[-60:]


def test_the_foot_of_a_page_is_one_string_of_css() -> None:
    """CSS Syntax Level 3, 4.3.5 and 4.3.7, read backwards: escapes by number end at one white space."""
    for name in EVIL:
        said = style.text_of(name)
        assert re.fullmatch(r'"(?:[A-Za-z0-9 ]|\\[0-9a-f]{1,6} )*"', said)
        read = re.sub(r"\\([0-9a-f]{1,6}) ", lambda hit: chr(int(hit[1], 16)), said[1:-1])
        assert read.strip("\u2068\u2069") == name


@pytest.mark.slow
def test_html_validate_finds_nothing(demo: str, tmp_path: Path) -> None:
    """html-validate, its recommended rules, but for the one of titles that search engines cut."""
    worst = page(sheet(evil(tmp_path / "evil"), EVIL[6]), "letter", ["cue sheet", "inputs"])
    pages = {"demo.html": demo, "worst.html": worst}
    (tmp_path / "pages").mkdir()
    assert html_validate(tmp_path / "pages", pages, without=("long-title",)) == {name: [] for name in pages}


def luminance(grey: str) -> float:
    """Relative luminance of a grey, WCAG 2.2."""
    red, green, blue = bytes.fromhex(grey[1:])
    assert red == green == blue
    part = red / 255
    return part / 12.92 if part <= 0.04045 else float(((part + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, 1.4.3: (L1 + 0.05) / (L2 + 0.05)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_black_and_white_lose_nothing(demo: str) -> None:
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # a well-known pair
    shades = [style.shade(at) for at in range(SHADES)]
    for text, grounds in (
        (style.INK, [style.PAPER, style.BAND, *shades]),
        (style.SOFT, [style.PAPER, style.BAND]),
    ):
        assert all(contrast(text, ground) >= 4.5 for ground in grounds)
    assert contrast(style.LINE, style.PAPER) >= 3
    assert [luminance(one) for one in shades] == sorted((luminance(one) for one in shades), reverse=True)
    # There are only greys; `luminance` asserts it.
    for colour in set(re.findall(r"#[0-9a-f]{3,8}\b", Parsed(demo).style)):
        luminance(colour)


@pytest.mark.parametrize("venue", [None, "The Brick Cellar"])
def test_the_map_says_each_level(venue: str | None) -> None:
    facts = sheet(DEMO, venue)
    found = [cells for table, cells in Parsed(page(facts, "a4", ["map"])).rows if table == "map"]
    assert [text.split()[0] for text, _ in found[0][1:]] == [one["label"] for one in facts.map["stops"]]
    rows = iter(found[1:])
    jumps = {(one["listener"], one["input"], one["stop"]): one["by"] for one in facts.map["jumps"]}
    seen = {}
    for listener in facts.map["listeners"]:
        (head,) = next(rows)
        assert head[0].startswith(listener["name"])
        for row in listener["rows"]:
            if set(row["levels"]) == {"off"}:
                assert row["input"] in head[0].split("Off throughout: ")[1]
                continue
            (name, _), *cells = next(rows)
            assert name == row["input"]
            across = [text for text, wide in cells for _ in range(wide)]
            assert [text.strip("▲▼") for text in across] == [cell_words(level) for level in row["levels"]]
            at = 0
            for text, wide in cells:
                if text[0] in "▲▼":
                    seen[listener["name"], name, at] = text[0]
                at += wide
            # Each cell goes as far as its level stays.
            assert all(one.strip("▲▼") != other.strip("▲▼") for (one, _), (other, _) in pairwise(cells))
    assert next(rows, None) is None
    assert seen == {where: "▲" if by > 0 else "▼" for where, by in jumps.items()}


def test_parts_can_be_had_alone(tmp_path: Path) -> None:
    facts = sheet(feet(tmp_path))
    ids = {"cue sheet": ["cue-sheet"], "inputs": ["inputs"], "cards": ["card-1", "card-2"], "map": ["map"]}
    assert tuple(ids) == PARTS
    for only in ([], ["inputs"], ["map", "cue sheet"], list(PARTS)):
        found = Parsed(page(facts, "a4", only))
        sections = [attrs["aria-labelledby"] for tag, attrs in found.tags if tag == "section"]
        assert sections == [name for part in PARTS if part in only or not only for name in ids[part]]
        # Only the first part stays on the page that the title is on.
        looks = [str(attrs["class"]).split() for tag, attrs in found.tags if tag == "section"]
        assert ["first" in look for look in looks] == [True] + [False] * (len(looks) - 1)


def test_what_is_said_of_feet_sockets_and_phantom_power(tmp_path: Path) -> None:
    found = Parsed(page(sheet(feet(tmp_path), "Upper Barn"), "a4"))
    rows = {(table.split()[0], *(text for text, _ in cells)) for table, cells in found.rows}
    for row in (
        ("feet", "floor boardfiddler", "left", "press: nexthold: undodouble press: layer solo"),
        ("feet", "floor boardfiddler", "left and right", "press together: hush everyone"),
        ("feet", "floor boardfiddler", "rightlayer solo", "press: nudge rest own -2 dBhold: layer"),
        ("feet", "floor board", "treadle", "turn: ride fiddle from -6 to +3 dB"),
        ("cues", "2", "Secondat once", "lamp rack: blue", "floor board, left:hold: nothing", "wait for the count"),
        (
            "inputs",
            "1",
            "fiddle",
            "7",
            "fiddler",
            "needed: this desk gives it",
            "direct",
            "the spare clip is in the lid",
        ),
        ("inputs", "2", "drum", "2", "", "", "only this desk", ""),
        ("sockets", "2", "drum"),
        ("mixes", "1", "caller", "voice", "drum", "0 dB", "+10 dB"),
        ("mixes", "3", "fiddler", "fiddle", "fiddle", "0 dBdrum -9 dB", "+10 dB"),
        ("changes", "2", "Second", "▲ voice -10 (up 10)floor board, left: hold: nothing", ""),
    ):
        assert row in rows
    assert [cells[0][0] for table, cells in found.rows if table == "sockets"] == ["Socket", "2", "5", "7"]
    (coda,) = [row for row in rows if row[0] == "changes" and row[2] == "coda" and "as before" not in row[3]]
    assert coda[3].startswith("drum -10 (up 2); voice off")
    assert "double press: go to First" in coda[3]


def test_a_card_says_each_change_from_the_stop_before(demo: str) -> None:
    facts = sheet(DEMO, "Tidewater Hall")
    rows = iter([cells for table, cells in Parsed(demo).rows if table == "changes"])
    some = 0
    for listener in facts.map["listeners"]:
        assert next(rows)[2][0] == "What changes"
        for stop, entry in enumerate(facts.map["stops"][1:], 1):
            (label, _), _, (said, _), _ = next(rows)
            assert label == entry["label"]
            expected = []
            for row in listener["rows"]:
                before, after = row["levels"][stop - 1 : stop + 1]
                if isinstance(before, int) and isinstance(after, int) and before != after:
                    way = f"({'up' if after > before else 'down'} {abs(after - before) / 100:g})"
                    expected.append(f"{row['input']} {after / 100:g} {way}")
                elif before != after:
                    expected.append(f"{row['input']} {'off' if after == 'off' else f'on at {int(after) / 100:g}'}")  # type: ignore[arg-type]
            assert re.sub("[▲▼] ", "", said).split("; ") == (expected or ["as before"])
            some += len(expected)
    assert next(rows, None) is None
    assert some > 100
