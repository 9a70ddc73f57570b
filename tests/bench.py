"""All figures in one table, beside bare baselines in the same run. Run by hand: `python tests/bench.py`.

    python tests/bench.py              some ten minutes, on a machine that does nothing else
    python tests/bench.py --quick      a minute: whether everything works
    python tests/bench.py --markdown   the table for a text file
    python tests/bench.py --only udp   one part; more than once: more of them

Ours and the bare way take turns, block by block, so that whatever else the machine does hits both; what is warm before
the first figure counts in neither. `median`, `p99` (99th percentile) and their distance (jitter) are of all values; how
sure a median or a ratio is follows from the blocks (`bench_parts/figures.py` has both rules). A press counts only with
its own answer; one that has none within a second is lost, has no time, and is counted. JACK has no sound card, a period
of 64 frames at 48 kHz, and no real-time priority unless `--realtime` asks for it. It prints figures and judges nothing.
A part that could not be measured is said, and makes the exit code 1.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

# A server of its own, whatever else runs; set before anything speaks to one.
os.environ["JACK_DEFAULT_SERVER"] = f"bench-{os.getpid()}"

from bench_parts.machine import machine
from bench_parts.of_presses import inside_program, on_the_wire, over_jack, over_udp
from bench_parts.of_processes import memory, start_up
from bench_parts.of_work import checks, journal, steps
from bench_parts.program import keep_compiled
from bench_parts.size import FULL, QUICK, Size
from bench_parts.table import Line, as_markdown, as_text

FRAMES: Final = 64
"""A period of JACK."""

PARTS: Final[dict[str, Callable[[Size], list[Line]]]] = {
    "jack": over_jack,
    "udp": over_udp,
    "inside": inside_program,
    "steps": steps,
    "check": checks,
    "wire": on_the_wire,
    "start": start_up,
    "memory": memory,
    "journal": journal,
}
WITH_JACK: Final = frozenset({"jack", "wire", "start", "memory"})
COMES_AND_GOES: Final = frozenset({"wire", "start", "memory"})
"""In these the program is started again and again: a JACK server that waits for its clients may stand still when one of
them goes (`jackd.py`)."""


def main(arguments: Any = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few values of each")
    parser.add_argument("--markdown", action="store_true", help="as a table for a text file")
    parser.add_argument("--only", action="append", choices=PARTS, help="a part of it")
    parser.add_argument("--realtime", action="store_true", help="JACK with real-time priority")
    given = parser.parse_args(arguments)
    from jack import running_jack

    about = machine()
    lines: list[Line] = []
    failed: list[str] = []
    with ExitStack() as stack:
        keep_compiled(Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="stagectl-bench-"))))
        wanted = [name for name in PARTS if not given.only or name in given.only]
        for name in wanted:
            print(f"{name} …", file=sys.stderr, flush=True)
            try:
                with ExitStack() as server:
                    if name in WITH_JACK:
                        waits = name not in COMES_AND_GOES
                        server.enter_context(running_jack(FRAMES, realtime=given.realtime, waits=waits))
                    lines += PARTS[name](QUICK if given.quick else FULL)
            except (Exception, SystemExit) as error:  # noqa: BLE001 - a part that fails keeps no other from its figures
                failed.append(f"{name}: NO FIGURES: {type(error).__name__}: {error}")
    if WITH_JACK & set(wanted):
        about.append(f"JACK: {FRAMES} frames at 48 kHz, {'with' if given.realtime else 'without'} real-time priority")
    if given.quick:
        about.append("QUICK: few values of each; whether everything works, and no figures to go by")
    if given.markdown:
        print("\n".join([*(f"- {one}" for one in about), "", *as_markdown(lines), *failed]))
    else:
        print("\n".join([*about, "", *as_text(lines), *failed]))
    raise SystemExit(1 if failed else 0)


if __name__ == "__main__":
    main()
