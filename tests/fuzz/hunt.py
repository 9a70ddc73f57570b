"""Search one target for inputs that break it, guided by coverage: python tests/fuzz/hunt.py TARGET --minutes M

It needs the atheris library (a fuzzer over LLVM's libFuzzer), in an environment of its own:

    python -m venv /tmp/fuzzing && /tmp/fuzzing/bin/pip install atheris -e .
    /tmp/fuzzing/bin/python tests/fuzz/hunt.py yaml --minutes 5

What it has come across is kept from one search to the next in the folder that `--keep` names. An input that breaks the
target is written to the folder that `--found` names, its name a sum of its bytes; a smaller one that breaks it alike
belongs to `tests/fuzz/corpus/TARGET`, where the suite tries it for ever.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

TESTS: Final = Path(__file__).resolve().parents[1]

MISSING: Final = """atheris is not installed here. In an environment of its own:
    python -m venv /tmp/fuzzing && /tmp/fuzzing/bin/pip install atheris -e .
    /tmp/fuzzing/bin/python tests/fuzz/hunt.py TARGET --minutes M"""

SLOW_S: Final = 1.0
"""An input that takes this much CPU time more than none at all is a finding, s. What is searched runs some times slower
than it does by itself: try it again without the search."""

LARGE_MB: Final = 100
"""An input that takes more memory is a finding, MB."""

STANDS_S: Final = 20
"""A search stops where an input takes longer, s."""

MEMORY_MB: Final = 2_000
"""A search stops where it comes to more, MB."""


def main() -> int:
    """Exit code 0 where nothing was found, 1 where something was, 2 for wrong usage."""
    if str(TESTS) not in sys.path:
        # Last: no folder of tests may stand in the way of a library of its name.
        sys.path.append(str(TESTS))
    if str(Path(__file__).parent) in sys.path:
        sys.path.remove(str(Path(__file__).parent))
    try:
        atheris: Any = importlib.import_module("atheris")
    except ImportError:
        print(MISSING, file=sys.stderr)
        return 2
    with atheris.instrument_imports(include=["stagectl"]):
        targets: Any = importlib.import_module("fuzz.targets")
    parser = argparse.ArgumentParser(description="Search one target for inputs that break it.")
    parser.add_argument("target", choices=sorted(targets.TARGETS))
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=0, help="0: a new one each time")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "fuzz-kept")
    parser.add_argument("--found", type=Path, default=Path(tempfile.gettempdir()) / "fuzz-found")
    asked = parser.parse_args()
    return _search(atheris, targets, asked)


def _escaped(word: bytes) -> str:
    """A word as libFuzzer's dictionaries have it."""
    return "".join(f"\\x{byte:02x}" for byte in word)


def _taken(run: Callable[[], object]) -> tuple[float, float]:
    """The CPU time that something takes, s, and the memory, MB; 0 where less was in use at its height than before."""
    page_kb = resource.getpagesize() / 1024
    before_kb = int(Path("/proc/self/statm").read_text().split()[1]) * page_kb
    height_kb, begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    run()
    spent, now_kb = time.process_time() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return spent, (now_kb - before_kb) / 1024 if now_kb > height_kb else 0.0


def _search(atheris: Any, targets: Any, asked: argparse.Namespace) -> int:
    name = asked.target.replace(" ", "_")
    kept, found = asked.keep / name, asked.found / name
    for folder in (kept, found):
        folder.mkdir(parents=True, exist_ok=True)
    for seed in targets.seeds(asked.target):
        (kept / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
    fuzzed = targets.TARGETS[asked.target]
    words = asked.keep / f"{name}.dict"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in fuzzed.words))
    seen: set[tuple[str, ...]] = set()

    def tell(kind: tuple[str, ...], data: bytes, said: str) -> None:
        if kind not in seen:
            seen.add(kind)
            (found / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
            print(f"FOUND {data!r}\n{said}", file=sys.stderr, flush=True)

    # The first run loads what is loaded once; the second is the measure.
    fuzzed.run(b"")
    usual, _ = _taken(lambda: fuzzed.run(b""))

    def run(data: bytes) -> None:
        try:
            spent, grown = _taken(lambda: fuzzed.run(data))
        except Exception as error:  # noqa: BLE001 - whatever it is, it is told, and the search goes on behind it
            place = tuple(f"{one.filename}:{one.lineno}" for one in traceback.extract_tb(error.__traceback__)[-2:])
            tell((type(error).__name__, *place), data, traceback.format_exc(limit=-4))
            return
        if spent > usual + SLOW_S:
            tell(("slow",), data, f"took {spent:.1f} s of CPU time, where nothing takes {usual:.1f} s")
        if grown > LARGE_MB:
            tell(("large",), data, f"took {grown:.0f} MB")

    options = [
        *(sys.argv[0], str(kept), f"-max_total_time={int(asked.minutes * 60)}", f"-timeout={STANDS_S}"),
        *(f"-max_len={max(fuzzed.longest * 4, 4096)}", f"-rss_limit_mb={MEMORY_MB}", f"-artifact_prefix={found}/"),
        # An empty dictionary is refused.
        *([f"-dict={words}"] if fuzzed.words else []),
        *(f"-seed={asked.seed}", "-print_final_stats=1", "-verbosity=1"),
    ]
    atheris.Setup(options, run)
    atheris.Fuzz()
    return 1 if seen else 0


if __name__ == "__main__":
    raise SystemExit(main())
