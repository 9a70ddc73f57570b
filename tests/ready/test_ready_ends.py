"""The end of `ready`, where closing a port never comes back. The judges: the exit code that whoever started it sees,
and the C compiler for the layouts of sigevent(3type) and timer_settime(2)."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest
from forked import begun
from needs import needs, patience, unavailable

from stagectl.ready.ends import SIGEV_THREAD, Event, Times

HANGS: Final = "with Python's lock", "without it", "not at all", "it fails"
"""How a port that is closed may hang; what that is stands in `ending.py`."""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere the exit code is 1 where the lock is kept")
@pytest.mark.parametrize("hangs", HANGS)
def test_the_exit_code_is_kept_however_closing_hangs(hangs: str) -> None:
    for code in (0, 3) if hangs == HANGS[0] else (3,):
        ends = begun([sys.executable, "-m", "ready.ending", hangs, str(code)])
        told = ends.communicate("", patience(60))
        assert (ends.returncode, *told) == (code, "told\n", "")


NOWHERE: Final = """
import ctypes, os, sys
from stagectl.ready import ends

ends.LIBRARIES = ()
with open(os.devnull, "w") as nowhere:
    print(ends.end_within(0.02, 3, nowhere), flush=True)
    ctypes.PyDLL(None).sleep(3600)
"""


def test_where_there_are_no_such_timers_it_ends_all_the_same() -> None:
    run = subprocess.run(
        [sys.executable, "-c", NOWHERE], capture_output=True, text=True, timeout=patience(60), check=False
    )
    assert (run.returncode, run.stdout, run.stderr) == (1, "False\n", "")


def test_the_layouts_are_those_of_the_compiler(tmp_path: Path) -> None:
    needs("cc")
    members = {"value": "sigev_value", "signo": "sigev_signo", "notify": "sigev_notify"}
    members |= {"function": "sigev_notify_function", "attributes": "sigev_notify_attributes"}
    asked = [f"offsetof(struct sigevent, {name})" for name in members.values()]
    asked += ["sizeof(struct sigevent)", "sizeof(union sigval)", "(size_t) SIGEV_THREAD"]
    asked += [f"offsetof(struct itimerspec, {at})" for at in ("it_interval", "it_value", "it_value.tv_nsec")]
    source = tmp_path / "timers.c"
    heads = "".join(f"#include <{head}>\n" for head in ("stddef.h", "stdio.h", "signal.h", "time.h"))
    marks = " ".join(["%zu"] * len(asked))
    source.write_text(f'#define _GNU_SOURCE\n{heads}int main(void) {{ printf("{marks}\\n", {", ".join(asked)}); }}\n')
    built = subprocess.run(["cc", str(source), "-o", str(tmp_path / "timers")], capture_output=True, check=False)
    if built.returncode:
        unavailable("no C headers here")
    run = subprocess.run([str(tmp_path / "timers")], capture_output=True, text=True, check=True)
    *said, size, value, kind, again, first, part = map(int, run.stdout.split())
    assert [getattr(Event, name).offset for name in members] == said
    assert size <= Event.rest.offset + Event.rest.size and value == Event.value.size and kind == SIGEV_THREAD
    assert (Times.again_s.offset, Times.first_s.offset, Times.first_ns.offset) == (again, first, part)
