"""Who may read the page, and who may ask for something: keys, hosts, origins, rates, and delays after failures.

Pure: time is an argument, in seconds of a clock that never goes back, and an address is a text. What is relied on:

- A page of another site cannot make a browser lie about `Host` (RFC 9110, 7.2) nor about `Origin` (RFC 6454, 7.3). A
  name that its owner points at this machine (DNS rebinding) is no name of this machine, so the host is looked at first.
- A cookie with `SameSite=Strict` is not sent along with requests that another site has caused (RFC 6265bis, 5.2). It is
  bound to a host, but to no port (RFC 6265, 8.5), so its name has the port in it.
- What is compared with a key takes the same time however much of it is right (`hmac.compare_digest`).
- A key has 128 bits, and nobody guesses it however often: so the right one is let in at once, whatever came before it
  from the same address. Only wrong ones wait. A browser that still has the cookie of another night says it with every
  request, and is no guesser: cookies count for nothing here.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import re
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

KEY_MAX: Final = 128
"""Characters of a key that are looked at; a longer one is wrong."""

ADDRESSES_MAX: Final = 512
"""Addresses that are remembered; beyond it the one that was seen longest ago is forgotten."""

FIRST_S: Final = 0.5
MOST_S: Final = 60.0
"""What an address has to wait after its first wrong key, s, and at most; it doubles with each."""

WRONG_MAX: Final = 16
"""Wrong keys of an address that are remembered, so that the same one said again counts once."""

FORGET_S: Final = 600.0
"""After so long without a wrong key it is as if there had been none, s."""

WANTS_A_SECOND: Final = 30.0
WANTS_AT_ONCE: Final = 60
"""Wants of one address: as fast as a hand on two treadles of a screen."""

ALL_WANTS_A_SECOND: Final = 90.0
ALL_WANTS_AT_ONCE: Final = 180
"""Wants of everybody: what the core does in a hundredth of its time."""


class Rights(IntEnum):
    """What somebody may do; the higher includes the lower."""

    NONE = 0
    READ = 1
    CONTROL = 2


def seal(key: str) -> str:
    """What a cookie holds for a key: the key cannot be had from it, and it outlives the page's process."""
    return hashlib.sha256(b"stagectl page\0" + key.encode(errors="replace")).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Keys:
    """What has to be known. `read`: None where everybody may read; `control`: None where nobody may control."""

    read: str | None
    control: str | None

    @property
    def least(self) -> Rights:
        """What somebody may do who knows nothing."""
        return Rights.READ if self.read is None else Rights.NONE

    def by_key(self, key: str) -> Rights | None:
        """What a key allows; None where it is wrong."""
        return self._by(key, lambda known: known)

    def by_cookie(self, value: str) -> Rights | None:
        """What a cookie's value allows; None where it is wrong."""
        return self._by(value, seal)

    def _by(self, given: str, made: Callable[[str], str]) -> Rights | None:
        said = given[: KEY_MAX + 1].encode(errors="replace")
        found = None
        for rights, key in ((Rights.READ, self.read), (Rights.CONTROL, self.control)):
            # Both are always looked at: time tells nothing of which it was.
            if key is not None and hmac.compare_digest(said, made(key).encode()):
                found = rights
        return found


# -- where a request was meant to go, and where it comes from ---------------------------------------------------

_HOST: Final = re.compile(r"(?P<name>\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(?P<port>:[0-9]{0,5})?")


def host_name(header: str) -> str | None:
    """The host of a `Host` header, in small letters, without port, brackets and final dot; None where it is none
    (RFC 9110, 7.2; RFC 3986, 3.2.2)."""
    found = _HOST.fullmatch(header)
    if found is None:
        return None
    name = found["name"].lower()
    if not name.startswith("["):
        return name.removesuffix(".")
    # In brackets stands an address of IPv6 and nothing else (RFC 3986, 3.2.2).
    return name.strip("[]") if _is_address(name.strip("[]")) and ":" in name else None


