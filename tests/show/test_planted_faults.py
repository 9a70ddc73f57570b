"""Each planted fault is found on its line, once, and said in a sentence that names the value and what is allowed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from demo_copies import Copy

TABLE: list[dict[str, Any]] = [
    row
    for path in sorted(Path(__file__).parent.glob("planted_*.yaml"))
    for row in yaml.load(path.read_text("utf-8"), Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
]
ROWS = [row for row in TABLE if "says" in row]
PROVED = [row for row in TABLE if "warns" in row]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row["says"][0])[:60])
def test_a_planted_fault_is_found(row: dict[str, Any], tmp_path: Path) -> None:
    copy = Copy(tmp_path, row["show"])
    for plant in row["plant"]:
        copy.plant(*plant)
    found = copy.faults()
    assert [says for _, _, says in found] == row["says"]
    assert [(file, line) for file, line, _ in found] == copy.all_marks()


@pytest.mark.parametrize("row", PROVED, ids=lambda row: str(row["warns"][0])[:60])
def test_a_planted_oddity_is_warned_of(row: dict[str, Any], tmp_path: Path) -> None:
    copy = Copy(tmp_path, row["show"])
    before = {says for _, _, says in copy.warnings()}
    for plant in row["plant"]:
        copy.plant(*plant)
    found = [one for one in copy.warnings() if one[2] not in before]
    assert sorted(says for _, _, says in found) == sorted(row["warns"])
    assert {(file, line) for file, line, _ in found} == set(copy.all_marks())


JARGON = re.compile(
    r"pydantic|[Ee]rror|Input|None\b|\[key\]|dict\b|str\b|tuple|type=|ctx|object at|regex|literal|discriminator|"
    r"[Ee]xception|\bnull\b|validat|parse|schema|nothing is|\. "
)


@pytest.mark.parametrize("says", sorted({says for row in TABLE for says in (row.get("says") or row["warns"])}))
def test_a_sentence_is_plain_english(says: str) -> None:
    assert not JARGON.search(says)
    assert says == says.strip()
    assert says.isprintable()
    assert says.count("`") % 2 == 0
    assert not says.endswith(".")


@pytest.mark.parametrize("demo", ["nine-songs", "three-songs"])
def test_a_sound_show_has_no_faults(demo: str, tmp_path: Path) -> None:
    assert Copy(tmp_path, demo).faults() == []


@pytest.mark.parametrize("text", ["", "# nothing but a comment\n", "---\n", "\ufeff", "~\n"])
@pytest.mark.parametrize("file", ["setlist.yaml", "rig.yaml", "two-switch.yaml", "control-change.yaml"])
def test_an_empty_file_is_named(file: str, text: str, tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    copy.plant(file, "", text)
    assert copy.faults() == [(file, 0, "the file is empty")]
