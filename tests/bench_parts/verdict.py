"""What an evening's samples come to: does anything grow that should not?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from bench_parts.figures import median, slope
from bench_parts.proc import Held

GROWS_MAX_MB: Final = 1.0
"""Memory that a process may gain after it is warm, MB (10^6 bytes) over the whole time."""

SLOWER_MAX: Final = 1.25
"""By what the presses of the second half may take longer than those of the first, at the median of their medians."""

KB: Final = 1024


class Sample(NamedTuple):
    """A stretch of the evening, and what processes held at its end. `at`: minutes since the beginning; `medians`: what
    a press took by way, ns, where there were any."""

    at: float
    held: dict[str, Held]
    medians: dict[str, float]


class Verdict(NamedTuple):
    """A sentence, and whether it is well."""

    says: str
    well: bool


def judged(samples: Sequence[Sample]) -> list[Verdict]:
    """Of the samples after the warm-up. Raises ValueError for fewer than four: two points always are a line."""
    if len(samples) < 4:
        raise ValueError(f"{len(samples)} samples after the warm-up: at least 4 are needed")
    out = []
    for name in samples[0].held:
        out += [_memory(name, samples), _constant(name, samples)]
    return out + [_flat(way, samples) for way in samples[0].medians]


def _memory(name: str, samples: Sequence[Sample]) -> Verdict:
    points = [(one.at, one.held[name].rss * KB / 1e6) for one in samples]
    steep, minutes = slope(points), points[-1][0] - points[0][0]
    grown = steep * minutes
    says = (
        f"{name}: memory {points[0][1]:.2f} → {points[-1][1]:.2f} MB, {1_000 * steep:+.1f} kB a minute, "
        f"{grown:+.2f} MB in {minutes:.1f} minutes (less than {GROWS_MAX_MB} MB)"
    )
    return Verdict(says, grown < GROWS_MAX_MB)


def _constant(name: str, samples: Sequence[Sample]) -> Verdict:
    files = {one.held[name].files for one in samples}
    threads = {one.held[name].threads for one in samples}
    says = f"{name}: {_all(files)} open files, {_all(threads)} threads (constant)"
    return Verdict(says, len(files) == len(threads) == 1)


def _flat(way: str, samples: Sequence[Sample]) -> Verdict:
    points = [(one.at, one.medians[way]) for one in samples if way in one.medians]
    if len(points) < 4:
        return Verdict(f"press over {way}: timed in {len(points)} stretches only", False)
    half = len(points) // 2
    first, last = (median([took for _, took in part]) for part in (points[:half], points[-half:]))
    says = (
        f"press over {way}: median {first / 1e3:.0f} → {last / 1e3:.0f} µs, {slope(points) / 1e3:+.2f} µs a minute "
        f"(at most {SLOWER_MAX} ×)"
    )
    return Verdict(says, last <= SLOWER_MAX * first)


def _all(values: set[int]) -> str:
    return " or ".join(map(str, sorted(values)))
