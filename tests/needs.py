"""What a test needs of the machine: where it is missing the test is skipped, or fails if everything was asked for."""

from __future__ import annotations

import os
import shutil
from importlib import import_module
from types import ModuleType
from typing import Final, NoReturn

import pytest

ALL_PORTS: Final = "STAGECTL_ALL_PORTS"
"""Set to 1, nothing may be missing."""


def patience(limit_s: float) -> float:
    """A time limit, s, for this machine as busy as it is: as it stands where all that wants to run has a core."""
    if not hasattr(os, "getloadavg"):
        return limit_s
    return limit_s * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))


def needs(*programs: str) -> None:
    """Skip the test, with the reason, where one of the programs is not installed."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        unavailable(f"not installed here: {', '.join(missing)}")


def needs_module(name: str) -> ModuleType:
    """A module; skip the test, with the reason, where it or a library of the system that it loads is missing."""
    try:
        return import_module(name)
    except (ImportError, OSError) as error:
        unavailable(f"`{name}` cannot be loaded here: {error}")


def loads(name: str) -> bool:
    """Whether a module, and what it loads of the system, is here; with STAGECTL_ALL_PORTS=1 it must be."""
    try:
        import_module(name)
    except (ImportError, OSError):
        return os.environ.get(ALL_PORTS) == "1"
    return True


def unavailable(reason: str) -> NoReturn:
    """Skip the test with its reason; with STAGECTL_ALL_PORTS=1 it fails."""
    if os.environ.get(ALL_PORTS) == "1":
        pytest.fail(f"{ALL_PORTS}=1, but {reason}")
    pytest.skip(reason)
