"""What goes wrong on a wire, under a virtual clock: bounded, counted, and the same for the same seed."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.desk.faults import HELD, LOST, ON_THE_WAY_MAX, REORDER_NS, TOO_MANY, TWICE, Faults, Wire

MS = 1_000_000

FAULTS = st.builds(
    Faults,
    loss=st.floats(0, 1),
    twice=st.floats(0, 1),
    reorder=st.floats(0, 1),
    delay_ns=st.integers(0, 100 * MS),
)


def _run(faults: Faults, seed: str, things: int, gap_ns: int) -> tuple[list[tuple[int, int]], Counter[str]]:
    """So many things, one every gap: when each arrived and which it was."""
    wire: Wire[int] = Wire(faults, seed)
    out = []
    for at in range(things):
        wire.put(at, at * gap_ns)
        out += [(one.at, one.thing) for one in wire.take(at * gap_ns)]
    while (due := wire.due) is not None:
        out += [(one.at, one.thing) for one in wire.take(due)]
    return out, wire.counted


@given(FAULTS, st.text(max_size=4), st.integers(1, 40), st.integers(0, 20 * MS))
def test_the_same_seed_gives_the_same_fate(faults: Faults, seed: str, things: int, gap_ns: int) -> None:
    out, counted = _run(faults, seed, things, gap_ns)
    again = _run(faults, seed, things, gap_ns)
    assert again == (out, counted)
    assert [at for at, _ in out] == sorted(at for at, _ in out)
    # Every packet is accounted for, and none is later than its faults allow.
    assert len(out) == things + counted[TWICE] - counted[LOST]
    for at, thing in out:
        late = at - thing * gap_ns
        assert late >= 0
        assert late <= faults.delay_ns + (REORDER_NS if counted[HELD] else 0)
    if not counted[HELD]:
        assert [thing for _, thing in out] == sorted(thing for _, thing in out)


@given(st.integers(0, 30), st.integers(0, MS))
def test_a_sound_wire_does_nothing(things: int, gap_ns: int) -> None:
    assert _run(Faults(), "0", things, gap_ns) == ([(at * gap_ns, at) for at in range(things)], Counter())


def test_chances_are_what_they_say() -> None:
    """Of 10,000 packets a fifth is lost: within five standard deviations (40 each) of the binomial distribution."""
    _, counted = _run(Faults(loss=0.2), "a seed", 10_000, 0)
    assert abs(counted[LOST] - 2_000) < 200


def test_what_may_be_overtaken_is_overtaken() -> None:
    out, counted = _run(Faults(reorder=0.5), "a seed", 200, MS)
    assert counted[HELD] > 50
    assert [thing for _, thing in out] != sorted(thing for _, thing in out)


def test_only_so_much_is_on_the_way() -> None:
    wire: Wire[int] = Wire(Faults(delay_ns=MS), "0")
    for at in range(ON_THE_WAY_MAX + 3):
        wire.put(at, 0)
    assert wire.counted == Counter({TOO_MANY: 3})
    assert len(wire.take(MS)) == ON_THE_WAY_MAX


def test_a_wire_that_is_cut_loses_what_is_on_the_way() -> None:
    wire: Wire[int] = Wire(Faults(delay_ns=10 * MS), "0")
    wire.put(1, 0)
    wire.cut()
    assert (wire.due, wire.take(10**12)) == (None, [])


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", Faults()),
        ("loss 20%", Faults(loss=0.2)),
        ("loss 20%, delay 50 ms, reorder 10%, twice 5%", Faults(loss=0.2, delay_ns=50 * MS, reorder=0.1, twice=0.05)),
        ("slow 1.5 s,delay 0.5ms", Faults(slow_ns=1_500 * MS, delay_ns=MS // 2)),
        ("loss 100 %", Faults(loss=1.0)),
    ],
)
def test_faults_as_text(text: str, faults: Faults) -> None:
    assert Faults.parse(text) == faults


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("lost 20%", "`lost` is not a fault; did you mean `loss`"),
        ("loss 120%", "from 0 to 100 %, such as `loss 20%`"),
        ("loss -1%", "from 0 to 100 %"),
        ("loss", "from 0 to 100 %"),
        ("delay 50", "from 0 to 60 s, such as `delay 50 ms`"),
        ("slow 61 s", "from 0 to 60 s"),
    ],
)
def test_faults_that_are_none(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Faults.parse(text)
