"""Whatever is done to the files of a show, it loads or its faults are told: nothing else, and never slowly."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
import yaml
from demo_copies import Copy
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.errors import Fault, FileFaults
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

SLOW_S = 5.0

TOKENS = (
    *(
        "off",
        "up 3",
        "down 6",
        "-12",
        "+3",
        "",
        "~",
        "own",
        "everyone",
        "rest",
        "whole mix",
        "[]",
        "{}",
        "[[[]]]",
        "- x",
    ),
    *("{a: b}", "&a", "*a", "<<: *a", "!!int 5", "'", '"', ": ", "\t", "# ", "---", "|", ">", "{", "}", "[", "]", ","),
    *(
        "1e400",
        "9" * 5_000,
        "nan",
        "é",
        "\u2028",
        "\x00",
        "kick",
        "singer",
        "next",
        "nudge",
        "cue",
        "yes",
        "1:30",
        "name",
    ),
    *(
        "\\ud800",
        "0x10",
        "../rig",
        "rig.yaml",
        "two-switch",
        "-0",
        "١٢",
        "−3",
        "a" * 300,
        "sends",
        "levels",
        "?",
        "0.001",
    ),
)

FILES = ("setlist.yaml", "rig.yaml", "two-switch.yaml", "switch-and-treadle.yaml", "control-change.yaml")


@st.composite
def edits(draw: st.DrawFn) -> tuple[str, str, int, int, str]:
    """File, kind of edit, two places and a piece of text."""
    kinds = st.sampled_from(["drop", "double", "swap", "value", "value", "value", "insert", "indent", "cut", "key"])
    numbers = st.integers(0, 10_000)
    return draw(st.sampled_from(FILES)), draw(kinds), draw(numbers), draw(numbers), draw(st.sampled_from(TOKENS))


def edited(text: str, kind: str, one: int, other: int, token: str) -> str:
    rows = text.split("\n")
    at, there = one % len(rows), other % len(rows)
    row = rows[at]
    if kind == "drop":
        del rows[at]
    elif kind == "double":
        rows.insert(there, row)
    elif kind == "swap":
        rows[at], rows[there] = rows[there], rows[at]
    elif kind == "value":
        head, colon, _ = row.rpartition(": ")
        rows[at] = f"{head}{colon}{token}" + "}" * (row.count("{") - (head + token).count("}") if "{" in row else 0)
    elif kind == "key":
        rows[at] = row.replace(":", f"{token}:", 1)
    elif kind == "insert":
        place = other % (len(row) + 1)
        rows[at] = row[:place] + token + row[place:]
    elif kind == "indent":
        rows[at] = " " * (other % 6) + row
    else:
        rows = rows[:at]
    return "\n".join(rows)


def outcome(folder: Path) -> tuple[Fault, ...]:
    """The faults of the show; where it has none, it compiles for every venue."""
    found: tuple[Fault, ...] = ()
    began = time.process_time()
    try:
        show = load_show(folder)
    except FileFaults as faults:
        found = faults.faults or (Fault("", 0, ""),)
    else:
        for venue in (None, *show.setlist.venues):
            compile_show(show, venue)
    assert time.process_time() - began < SLOW_S
    for fault in found:
        assert fault.text
        assert "\n" not in fault.text
        assert len(fault.text) < 2_000
        rows = Path(fault.file).read_bytes().count(b"\n") + 1 if Path(fault.file).exists() else 1
        assert 0 <= fault.line <= rows + 1
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Copy:
    return Copy(tmp_path_factory.mktemp("fuzz"), "nine-songs")


@settings(max_examples=examples(125))
@given(changes=st.lists(edits(), min_size=1, max_size=4))
def test_an_edited_show_loads_or_tells_its_faults(changes: list[tuple[str, str, int, int, str]], folder: Copy) -> None:
    before = {file: (folder.folder / file).read_text("utf-8") for file in FILES}
    try:
        for file, kind, one, other, token in changes:
            path = folder.folder / file
            path.write_text(edited(path.read_text("utf-8"), kind, one, other, token), "utf-8", "surrogatepass", "")
        outcome(folder.folder)
    finally:
        for file, text in before.items():
            (folder.folder / file).write_text(text, "utf-8")


@settings(max_examples=examples(75))
@given(
    file=st.sampled_from(FILES), at=st.integers(0, 10_000), raw=st.binary(min_size=1, max_size=12), over=st.booleans()
)
def test_random_bytes_in_a_file_load_or_are_told(file: str, at: int, raw: bytes, over: bool, folder: Copy) -> None:
    path = folder.folder / file
    before = path.read_bytes()
    place = at % len(before)
    try:
        path.write_bytes(before[:place] + raw + before[place + (len(raw) if over else 0) :])
        outcome(folder.folder)
    finally:
        path.write_bytes(before)


@settings(max_examples=examples(30))
@given(file=st.sampled_from(FILES), raw=st.binary(max_size=200))
def test_a_file_of_random_bytes_is_told(file: str, raw: bytes, folder: Copy) -> None:
    path = folder.folder / file
    before = path.read_bytes()
    try:
        path.write_bytes(raw)
        assert outcome(folder.folder) != ()
    finally:
        path.write_bytes(before)


values = st.recursive(
    st.none() | st.sampled_from(TOKENS).filter(lambda token: "\x00" not in token) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(TOKENS), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=examples(75))
@given(part=st.sampled_from(FILES), pick=st.integers(0, 10_000), value=values)
def test_any_value_in_any_place_loads_or_is_told(part: str, pick: int, value: object, folder: Copy) -> None:
    """The data of a file with one value of it replaced by another, written out again."""
    path = folder.folder / part
    before = path.read_text("utf-8")
    data = yaml.load(before, Loader=yaml.BaseLoader)
    places: list[tuple[Any, Any]] = []

    def collect(node: Any) -> None:
        items: Any = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
        for key, inner in items:
            places.append((node, key))
            collect(inner)

    collect(data)
    inside, key = places[pick % len(places)]
    inside[key] = value
    try:
        path.write_text(yaml.safe_dump(data, allow_unicode=True), "utf-8")
        outcome(folder.folder)
    finally:
        path.write_text(before, "utf-8")
