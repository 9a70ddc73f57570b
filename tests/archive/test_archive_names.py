"""Which paths a backup may have. What Windows refuses is from its documentation of file names, as it stood in 2026."""

from __future__ import annotations

import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.archive.bounds import DEPTH_MAX, PART_MAX, PATH_MAX
from stagectl.archive.names import clashes, path_fault


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("", "it has no name"),
        ("/etc/x", "absolute"),
        ("//server/x", "absolute"),
        ("..", "leaves the folder"),
        ("a/../x", "leaves the folder"),
        ("a/..", "leaves the folder"),
        ("C:x", "drive letter"),
        ("c:/x", "drive letter"),
        ("a\\b", "backslash"),
        ("..\\x", "backslash"),
        ("a//b", "no name"),
        ("a/./b", "no name"),
        ("./a", "no name"),
        ("a/", "no name"),
        ("con", "device"),
        ("a/NUL.yaml", "device"),
        ("Lpt1.mid", "device"),
        ("com¹.txt", "device"),
        ("aux .x", "device"),
        ("CONOUT$", "device"),
        ("a/x:stream", "allows no `:`"),
        ("what?", "allows no `?`"),
        ('a"b', 'allows no `"`'),
        ("a|b", "allows no `|`"),
        ("trailing.", "at the end of a name"),
        ("trailing /x", "at the end of a name"),
        ("a\nb", "control characters"),
        ("a\0b", "control characters"),
        ("a\x85b", "control characters"),
        ("\ud800", "no text"),
        ("x" * (PART_MAX + 1), f"has {PART_MAX + 1} bytes"),
        ("ü" * (PART_MAX // 2 + 1), f"has {PART_MAX + 1} bytes"),
        ("/".join("a" * (DEPTH_MAX + 1)), f"{DEPTH_MAX + 1} folders deep"),
        ("/".join(["x" * 200] * 6), f"and {PATH_MAX:,} are allowed"),
    ],
)
def test_what_is_refused(path: str, says: str) -> None:
    assert says in (path_fault(path) or "")


@pytest.mark.parametrize(
    "path",
    [
        "setlist.yaml",
        "nights/2026-11-25T19-30-00.night",
        ".hidden",
        "..x",
        "...x/a",
        "console.yaml",
        "com.yaml",
        "com10",
        "Ü/ß é.mid",
        "x" * PART_MAX,
        "/".join("a" * DEPTH_MAX),
    ],
)
def test_what_is_allowed(path: str) -> None:
    assert path_fault(path) is None


_PART = st.sampled_from(("a", "b", "..", ".", "", "C:", "con", "nul.x", "x.", "\\", "ü", "~", " "))


@given(st.lists(_PART, min_size=1, max_size=6).map("/".join) | st.text(max_size=12))
def test_what_is_allowed_stays_in_the_folder_by_pathlib_s_rules_for_both_systems(path: str) -> None:
    """Outside judge: pathlib's pure paths."""
    if path_fault(path) is None:
        for kind in (PurePosixPath, PureWindowsPath):
            found = kind(path)
            assert not found.is_absolute() and not found.drive and not found.root
            assert ".." not in found.parts and found.as_posix() == path
            assert not isinstance(found, PureWindowsPath) or not found.is_reserved()


def test_what_clashes() -> None:
    composed, apart = unicodedata.normalize("NFC", "é.mid"), unicodedata.normalize("NFD", "é.mid")
    assert composed != apart
    assert dict(clashes(["a", "b", "A"])) == {"A": "it differs from `a` by case or accents alone"}
    assert dict(clashes([composed, apart])) == {apart: f"it differs from `{composed}` by case or accents alone"}
    assert dict(clashes(["straße", "STRASSE"])) == {"STRASSE": "it differs from `straße` by case or accents alone"}
    assert list(clashes(["a", "a"])) == [("a", "it is there twice")]
    assert dict(clashes(["a/b/c", "A/B"])) == {"A/B": "it lies where `a/b/c` needs a folder"}
    assert dict(clashes(["A/B", "a/b/c"])) == {"a/b/c": "it needs a folder where `A/B` lies"}
    assert list(clashes(["a/b", "a/c", "b/a", "ab"])) == []
