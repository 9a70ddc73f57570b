"""Changes in dB as they are typed."""

from __future__ import annotations

import pytest

from stagectl.show.decibels import ChangeText


@pytest.mark.parametrize("typed", ["0", "+0", "-0", "0 dB", "up 0", "down 0.0"])
def test_a_change_of_nothing_is_one_only_where_it_may_be(typed: str) -> None:
    assert ChangeText(-1_200, 1_200).parse(typed) == 0
    with pytest.raises(ValueError, match=f"`{typed.replace('+', '[+]')}` changes nothing"):
        ChangeText(-1_200, 1_200, can_be_zero=False).parse(typed)
    assert ChangeText(-1_200, 1_200, can_be_zero=False).parse("+1") == 100
