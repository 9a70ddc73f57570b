"""The sheet as a PDF: what `pdftotext` and `pdfinfo` (poppler) find in it, against the show's files as PyYAML reads
them, and what a browser prints of the same page."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml
from browsing import installed
from needs import needs

from stagectl.sheet.page import page
from stagectl.sheet.words import cell_words
from stagectl.sheet.write import is_ours, pdf

from .html import Parsed
from .made import DATED, DEMO, EVIL, evil, feet, sheet

PAPERS = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}
"""ISO 216 and ANSI/ASME Y14.1 A, in points."""


def told(*arguments: str | Path) -> str:
    return subprocess.check_output([str(one) for one in arguments], text=True, stderr=subprocess.DEVNULL)


def squeezed(text: str) -> str:
    """Without white space, as names may be broken over lines, and without the marks of directions."""
    return re.sub("[\\s\u2066-\u2069\u00ad]", "", text)


class Read:
    """A PDF as poppler reads it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.pages = told("pdftotext", "-raw", path, "-").split("\f")[:-1]
        self.text = squeezed("".join(self.pages))
        self.info = told("pdfinfo", "-f", "1", "-l", "999", path)
        self.sizes = [(float(wide), float(high)) for wide, high in re.findall(r"size: +([\d.]+) x ([\d.]+)", self.info)]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Read:
    needs("pdftotext", "pdfinfo")
    path = tmp_path_factory.mktemp("demo") / "sheet.pdf"
    path.write_bytes(pdf(page(sheet(DEMO, "Tidewater Hall"), "a4")))
    return Read(path)


def test_a_sheet_of_many_pages_is_known_again(demo: Read) -> None:
    """Its trailer stands before a list of its objects that is longer than what is looked at."""
    raw = demo.path.read_bytes()
    assert len(raw) - raw.rindex(b"/ID") > 4_096
    assert is_ours(demo.path)


def of_file(name: str) -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DEMO / name).read_text("utf-8"))
    return found


def test_everything_of_the_show_is_on_paper(demo: Read) -> None:
    setlist, rig = of_file("setlist.yaml"), of_file("rig.yaml")
    names = [setlist["title"], "Tidewater Hall", DATED]
    for number, song in enumerate(setlist["songs"], 1):
        names.append(f"{number} {song['name']}")
        names += [f"{number}.{at} {part['name']}" for at, part in enumerate(song.get("sections", []), 1)]
        names += [f"keys rig: {one['message']}" for one in song.get("messages", []) if "message" in one]
    names += [f"{at} {one['name']} {one['socket']}" for at, one in enumerate(rig["inputs"], 1)]
    names += [f"{one['name']} mix {one['mix']}, own input {one['own input']}" for one in rig["listeners"]]
    names += [one["name"] for one in rig["pedals"] + rig["players"] + rig["devices"]]
    names += ["overheads 6 needed: the split gives it", "keys 10 keys player never", "by itself at bar 13"]
    names += ["load in 16:00 line check 18:00 doors 19:30 set 20:45 curfew 22:30", "tempo 100, 6/8", "at 0:28"]
    assert [name for name in names if squeezed(name) not in demo.text] == []


def test_the_feet_are_on_paper(demo: Read) -> None:
    """Against the mapping's own words in its file."""
    mapping = yaml.safe_load((DEMO.parents[1] / "mappings/pedals/four-switches-with-lamps.yaml").read_text("utf-8"))
    for control, does in mapping["controls"].items():
        said = [f"{gesture}: {does[gesture]}" for gesture in ("press", "hold", "double press") if gesture in does]
        said = [re.sub(r"\{'nudge': 'own', 'by': ([+-]?\d)\}", _signed, one) for one in said]
        # On the cue sheet, and on the listener's card.
        assert demo.text.count(squeezed(control + "".join(said))) + demo.text.count(squeezed(control + said[0])) >= 2, (
            control,
            said,
        )


def _signed(hit: re.Match[str]) -> str:
    return f"nudge own {int(hit[1]):+d} dB"


def test_the_map_is_on_paper(demo: Read) -> None:
    facts = sheet(DEMO, "Tidewater Hall")
    text = squeezed("".join(demo.pages[-2:])).replace("▲", "").replace("▼", "")
    for listener in facts.map["listeners"]:
        assert listener["name"].replace(" ", "") in text
        for row in listener["rows"]:
            levels = row["levels"]
            told_ = [cell_words(level) for at, level in enumerate(levels) if not at or level != levels[at - 1]]
            if told_ != ["off"]:
                assert squeezed(row["input"] + "".join(told_)) in text


