"""What a want may hold: every name that a show may have, and no control characters."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.view.wants import TEXT_MAX, want_from


def nudge(name: str, *, ascii_only: bool = True) -> dict[str, object]:
    return want_from(json.dumps({"do": "nudge", "listener": name, "by": 100}, ensure_ascii=ascii_only).encode())


@pytest.mark.parametrize(
    "name",
    ["می\u200cخوان", "क\u094d\u200dष", "\u200fדרבוקה", "chœur\u00a0haut", "👩\u200d🎤", "a\u2009b", "a\u00adb"],
)
def test_names_that_join_and_part_their_letters_are_names(name: str) -> None:
    """Unicode 15, 23.2: joiner, non-joiner, marks of direction; 6.2: spaces that do not break."""
    assert nudge(name)["listener"] == nudge(name, ascii_only=False)["listener"] == name


@given(st.characters())
def test_only_control_characters_and_halves_of_a_pair_are_refused(char: str) -> None:
    if unicodedata.category(char) in ("Cc", "Cs"):
        with pytest.raises(ValueError, match="control characters"):
            nudge(f"a{char}")
    else:
        assert nudge(f"a{char}")["listener"] == f"a{char}"


@pytest.mark.parametrize("char", ["\0", "\n", "\x1b", "\x7f", "\x85", "\x9b", "\ud800"])
def test_control_characters_are_refused_in_names_of_entries_too(char: str) -> None:
    for want in ({"do": f"a{char}"}, {"do": "a", f"b{char}": 1}):
        with pytest.raises(ValueError, match="control characters"):
            want_from(json.dumps(want).encode())


def test_a_text_has_a_length() -> None:
    assert nudge("x" * TEXT_MAX)
    with pytest.raises(ValueError, match=f"up to {TEXT_MAX} characters"):
        nudge("x" * (TEXT_MAX + 1))
