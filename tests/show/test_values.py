"""The values that people type, and what is said of those that are none."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.show.values import Duration

LONGEST = st.one_of(
    st.sampled_from([0.02, 0.2, 0.5, 2, 2.5, 5, 10, 30, 60, 72, 600, 3_600, 86_399]),
    st.integers(1, 86_400_000).map(lambda ms: ms / 1_000),
)
"""The longest time that may be typed, s."""


@given(LONGEST)
def test_every_example_of_a_time_is_one_that_may_be_typed(longest: float) -> None:
    kind = Duration(longest)
    with pytest.raises(ValueError, match="such as") as found:
        kind.parse("soon")
    examples = re.findall("`([^`]*)`", str(found.value).partition("such as")[2])
    assert len(examples) >= 3
    assert all(0 < kind.parse(example) <= longest * 1e9 for example in examples)