def test_pages_have_their_size_their_number_and_their_heads(demo: Read) -> None:
    across = PAPERS["a4"][::-1]
    lying = [size for size in demo.sizes if size == pytest.approx(across, abs=1)]
    assert len(lying) == 2
    assert [size for size in demo.sizes if size not in lying] == [
        pytest.approx(PAPERS["a4"], abs=1) for _ in range(len(demo.sizes) - 2)
    ]
    assert re.search(r"Tagged: +yes", demo.info)
    of = len(demo.pages)
    for number, text in enumerate(demo.pages, 1):
        assert squeezed(f"nine songs, Tidewater Hall {DATED}, page {number} of {of}") in squeezed(text)
    # Each card begins a page; the heads of a table stand on each page that it goes over.
    for listener in ("singer", "drummer", "bassist", "guitarist", "keys player"):
        (first,) = [text for text in demo.pages if text.startswith(f"{listener}\nmix ")]
        assert "Song, section\n" in first.replace(" What", "\nWhat") or "Song, section" in first
    with_songs = [text for text in demo.pages[:3] if re.search(r"^\d+(\.\d)? ", text, re.MULTILINE)]
    assert len(with_songs) >= 2 and all("Notes, and your notes" in text for text in with_songs)


def test_no_row_is_split(demo: Read) -> None:
    """Each row of the HTML stands as a whole on some one page."""
    pages = [squeezed(text) for text in demo.pages]
    rows = [cells for look, cells in Parsed(page(sheet(DEMO, "Tidewater Hall"), "a4")).rows if look != "map"]
    assert len(rows) > 150
    split = [cells for cells in rows if not any(squeezed("".join(text for text, _ in cells)) in one for one in pages)]
    assert split == []


def test_letter_and_the_same_bytes_each_time(tmp_path: Path) -> None:
    needs("pdftotext", "pdfinfo")
    text = page(sheet(feet(tmp_path / "show"), "Upper Barn"), "letter", ["cards"])
    once, again = pdf(text), pdf(text)
    assert once == again
    (tmp_path / "sheet.pdf").write_bytes(once)
    found = Read(tmp_path / "sheet.pdf")
    assert found.sizes == [pytest.approx(PAPERS["letter"], abs=1)] * 2
    for words in ("press together: hush everyone", "drum -10 (up 2); voice off", "left ear only"):
        assert squeezed(words) in found.text


@pytest.mark.slow
def test_the_worst_names_stay_on_the_paper(tmp_path: Path) -> None:
    """`pdftotext -bbox`: no word leaves the margins of 10 mm; a millimetre is 72/25.4 points."""
    needs("pdftotext", "pdfinfo")
    path = tmp_path / "sheet.pdf"
    path.write_bytes(pdf(page(sheet(evil(tmp_path / "show"), EVIL[6]), "letter", ["inputs"])))
    found = Read(path)
    for name in (EVIL[0], EVIL[1], EVIL[5], EVIL[8], EVIL[9], EVIL[10]):
        assert squeezed(name) in found.text
    boxes = re.findall(
        r'<page width="([\d.]+)"|<word xMin="([-\d.]+)" yMin="[-\d.]+" xMax="([-\d.]+)"',
        told("pdftotext", "-bbox", path, "-"),
    )
    wide, margin, words = 0.0, 10 * 72 / 25.4, 0
    for page_wide, left, right in boxes:
        if page_wide:
            wide = float(page_wide)
            continue
        words += 1
        assert float(left) >= margin - 1 and float(right) <= wide - margin + 1
    assert words > 100


@pytest.mark.slow
def test_a_browser_prints_the_same(demo: Read, tmp_path: Path) -> None:
    """Chromium, from the HTML alone."""
    program = installed()
    (tmp_path / "sheet.html").write_text(page(sheet(DEMO, "Tidewater Hall"), "a4"), "utf-8")
    quiet = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--host-resolver-rules=MAP * ~NOTFOUND")
    where = (f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'printed.pdf'}")
    url = (tmp_path / "sheet.html").as_uri()
    command = [program, *quiet, *where, "--no-pdf-header-footer", url]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    printed = Read(tmp_path / "printed.pdf")
    assert {(round(wide), round(high)) for wide, high in printed.sizes} == {(595, 842), (842, 595)}
    assert abs(len(printed.pages) - len(demo.pages)) <= 2
    letters = [sorted(squeezed(re.sub(r"page \d+ of \d+", "", "".join(one.pages[:2])))) for one in (printed, demo)]
    assert letters[0] == letters[1]
