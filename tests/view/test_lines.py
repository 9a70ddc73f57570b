"""Lines through the pipe, however they are cut, and their bounds."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.apart.pipes import parsed
from stagectl.view.lines import LINE_MAX, Cutter, line


@given(st.lists(st.binary(max_size=12), max_size=12))
def test_lines_are_those_that_bytes_split_gives_however_they_come(parts: list[bytes]) -> None:
    cutter = Cutter()
    cut = [one for part in parts for one in cutter.take(part)]
    assert cut == b"".join(parts).split(b"\n")[:-1]
    assert cutter.passed_over == 0


@pytest.mark.parametrize(("size", "kept"), [(LINE_MAX, True), (LINE_MAX + 1, False), (3 * LINE_MAX, False)])
@pytest.mark.parametrize("piece", [65_536, 10 * LINE_MAX])
def test_a_line_that_is_too_long_is_passed_over_and_the_next_is_not(size: int, kept: bool, piece: int) -> None:
    whole = b"a\n" + b"x" * size + b"\nb\n"
    cutter = Cutter()
    sizes = [len(one) for at in range(0, len(whole), piece) for one in cutter.take(whole[at : at + piece])]
    assert sizes == ([1, size, 1] if kept else [1, 1])
    assert cutter.passed_over == (not kept)


@given(st.dictionaries(st.text(max_size=9), st.none() | st.integers() | st.text(max_size=20), max_size=5))
def test_a_message_is_one_line_and_comes_back(message: dict[str, object]) -> None:
    text = line(message)
    assert text.count(b"\n") == 1 and text.endswith(b"\n")
    assert parsed(text) == message == json.loads(text)


def test_a_message_has_a_bound_and_no_numbers_that_json_has_no_word_for() -> None:
    bare = len(line({"x": ""}))
    assert len(line({"x": "a" * (LINE_MAX - bare)})) == LINE_MAX
    with pytest.raises(ValueError, match="1,000,001 bytes"):
        line({"x": "a" * (LINE_MAX - bare + 1)})
    with pytest.raises(ValueError):
        line({"x": float("nan")})


@pytest.mark.parametrize("text", [b"", b"[]", b"1", b"{", b"\xff", b"[" * 100_000, b'{"a":1}{'])
def test_what_is_no_message_is_none(text: bytes) -> None:
    assert parsed(text) is None
