"""How the tests run. Properties get new seeds each time by hand, where a failure prints what brings it back, and the
same ones in CI, so that a change is judged by itself. The whole suite runs on all cores (`cores.py`); a part of it, or
all with `-n 0` or `-p no:xdist`, on one."""

from __future__ import annotations

import os
import signal
from typing import Any

import pytest
from depth import examples
from hypothesis import HealthCheck, settings

settings.register_profile(
    "stagectl",
    deadline=None,
    max_examples=examples(25),
    print_blob=True,
    derandomize=os.environ.get("CI") == "true",
    suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large),
)
settings.load_profile("stagectl")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Begun in the background of a shell, where Ctrl-C means nothing: programs under test would inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """On all cores, where xdist is there."""
    if config.pluginmanager.hasplugin("xdist"):
        from cores import shared_out

        shared_out(config)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Who does which test; None where xdist is to say."""
    from cores import PortsTogether

    return PortsTogether(config, log) if config.option.dist == "loadgroup" else None
