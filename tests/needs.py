"""What a test needs of the machine: where it is missing the test is skipped, or fails if everything was asked for."""

from __future__ import annotations

import os
import shutil
from typing import Final, NoReturn

import pytest

ALL_PORTS: Final = "STAGECTL_ALL_PORTS"
"""Set to 1, nothing may be missing."""


def needs(*programs: str) -> None:
    """Skip the test, with the reason, where one of the programs is not installed."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        unavailable(f"not installed here: {', '.join(missing)}")


def unavailable(reason: str) -> NoReturn:
    """Skip the test with its reason; with STAGECTL_ALL_PORTS=1 it fails."""
    if os.environ.get(ALL_PORTS) == "1":
        pytest.fail(f"{ALL_PORTS}=1, but {reason}")
    pytest.skip(reason)
