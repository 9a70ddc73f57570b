"""The kind of a checksum and its beginning are told by the messages alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.learn.desk_checksum import checksum_of, is_sum
from stagectl.learn.desk_voices import Checksum
from stagectl.show.sysex_template import Template, TemplateText

seven = st.integers(0, 127)


@given(
    st.sampled_from(["checksum sum", "checksum xor"]),
    st.lists(seven, min_size=1, max_size=4),
    st.integers(0, 4),
    st.sets(st.tuples(seven, seven), min_size=3, max_size=20),
)
def test_what_is_found_explains_every_message(
    word: str, fixed: list[int], start: int, values: set[tuple[int, int]]
) -> None:
    """And where it is the same kind, it sums up any other value too: what lies between two beginnings never changes."""

    def typed(word: str, start: int) -> Template:
        body = [*(f"{byte:02X}" for byte in fixed), "{input}", "{value}"]
        body.insert(start - 1, "{from here}")
        return TemplateText().parse(" ".join(("F0", *body, f"{{{word}}}", "F7")))

    at = len(fixed) + 3
    true = typed(word, min(start, len(fixed)) + 1)
    messages = {true.fill({"input": input_}, value) for input_, value in values}
    assert is_sum(messages, at)
    found = checksum_of(messages, at)
    learned = typed(found.word, found.start)
    assert all(learned.fill({"input": input_}, value) in messages for input_, value in values)
    if found.word == word:
        for value in (0, 1, 64, 127):
            assert learned.fill({"input": 5}, value) == true.fill({"input": 5}, value)


@pytest.mark.parametrize(
    ("messages", "checksum"),
    [
        # Worked by hand: 01 + 02 + 7D = 80, 01 + 03 + 7C = 80, 01 + 7F + 00 = 80, each 0 in seven bits.
        (("F07D01027DF7", "F07D01037CF7", "F07D017F00F7"), Checksum(4, "checksum sum", 2)),
        # 01 with 02 is 03, 01 with 03 is 02, 01 with 7F is 7E.
        (("F07D010203F7", "F07D010302F7", "F07D017F7EF7"), Checksum(4, "checksum xor", 2)),
        # The sum itself.
        (("F07D010203F7", "F07D010304F7", "F07D017F00F7"), Checksum(4)),
    ],
)
def test_a_kind_and_a_beginning(messages: tuple[str, ...], checksum: Checksum) -> None:
    said = [bytes.fromhex(one) for one in messages]
    assert is_sum(said, 4)
    assert checksum_of(said, 4) == checksum


def test_bytes_that_change_freely_sum_up_nothing() -> None:
    said = [bytes((0xF0, 0x7D, at, at * 3 % 128, 0xF7)) for at in range(20)]
    assert not is_sum(said, 3)
    assert not is_sum(said[:2], 3)
