"""How the tests run. Properties get new seeds each time by hand, where a failure prints what brings it back, and the
same ones in CI, so that a change is judged by itself. The whole suite runs on all cores (`cores.py`); a part of it, or
all with `-n 0` or `-p no:xdist`, on one."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from depth import examples
from hypothesis import HealthCheck, settings

if sys.dont_write_bytecode:
    # Where nothing is to be left among the sources, what is compiled goes elsewhere: several workers, and hundreds of
    # programs that tests start, would compile the same again and again.
    COMPILED = str(Path(__file__).resolve().parents[1] / ".pytest_cache" / "compiled")
    sys.dont_write_bytecode, sys.pycache_prefix = False, COMPILED
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = COMPILED

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


def pytest_configure(config: pytest.Config) -> None:
    """What a worker's programs leave in memory is not beside what the user's own nights and earlier tests left."""
    from stagectl.journal.claim import RUNNING, running

    os.environ.pop(RUNNING, None)
    folder = tempfile.mkdtemp(prefix="stagectl-tests-", dir=running().parent)
    os.environ[RUNNING] = os.path.join(folder, running().name)
    config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    if hasattr(config, "workerinput"):
        from cores import look_elsewhere_first, tell_less

        look_elsewhere_first(config)
        tell_less(config)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Who does which test; None where xdist is to say."""
    from cores import Heaps

    return Heaps(config, log) if config.option.dist == "loadgroup" else None


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Each of several workers learns whether it is the spare one."""
    from cores import is_spare

    node.workerinput["is_spare"] = is_spare(node)


def pytest_collection_finish() -> None:
    """What is loaded by now stays: no collection of garbage looks through it again, and they come less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 50, 100)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """One of several workers begins with what takes long."""
    if hasattr(config, "workerinput"):
        from cores import in_order

        in_order(items)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """One of several workers stands back for the tests of JACK's ports, which come first, and have their time."""
    if hasattr(item.config, "workerinput"):
        from cores import on_jack, stand_back

        if not on_jack(item.nodeid):
            stand_back(is_spare=item.config.workerinput["is_spare"])
