"""How surely `keep` finds what was planted in simulated tours, at growing noise.

    python tests/bench_keep.py --seeds 20

Each tour is 6 nights in 2 rooms with 8 wishes to be kept and 4 passing ones (`keep/tour.py`). Precision: of what it
would write, how much was planted, and written in the right layer within 1 dB; recall: of what was planted, how much it
would write so. Noise is in units of the stated one, which is 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from keep.judge import judged, stated
from keep.tour import tour


def main() -> None:
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--seeds", type=int, default=10)
    arguments.add_argument("--first", type=int, default=0)
    arguments.add_argument("--noise", type=float, nargs="*", default=[0, 1, 2, 3, 4, 6])
    given = arguments.parse_args()
    print(f"{given.seeds} tours each of 6 nights; wrong and missed of the first tours that have any")
    print(f"{'noise':>6} {'±1 dB':>6} {'forgets':>8} {'strays':>7} {'precision':>10} {'recall':>7}  perfect tours")
    for times in given.noise:
        noise, right, said, planted, perfect, shown = stated(times), 0, 0, 0, 0, []
        for seed in range(given.first, given.first + given.seeds):
            with tempfile.TemporaryDirectory() as folder:
                one = judged(*tour(Path(folder), seed, noise=noise))
            right, said, planted = right + one.right, said + one.said, planted + one.planted
            perfect += one.right == one.said == one.planted
            if one.wrong or one.missed:
                shown.append(f"        seed {seed}: wrong {one.wrong}, missed {one.missed}")
        ends = f"{right / max(said, 1):>10.3f} {right / planted:>7.3f}  {perfect} of {given.seeds}"
        print(f"{times:>6g} {noise.off:>6.2f} {noise.forgets:>8.2f} {noise.strays:>7.2f} {ends}")
        print("\n".join(shown[:3]), end="\n" * bool(shown))


if __name__ == "__main__":
    main()
