"""The colours of the pages, by the published formulas of `palette.py`."""

from __future__ import annotations

from itertools import combinations
from typing import Final

import pytest
from palette import MACHADO, contrast, difference, lab, linear, seen_by, variables

from stagectl.view import site

SCHEMES: Final = {
    "bright": ":root",
    "dark": ':root[data-light="dark"]',
    "dark by the system": ':root:not([data-light="bright"])',
}

MEANING: Final = ("ink", "up", "down", "wrong")
"""Colours that tell things apart: louder, quieter, wrong, and what is none of these. Shape and word do so too."""

APART: Final = 11.0
"""ΔE00 of any two of these, however they are seen. A just noticeable difference is about 1, and 5 is taken for clearly
another colour (common practice, no source)."""

TEXT, PARTS = 4.5, 3.0
"""WCAG 2.2, 1.4.3 and 1.4.11: the least contrast of text, and of parts that mean something."""


def colours(scheme: str) -> dict[str, str]:
    return variables(site.static_files()["base.css"].decode(), SCHEMES[scheme])


def test_both_ways_to_the_dark_are_the_same() -> None:
    assert colours("dark") == colours("dark by the system") != colours("bright")
    assert colours("dark").keys() == colours("bright").keys() >= {"paper", "soft", "line", "band", *MEANING}


@pytest.mark.parametrize("scheme", ["bright", "dark"])
def test_text_and_parts_stand_out_from_their_ground(scheme: str) -> None:
    of = {name: linear(value) for name, value in colours(scheme).items()}
    for text in ("ink", "soft", "wrong"):
        assert contrast(of[text], of["paper"]) >= TEXT, text
    assert contrast(of["ink"], of["band"]) >= TEXT
    # From two metres in the dark, what has to be read has a good deal more.
    assert contrast(of["ink"], of["paper"]) >= 15
    assert contrast(of["soft"], of["paper"]) >= 7
    for part in ("up", "down", "ink"):
        assert contrast(of[part], of["band"]) >= PARTS, part
    assert contrast(of["line"], of["paper"]) >= PARTS


@pytest.mark.parametrize("sight", ["all colours", *MACHADO])
@pytest.mark.parametrize("scheme", ["bright", "dark"])
def test_colours_that_mean_something_stay_apart_however_they_are_seen(scheme: str, sight: str) -> None:
    of = {name: linear(value) for name, value in colours(scheme).items()}
    if sight in MACHADO:
        of = {name: seen_by(colour, MACHADO[sight]) for name, colour in of.items()}
    near = {(one, other): difference(lab(of[one]), lab(of[other])) for one, other in combinations(MEANING, 2)}
    assert {pair: round(by, 1) for pair, by in near.items() if by < APART} == {}
    for name in MEANING:
        assert contrast(of[name], of["paper"]) >= PARTS, name


# -- the judges themselves ------------------------------------------------------------------------------------


def test_the_judge_of_contrast_knows_black_and_white_and_the_grey_of_the_recommendation() -> None:
    assert contrast(linear("#000000"), linear("#ffffff")) == pytest.approx(21)
    # The grey that is known for just passing 4.5 on white.
    assert contrast(linear("#767676"), linear("#ffffff")) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((50, 2.5, 0), (50, 3.2592, 0.3350), 1.0),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_judge_of_differences_agrees_with_the_paper(
    one: tuple[float, float, float], other: tuple[float, float, float], apart: float
) -> None:
    """Pairs 1, 4, 17, 21, 25 and 34 of the table of Sharma, Wu and Dalal (from memory)."""
    assert difference(one, other) == pytest.approx(apart, abs=0.00005)
    assert difference(other, one) == pytest.approx(apart, abs=0.00005)


@pytest.mark.parametrize("sight", MACHADO)
def test_the_simulation_leaves_greys_alone_and_takes_its_colours_away(sight: str) -> None:
    for row in MACHADO[sight]:
        assert sum(row) == pytest.approx(1, abs=2e-6)
    red, green = linear("#c04040"), linear("#508040")
    before = difference(lab(red), lab(green))
    after = difference(lab(seen_by(red, MACHADO[sight])), lab(seen_by(green, MACHADO[sight])))
    assert (after < before / 2) is (sight != "tritanopia")
