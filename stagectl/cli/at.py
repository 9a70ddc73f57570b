"""`HOST:PORT` on the command line."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

import click

PAGE_AT: Final = "127.0.0.1:8480"
"""Where a page is served when nothing else is said."""

PORT_MAX: Final = 65_535

_AT: Final = r"(?:(?P<host>\[[0-9a-fA-F:.]+\]|[^\s:/\[\]]+):)?(?P<port>[0-9]{1,5})"


def host_port(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, int] | None:
    """The host and the port of an option; `8480` alone is a port for this machine only, port 0 any that is free. IPv6
    stands in brackets, as in addresses (RFC 3986, 3.2.2). Raises BadParameter."""
    if value is None:
        return None
    found = re.fullmatch(_AT, value)
    if found is None:
        raise click.BadParameter(f"`{value}` is no HOST:PORT, such as `{PAGE_AT}` or `[::1]:8480`")
    port = int(found["port"])
    if port > PORT_MAX:
        raise click.BadParameter(f"port {port} is beyond what there is: 0 to {PORT_MAX:,}")
    return (found["host"] or "127.0.0.1").strip("[]"), port


def page_option(says: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """`--page [HOST:PORT]`; left bare, it means `PAGE_AT`. `says`: what it is for."""
    return click.option(
        "--page", callback=host_port, is_flag=False, flag_value=PAGE_AT, metavar="[HOST:PORT]", help=says
    )


SERVED_HELP: Final = f"Serve the stage page for browsers; left bare, for this machine alone, at {PAGE_AT}."
