"""The stage page: can it be served where it is wanted? The port is taken for a moment, in the way in which the page
takes it (`view/process.py`), and let go of."""

from __future__ import annotations

import errno
import socket
from typing import Final

from stagectl.ports.tcp import bound
from stagectl.ready.finding import Finding, fine, unknown, wrong
from stagectl.ready.room import Machine

PAGE: Final = "page"

SYSTEM_PORTS: Final = 1024
"""Ports below this one are the system's (RFC 6335, 6)."""


def page(machine: Machine) -> list[Finding]:
    """Where the page is to be served; nothing where it is not."""
    return [] if machine.page is None else [address(*machine.page, played=machine.player is not None)]


def address(host: str, port: int, *, played: bool = False) -> Finding:
    """Whether an address of this machine can be had. `port`: 0 is any; `played`: whether this show's night may have it
    now."""
    where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    try:
        with bound(host, port) as trial:
            trial.listen(1)
    except OSError as error:
        if error.errno == errno.EADDRINUSE and played:
            return unknown(PAGE, f"{where} is taken, as it is while the page of this show is served")
        return wrong(PAGE, f"it cannot be served at {where}: {error.strerror or error}", _do(error, port))
    return fine(PAGE, f"{where} is free")


def _do(error: OSError, port: int) -> str:
    if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
        return "name an address of this machine, or 0.0.0.0 for all of them, and see that its network is up"
    if error.errno == errno.EADDRINUSE:
        return "end the program that has it, or serve the page at another port"
    if error.errno in (errno.EACCES, errno.EPERM) and port < SYSTEM_PORTS:
        return f"ports below {SYSTEM_PORTS} are the system's: take a higher one"
    return "serve it elsewhere"
