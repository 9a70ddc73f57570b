"""Where a fade stands and when a level comes to a place, by arithmetic (`Fade.passed`, `Fade.comes_to`). Judged step by
step: bunch by bunch by their times, and frame by frame by exact fractions of the way."""

from __future__ import annotations

from fractions import Fraction
from random import Random

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from stagectl.core.fade import Bunch, Fade, Glide
from stagectl.core.levels import OFF, Level, Off

FLOOR = -4_000


def drawn(seed: int) -> Fade:
    """A fade by a seed: few frames or many, from the beginning or in mid-way, its bunches at once or spread."""
    some = Random(seed)
    frames, frame_ns = some.choice((1, 2, 3, 7, 40)), some.choice((1, 3, 50, 1_000, 20_000_000))
    sizes = [some.randint(1, 3) for _ in range(some.randint(1, 5))]
    # Those of an only frame may take longer than it is said to.
    longest = frame_ns if frames > 1 else 3 * frame_ns
    afters = [0, *sorted(some.randrange(longest) for _ in sizes[1:])]
    bunches, first = [], 0
    for size, after in zip(sizes, afters, strict=True):
        bunches.append(Bunch(first, first + size, after))
        first += size
    begun = some.randrange(10**12)
    return Fade(
        due=begun,
        begun=begun,
        frame_ns=frame_ns,
        frames=frames,
        lead_ns=some.choice((frame_ns, some.randrange(20 * frame_ns))),
        press=1,
        glides=tuple(Glide(some.randrange(1_000), 0, 0) for _ in range(first)),
        bunches=tuple(bunches),
        turns=(0,) * len(bunches),
    )


fades = st.integers(0, 10**9).map(drawn)


@settings(max_examples=examples(200, least=60))
@given(fades, st.integers(0, 10**9))
def test_what_has_passed_is_counted_bunch_by_bunch(fade: Fade, seed: int) -> None:
    """At each bunch's time, one ns off it, and anywhere: from where the fade is then, and from its beginning."""
    some = Random(seed)
    # The last bunch of all always has its turn, so that nothing passes it.
    times = [fade.time_of(turn) for turn in range(fade.frames * len(fade.bunches) - 1)]
    ends = fade.ends
    asked = {at + by for at in some.sample(times, min(8, len(times))) for by in (-1, 0, 1)}
    asked |= {some.randint(fade.begun - 5, max(fade.begun, ends - 1)) for _ in range(8)}
    stands = fade
    for at in sorted(one for one in asked if one < ends):
        done = sum(time <= at for time in times)
        stands = stands.passed(at)
        assert stands == fade.passed(at)
        assert stands.done == done
        if done == 0:
            assert stands is fade
        else:
            told = fade.bunches[(done - 1) % len(fade.bunches)]
            assert stands.last == fade.glides[told.first : told.end][-1].send
        assert replace(stands, done=fade.done, last=fade.last) == fade


levels = st.one_of(st.integers(-6_000, 1_000), st.just(OFF), st.integers(FLOOR - 3, FLOOR + 3))


def stands_at(fade: Fade, start: Level, end: Level, frame: int) -> Fraction | None:
    """Where a glide is in a frame, exactly, linear in dB, by the fade's own rule; None where it is off."""
    way = fade.lead_ns + (fade.frames - 1) * fade.frame_ns
    gone = Fraction(fade.lead_ns + frame * fade.frame_ns, way) if way else Fraction(1)
    if gone >= 1:
        return None if isinstance(end, Off) else Fraction(end)
    if isinstance(start, Off) and isinstance(end, Off):
        return None
    # From off it starts at the floor, or at its end where that is lower; to off it goes there in the same way.
    low = FLOOR if isinstance(start, Off) and isinstance(end, Off) else min(FLOOR, _known(start, end))
    begins = Fraction(low if isinstance(start, Off) else start)
    comes = Fraction(low if isinstance(end, Off) else end)
    return begins + (comes - begins) * gone


def _known(start: Level, end: Level) -> int:
    return next(level for level in (start, end) if not isinstance(level, Off))


@settings(max_examples=examples(400, least=120))
@given(fades, levels, levels, st.integers(0, 100))
def test_a_level_is_come_to_in_the_frame_in_which_the_way_has_gone_so_far(
    fade: Fade, start: Level, end: Level, into: int
) -> None:
    """The level in a frame is the exact one, rounded down, as `exact` says it; the first frame whose level is at the
    edge or beyond is looked for one by one."""
    ways = [stands_at(fade, start, end, frame) for frame in range(fade.frames)]
    tells = [None if one is None else one.numerator // one.denominator for one in ways]
    said = [fade.exact(Glide(0, start, end), frame, FLOOR) for frame in range(fade.frames)]
    assert [None if isinstance(one, Off) else one for one in said] == tells
    if isinstance(start, Off) and isinstance(end, Off):
        assert fade.comes_to(start, end, FLOOR, FLOOR) == fade.frames - 1
        return
    low = min(FLOOR, _known(start, end))
    begins, comes = (low if isinstance(one, Off) else one for one in (start, end))
    if begins == comes:
        assert fade.comes_to(start, end, begins, FLOOR) == (fade.frames - 1 if isinstance(end, Off) else fade.frames)
        return
    # An edge that it was not yet at: anywhere on the way, at its end, or beyond it.
    up = comes > begins
    span = abs(comes - begins)
    for by in {1, span, span + 1, max(1, span * into // 100)}:
        edge = begins + by if up else begins - by
        found = next(
            (
                frame
                for frame, level in enumerate(tells)
                # What ends off is there at the last frame, whatever the edge.
                if level is None or (level >= edge if up else level <= edge)
            ),
            fade.frames,
        )
        # What was there when the fade began has come to it in no later frame.
        assert max(0, fade.comes_to(start, end, edge, FLOOR)) == found, (edge, tells)


def test_the_only_frame_of_a_fade_that_goes_on_at_its_end_takes_no_time() -> None:
    """A nudge in the last frame plans one frame of 0 ns, whose bunches pass one by one all the same."""
    only = replace(
        drawn(0),
        frames=1,
        frame_ns=0,
        bunches=(Bunch(0, 1, 0), Bunch(1, 2, 40)),
        glides=(Glide(5, 0, 0), Glide(6, 0, 0)),
    )
    assert [only.passed(only.begun + after).done for after in (-1, 0, 39)] == [0, 1, 1]