class Hosts:
    """The hosts that this page may be asked for by: any address in numbers, `localhost`, and the names given."""

    def __init__(self, names: Iterable[str]) -> None:
        self.names: Final = frozenset({"localhost", *(name.lower().removesuffix(".") for name in names if name)})

    def allow(self, header: str) -> bool:
        """Whether a `Host` header names this machine."""
        name = host_name(header)
        if name is None:
            return False
        return name in self.names or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a host to serve at."""
    if host.lower() == "localhost":
        return True
    return _is_address(host) and ipaddress.ip_address(host).is_loopback


def same_origin(origin: str, host: str) -> bool:
    """Whether an `Origin` header is that of this page, which was asked for by the `Host` header `host` (RFC 6454, 4 and
    6.2: scheme, host and port are the same; the port of http is 80 where none is said)."""
    return _with_port(origin.lower()) == _with_port(f"http://{host.lower()}")


def _with_port(origin: str) -> str:
    return origin if re.search(r":[0-9]+$", origin) else f"{origin.removesuffix(':')}:80"


def same_site(fetch_site: str | None) -> bool:
    """Whether a browser says of its own accord (`Sec-Fetch-Site`, W3C Fetch Metadata) that no other site is behind a
    request; one that says nothing is believed."""
    return fetch_site in (None, "same-origin", "none")


def by_hand(fetch_mode: str | None) -> bool:
    """Whether somebody has opened the address, by what a browser says of its own accord (`Sec-Fetch-Mode`, W3C Fetch
    Metadata): a page that asks for it by script, or shows it as an image, does not navigate."""
    return fetch_mode in (None, "navigate")


def whose(address: str) -> str:
    """What counts as one client: an IPv4 address, or the 64 bits of an IPv6 address that a network is given."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if ip.version == 4:
        return str(ip)
    if ip.ipv4_mapped is not None:
        return str(ip.ipv4_mapped)
    return str(ipaddress.ip_network((ip, 64), strict=False))


# -- how often -------------------------------------------------------------------------------------------------


class Bucket:
    """So many at once, and so many a second after that."""

    def __init__(self, at_once: float, a_second: float) -> None:
        self._most, self._rate = at_once, a_second
        self._left, self._at = at_once, 0.0

    def take(self, now: float) -> bool:
        """Take one, if there is any."""
        self._left = min(self._most, self._left + max(0.0, now - self._at) * self._rate)
        self._at = now
        if self._left < 1:
            return False
        self._left -= 1
        return True


class WantRates:
    """How often something may be asked for, by each address and by all."""

    def __init__(self) -> None:
        self._all = Bucket(ALL_WANTS_AT_ONCE, ALL_WANTS_A_SECOND)
        self._each: OrderedDict[str, Bucket] = OrderedDict()

    def take(self, address: str, now: float) -> bool:
        """Whether this address may ask for something now. One that asks too often takes nothing from the others."""
        who = whose(address)
        bucket = self._each.setdefault(who, Bucket(WANTS_AT_ONCE, WANTS_A_SECOND))
        self._each.move_to_end(who)
        if len(self._each) > ADDRESSES_MAX:
            self._each.popitem(last=False)
        return bucket.take(now) and self._all.take(now)

    def __len__(self) -> int:
        return len(self._each)


@dataclass(slots=True)
class _Failed:
    times: int = 0
    at: float = 0.0
    wrong: deque[str] = field(default_factory=lambda: deque(maxlen=WRONG_MAX))


class Failures:
    """Wrong keys by address, and how long they make the next wrong one wait. A wrong value that is said again (a phone
    that opens last night's address) counts once."""

    def __init__(self) -> None:
        self._each: OrderedDict[str, _Failed] = OrderedDict()

    def wait_s(self, address: str, now: float) -> float:
        """How long this address has to wait until a wrong key is looked at again, s; 0 where it is now."""
        failed = self._each.get(whose(address))
        if failed is None or now - failed.at >= FORGET_S:
            return 0.0
        return max(0.0, failed.at + min(MOST_S, FIRST_S * (1 << min(failed.times - 1, 16))) - now)

    def failed(self, address: str, wrong: str, now: float) -> None:
        """A wrong key."""
        who, mark = whose(address), seal(wrong[: KEY_MAX + 1])
        failed = self._each.setdefault(who, _Failed())
        self._each.move_to_end(who)
        if now - failed.at >= FORGET_S:
            failed.times = 0
            failed.wrong.clear()
        if mark in failed.wrong:
            return
        failed.wrong.append(mark)
        failed.times, failed.at = failed.times + 1, now
        if len(self._each) > ADDRESSES_MAX:
            self._each.popitem(last=False)

    def passed(self, address: str) -> None:
        """The right key: this address has never failed."""
        self._each.pop(whose(address), None)

    def __len__(self) -> int:
        return len(self._each)
