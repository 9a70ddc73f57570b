"""Changing single values of a text: judged by libyaml, whose parser shares no code with the one whose marks are used,
and by a diff of the lines."""

from __future__ import annotations

import copy
import difflib
from pathlib import Path
from typing import Any

import pytest
import yaml

from keep.texts import Hand, changes_of, data_of
from stagectl.keep.splice import SpliceError, Splicer, proved

Where = tuple[str | int, ...]


def read(raw: bytes) -> Any:
    """The text's data, every value a text, by libyaml."""
    assert yaml.__with_libyaml__, "libyaml is the judge here"
    return yaml.load(raw, yaml.CBaseLoader)


def with_changes(data: Any, changes: dict[Where, str]) -> Any:
    """The data as they should be; a value that has a unit keeps it."""
    out = copy.deepcopy(data)
    for path, value in changes.items():
        at = out
        for key in path[:-1]:
            at = at[key] if isinstance(key, int) else at.setdefault(key, {})
        old = at.get(path[-1], "")
        at[path[-1]] = value + (" dB" if old.endswith("dB") and value != "off" else "")
    return out


@pytest.mark.parametrize("first", range(0, 75, 25))
def test_only_the_changed_values_differ(first: int) -> None:
    for seed in range(first, first + 25):
        raw = Hand(seed).text(data_of(seed))
        data = read(raw)
        assert data == data_of(seed), seed
        changes = changes_of(data, seed)
        new = Splicer(raw).spliced(changes)
        assert read(new) == with_changes(data, changes), seed
        assert proved(raw, new, changes, "a file"), seed
        only_these_lines(raw, new, len(changes), seed)


def only_these_lines(raw: bytes, new: bytes, changes: int, seed: int) -> None:
    """At most one line is taken away a change, at most three are added; the others stay byte for byte."""
    old_lines, new_lines = (text.removeprefix(b"\xef\xbb\xbf").splitlines() for text in (raw, new))
    gone = added = 0
    for tag, a, b, c, d in difflib.SequenceMatcher(None, old_lines, new_lines, autojunk=False).get_opcodes():
        if tag != "equal":
            gone, added = gone + b - a, added + d - c
    assert gone <= changes and added - gone <= 3 * changes, seed
    assert new.startswith(b"\xef\xbb\xbf") == raw.startswith(b"\xef\xbb\xbf")
    if b"\r\n" in raw:
        assert new.count(b"\r\n") == new.count(b"\n"), seed
    else:
        assert b"\r" not in new, seed
    assert new.endswith(b"\n") == raw.endswith(b"\n"), seed


def spliced(text: str, *path: str | int, value: str = "up 2") -> str:
    return Splicer(text.encode()).spliced({path: value}).decode()


