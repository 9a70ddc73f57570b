"""Strides: how a number grows from input to input and from mix to mix, from the levels that were heard.

Pure. Each pair of levels with the same mix (or the same input) tells a stride, if it is whole; the strides that explain
the most levels are taken, and the levels that they do not explain are told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import combinations, product
from typing import Final, NamedTuple

from stagectl.learn.desk_moves import Spot

CANDIDATES_MAX: Final = 1_000
"""Pairs of strides that are tried."""


class Strides(NamedTuple):
    """A number for each level: `first` for input 1 of mix 1, so much more with each input and each mix."""

    first: int
    per_input: int = 0
    per_mix: int = 0

    def at(self, spot: Spot) -> int:
        """The number for a level; a whole mix counts as input 1."""
        return self.first + self.per_input * ((spot.input or 1) - 1) + self.per_mix * (spot.mix - 1)


def strides(numbers: Mapping[Spot, int]) -> Strides:
    """The strides that explain the most levels; of two that explain the same, the smaller ones. `numbers`: at least
    one."""
    inputs, mixes = _candidates(numbers)
    tried = []
    for per_input, per_mix in product(inputs, mixes):
        bare = Strides(0, per_input, per_mix)
        rests = [number - bare.at(spot) for spot, number in numbers.items()]
        first = max(rests, key=rests.count)
        tried.append((rests.count(first), -abs(per_input) - abs(per_mix), Strides(first, per_input, per_mix)))
    return max(tried)[2]


def _candidates(numbers: Mapping[Spot, int]) -> tuple[set[int], set[int]]:
    """The strides that some pair of levels tells: first those with one mix or one input, then those across both, by a
    stride that is known."""
    inputs, mixes = {0}, {0}
    pairs = [
        ((other.input or 1) - (one.input or 1), other.mix - one.mix, there - here)
        for (one, here), (other, there) in combinations(numbers.items(), 2)
    ]
    inputs |= {grown // across for across, down, grown in pairs if across and not down and not grown % across}
    mixes |= {grown // down for across, down, grown in pairs if down and not across and not grown % down}
    for across, down, grown in pairs:
        if across and down:
            more = {(grown - down * mix) // across for mix in mixes if not (grown - down * mix) % across}
            mixes |= {(grown - across * one) // down for one in inputs if not (grown - across * one) % down}
            inputs |= more
        if len(inputs) * len(mixes) > CANDIDATES_MAX:
            break
    return inputs, mixes


def varies(spots: Iterable[Spot]) -> tuple[bool, bool]:
    """Whether two inputs of one mix were heard, and two mixes of one input: without them a stride is a guess."""
    pairs = list(combinations(spots, 2))
    return (
        any(one.mix == other.mix and one.input != other.input for one, other in pairs),
        any(one.input == other.input and one.mix != other.mix for one, other in pairs),
    )
