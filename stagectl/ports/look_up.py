"""Looking up a host's addresses in a thread of its own: a name server that does not answer holds nothing up, not even
the end."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from typing import Any

from stagectl.errors import DeviceError


class Lookup:
    """One look-up of a host, for UDP; it begins at once. `found`: each address family and address, the best first (RFC
    6724), once they are known; `trouble`: why there are none. `over` is called in the thread, at its end."""

    def __init__(
        self,
        host: str,
        port: int | None = None,
        family: socket.AddressFamily = socket.AF_UNSPEC,
        over: Callable[[Lookup], None] | None = None,
    ) -> None:
        self.found: tuple[tuple[Any, Any], ...] = ()
        self.trouble: str | None = None
        self._host, self._port, self._family, self._over = host, port, family, over
        self._thread = threading.Thread(target=self._run, name=f"look up {host}", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            # As bytes, plain letters need none of the tables for those of all languages, a hundredth of the start.
            host = self._host.encode("ascii") if self._host.isascii() else self._host
            every = socket.getaddrinfo(host, self._port, self._family, socket.SOCK_DGRAM)
            self.found = tuple((one[0], one[4]) for one in every)
        except (OSError, UnicodeError) as error:
            self.trouble = getattr(error, "strerror", None) or str(error)
        if self._over is not None:
            self._over(self)

    @property
    def goes_on(self) -> bool:
        """Whether it has not come to its end yet."""
        return self._thread.is_alive()

    @property
    def addresses(self) -> tuple[str, ...]:
        """The addresses alone, as text."""
        return tuple(str(address[0]) for _, address in self.found)

    def wait(self, wait_s: float) -> None:
        """Wait for it, but not for longer, s."""
        self._thread.join(wait_s)

    def result(self, wait_s: float) -> tuple[Any, Any] | None:
        """The best address family and address; None while nothing is known after `wait_s`. Raises DeviceError where the
        host has no address."""
        self.wait(wait_s)
        if self.trouble is not None:
            raise DeviceError(f"the OSC host `{self._host}` is not known: {self.trouble}")
        return self.found[0] if self.found else None
