"""Shares the tests out over the cores. Whoever is idle takes the next test; but files with tests of ports of JACK
go, all of them, to one worker, since a JACK server, its clients' names and the ports' names are there once. The
groups that xdist has itself rest on node ids being rewritten, which not every pytest allows (9.2 does not, and
groups nothing)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from xdist.scheduler import LoadScopeScheduling

ROOT = Path(__file__).resolve().parents[1]

MARK = "pytest.mark." + "ports"
"""By this a file tells that it has tests of real ports; by the name of JACK, of which."""


class PortsTogether(LoadScopeScheduling):  # type: ignore[misc]  # it comes without types
    """Every test by itself, but those of JACK's ports in one heap, which is begun with: it is the longest."""

    def _split_scope(self, nodeid: str) -> str:
        return MARK if _has_ports(nodeid.partition("::")[0]) else nodeid


@cache
def _has_ports(file: str) -> bool:
    text = (ROOT / file).read_text("utf-8")
    return MARK in text and "jack" in text.lower()


def shared_out(config: pytest.Config) -> None:
    """The whole suite goes to all cores, where nothing else is asked for."""
    if hasattr(config, "workerinput"):
        return
    if config.option.numprocesses is None and config.args == config.getini("testpaths"):
        config.option.numprocesses = "auto"
    if config.option.numprocesses and config.option.dist == "no":
        config.option.dist = "loadgroup"
