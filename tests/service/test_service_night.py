"""The night of `service_night.py` under systemd itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from needs import ALL_PORTS, needs, unavailable

TESTS = Path(__file__).resolve().parents[1]

pytestmark = [pytest.mark.slow, pytest.mark.ports]


NIGHTS = [("--sandbox",), *([("--jack",)] if os.environ.get(ALL_PORTS) == "1" else [])]
"""The one over a sound server where everything is asked for."""


@pytest.mark.parametrize("how", NIGHTS, ids=" ".join)
def test_systemd_itself_notices_and_the_night_goes_on(how: tuple[str, ...]) -> None:
    needs("systemctl", "unshare", "setpriv", *(("jackd", "jack_lsp") if "--jack" in how else ()))
    if not Path("/usr/lib/systemd/systemd").exists():
        unavailable("not installed here: systemd")
    if os.geteuid() != 0:
        pytest.skip("namespaces of its own need root")
    run = subprocess.run(
        (sys.executable, str(TESTS / "service_night.py"), *how), capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr
