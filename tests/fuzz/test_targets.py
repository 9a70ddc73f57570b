"""Every target on what is kept for it, and on what hypothesis makes: bytes, words of its language, and pieces of sound
inputs put together anew. `hunt.py` searches the same targets by coverage."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from depth import examples
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fuzz.targets import CORPUS, TARGETS, kept, seeds

KEPT_BYTES_MAX = 200_000
"""What all corpora may come to, bytes."""

KEPT = [(name, path) for name in TARGETS for path in kept(name)]


@pytest.mark.parametrize(("name", "path"), KEPT, ids=[f"{path.parent.name}/{path.name}" for _, path in KEPT])
def test_what_was_found_once_is_found_no_more(name: str, path: Path) -> None:
    TARGETS[name].run(path.read_bytes())


def test_what_is_kept_is_small_and_belongs_to_a_target() -> None:
    found = [path for path in CORPUS.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in found) < KEPT_BYTES_MAX
    assert {path.parent.name for path in found} <= {name.replace(" ", "_") for name in TARGETS}


@pytest.mark.parametrize("name", TARGETS)
def test_sound_inputs_pass(name: str) -> None:
    for seed in sound(name):
        TARGETS[name].run(seed)


@cache
def sound(name: str) -> tuple[bytes, ...]:
    """The seeds of a target, but for what is kept, which has its own test; nothing at all is one."""
    found = {path.read_bytes() for path in kept(name)}
    return (b"", *(seed for seed in seeds(name) if seed not in found))


@st.composite
def inputs(draw: st.DrawFn, name: str) -> bytes:
    """A sound input with pieces of others, words and bytes put into it or over it."""
    target, known = TARGETS[name], sound(name)
    whole = bytearray(draw(st.sampled_from(known)))
    other = draw(st.sampled_from(known))
    pieces = st.binary(max_size=16)
    if target.words:
        pieces |= st.lists(st.sampled_from(target.words), min_size=1, max_size=4).map(b"".join)
    for piece in draw(st.lists(pieces, max_size=6)):
        at = draw(st.integers(0, len(whole)))
        over = draw(st.sampled_from((0, 0, len(piece), 8)))
        whole[at : at + over] = piece
    if other and draw(st.booleans()):
        first = draw(st.integers(0, len(other)))
        at = draw(st.integers(0, len(whole)))
        whole[at:at] = other[first : first + draw(st.integers(0, 64))]
    if not whole:
        whole += draw(st.binary(max_size=min(target.longest, 200)))
    return bytes(whole)


@pytest.mark.parametrize("name", TARGETS)
def test_any_input_is_taken_or_refused(name: str) -> None:
    @settings(
        max_examples=examples(TARGETS[name].tries),
        phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )
    @given(data=inputs(name))
    def search(data: bytes) -> None:
        TARGETS[name].run(data)

    search()