@pytest.mark.parametrize(
    ("text", "path", "new"),
    [
        ("a: {b: -6, c: 1}  # x\n", ("a", "b"), "a: {b: up 2, c: 1}  # x\n"),
        ('a: {"b": "-6"}\n', ("a", "b"), 'a: {"b": "up 2"}\n'),
        ("a: {b: '-6 dB'}\n", ("a", "b"), "a: {b: 'up 2 dB'}\n"),
        ("a: {}\n", ("a", "b"), "a: {b: up 2}\n"),
        ("a: { }\n", ("a", "b"), "a: {b: up 2 }\n"),
        ("a: {c: 1,\n    d: 2}  # x\n", ("a", "b"), "a: {c: 1,\n    d: 2, b: up 2}  # x\n"),
        ("a:\n   c: 1   # x\n# y\n", ("a", "b"), "a:\n   c: 1   # x\n   b: up 2\n# y\n"),
        ("a:\n  c: 1\n\n\nz: 1", ("a", "b"), "a:\n  c: 1\n  b: up 2\n\n\nz: 1"),
        ("a:\n  c: 1", ("a", "b"), "a:\n  c: 1\n  b: up 2"),
        ("a:\r\n  c: {d: 1}\r\n", ("a", "b", "d"), "a:\r\n  c: {d: 1}\r\n  b: {d: up 2}\r\n"),
        ("a:\n    c:\n        d: 1\n", ("a", "b", "d"), "a:\n    c:\n        d: 1\n    b:\n        d: up 2\n"),
        ("- name: x\n  fade: 1\n", (0, "levels", "s", "i"), "- name: x\n  fade: 1\n  levels: {s: {i: up 2}}\n"),
        ("- {name: x}\n", (0, "levels", "s", "i"), "- {name: x, levels: {s: {i: up 2}}}\n"),
        (
            "- name: x\n  sections:\n    - name: y\n",
            (0, "levels", "s", "i"),
            "- name: x\n  levels: {s: {i: up 2}}\n  sections:\n    - name: y\n",
        ),
        ("a:\n  c: 1\n", ("a", "it's: 2"), "a:\n  c: 1\n  'it''s: 2': up 2\n"),
        ("a: {c: 1}\n", ("a", "x, y"), "a: {c: 1, 'x, y': up 2}\n"),
        ("a: {b: -6}\t# x\n", ("a", "b"), "a: {b: up 2}\t# x\n"),
        ("a:\n  b:\t-6\t # x\n", ("a", "b"), "a:\n  b:\tup 2\t # x\n"),
        ("a: {\n\tc: 1,\tb: 2\t}\t\n", ("a", "b"), "a: {\n\tc: 1,\tb: up 2\t}\t\n"),
        ("a: |\n  c\n  \td\t# e\nf: {b: 1}\n", ("f", "b"), "a: |\n  c\n  \td\t# e\nf: {b: up 2}\n"),
    ],
)
def test_in_the_file_s_own_style(text: str, path: Where, new: str) -> None:
    changed = spliced(text, *path)
    if "levels" not in path:
        assert changed == new
    else:
        # Under a song of its own, a listener's levels stand in flow.
        assert read(changed.encode()) == read(new.encode())
    assert proved(text.encode(), changed.encode(), {path: "up 2"}, "a file")


@pytest.mark.parametrize(
    ("text", "path", "line", "says"),
    [
        ("a: &x {b: 1}\nc: *x\n", ("c", "b"), 1, "it is repeated elsewhere (`*`)"),
        ("a: &x {b: 1}\nc: *x\n", ("a", "b"), 1, "it is repeated elsewhere (`*`)"),
        ("a: &x {b: 1}\nc: {<<: *x, d: 2}\n", ("c", "b"), 2, "it is taken in from elsewhere (`<<`)"),
        ("a: {b: &x 1}\nc: 2\n", ("a", "b"), 1, "`&x 1` is not written as a plain value"),
        ("a:\n  b: >\n    1\n", ("a", "b"), 2, "is not written as a plain value"),
        ("a:\n  b: |\n    1\n", ("a", "c"), 2, "a text of several lines"),
        ("a: 1\n", ("a", "b"), 1, "there is no mapping to put it in"),
    ],
)
def test_what_is_not_a_value_of_its_own_is_refused(text: str, path: Where, line: int, says: str) -> None:
    with pytest.raises(SpliceError) as refused:
        spliced(text, *path)
    assert (refused.value.line, says in str(refused.value)) == (line, True)


def test_a_text_that_says_something_else_is_not_proved() -> None:
    """The proof can fail: another value, another place, a value too many, and one too few."""
    old = b"a: {b: -6, c: -3}\n"
    changes: dict[Where, str] = {("a", "b"): "-5"}
    assert proved(old, b"a: {b: -5, c: -3}\n", changes, "a file")
    for wrong in (
        b"a: {b: -4, c: -3}\n",
        b"a: {b: -5, c: -5}\n",
        b"a: {b: -5, c: -3, d: 1}\n",
        b"a: {b: -5}\n",
        b"a: [",
    ):
        assert not proved(old, wrong, changes, "a file")


def test_the_shipped_shows_can_be_spliced_at_every_level() -> None:
    from stagectl.where import shipped

    for path in sorted(Path(shipped("setlists")).glob("*/setlist.yaml")):
        raw = path.read_bytes()
        splicer, data = Splicer(raw), read(raw)
        places: list[Where] = [("base", who, name) for who, some in data["base"].items() for name in some]
        for at, song in enumerate(data["songs"]):
            places += [
                ("songs", at, "levels", who, name) for who, some in song.get("levels", {}).items() for name in some
            ]
        assert len(places) >= 15
        for place in places:
            new = splicer.spliced({place: "-7"})
            assert read(new) == with_changes(data, {place: "-7"})
            only_these_lines(raw, new, 1, 0)
