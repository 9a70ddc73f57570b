"""Who may read and control: keys, hosts, origins, rates and delays, each at its bound. Time is an argument."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
from typing import Final
from urllib.parse import urlsplit

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stagectl.view.guard import (
    ADDRESSES_MAX,
    ALL_WANTS_AT_ONCE,
    FIRST_S,
    FORGET_S,
    MOST_S,
    WANTS_A_SECOND,
    WANTS_AT_ONCE,
    WRONG_MAX,
    Failures,
    Hosts,
    Keys,
    Rights,
    WantRates,
    by_hand,
    host_name,
    is_loopback,
    same_origin,
    same_site,
    seal,
    whose,
)

READ: Final = "a key to read"
CONTROL: Final = "a key to control"


def test_each_key_allows_what_it_is_for_and_nothing_else_does() -> None:
    keys = Keys(read=READ, control=CONTROL)
    assert keys.least is Rights.NONE
    assert [keys.by_key(key) for key in (READ, CONTROL)] == [Rights.READ, Rights.CONTROL]
    assert [keys.by_cookie(seal(key)) for key in (READ, CONTROL)] == [Rights.READ, Rights.CONTROL]
    wrong = ("", READ[:-1], READ + "x", READ.upper(), seal(READ), "\udcff", "x" * 10_000, READ + "\0")
    assert {keys.by_key(key) for key in wrong} == {None}
    assert {keys.by_cookie(key) for key in (READ, CONTROL, "", seal(READ)[:-1], seal("")) if key} == {None}


def test_without_keys_everybody_reads_and_nobody_controls() -> None:
    keys = Keys(read=None, control=None)
    assert keys.least is Rights.READ
    assert {keys.by_key(key) for key in ("", "None", "x")} == {None}
    assert {keys.by_cookie(seal(key)) for key in ("", "None")} == {None}


def test_the_seal_is_sha_256_of_the_key_and_does_not_show_it() -> None:
    """FIPS 180-4, by hashlib."""
    assert seal("k") == hashlib.sha256(b"stagectl page\0k").hexdigest()


def test_keys_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both keys are compared whichever is right, and by nothing but `hmac.compare_digest`."""
    compared: list[tuple[bytes, bytes]] = []
    real = hmac.compare_digest

    def noting(one: bytes, other: bytes) -> bool:
        compared.append((one, other))
        return bool(real(one, other))

    monkeypatch.setattr(hmac, "compare_digest", noting)
    for key in (READ, CONTROL, "wrong"):
        compared.clear()
        Keys(read=READ, control=CONTROL).by_key(key)
        assert [other for _, other in compared] == [READ.encode(), CONTROL.encode()]


HERE: Final = Hosts(["Stage.example.", "stage", "stage.local"])


@pytest.mark.parametrize(
    "header",
    [
        *("localhost", "LOCALHOST:8480", "stage", "STAGE.local:1", "stage.example.", "stage.example:65535"),
        *("127.0.0.1", "10.0.0.7:8480", "[::1]:8480", "[fe80::1]", "192.168.1.2:"),
    ],
)
def test_this_machine_may_be_asked_for_by_number_or_by_its_own_name(header: str) -> None:
    assert HERE.allow(header)


@pytest.mark.parametrize(
    "header",
    [
        *("evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "evil.localhost", "stage.example.evil"),
        *("", " localhost", "localhost ", "localhost:port", "localhost:123456", "user@localhost", "localhost/x"),
        *("::1", "[::1", "[evil.example]", "[::1]evil", "0x7f.1", "127.1", "2130706433", "localhost\r\nx: y", "stagé"),
        "a" * 300,
    ],
)
def test_no_other_name_is_this_machine(header: str) -> None:
    """DNS rebinding: a name that its owner points here. Odd spellings of numbers are names to us."""
    assert not HERE.allow(header)


@given(st.text(max_size=40))
def test_only_what_was_named_is_ever_let_in(header: str) -> None:
    """Beside the URL parser and the address parser of the standard library."""
    if HERE.allow(header):
        name = urlsplit(f"http://{header}").hostname or ""
        by_name = name.removesuffix(".") in HERE.names
        assert by_name or ipaddress.ip_address(name.removesuffix("."))


def test_a_host_is_read_as_the_url_parser_reads_it() -> None:
    for header in ("a.b:1", "A.B", "[::1]:2", "10.0.0.1:80", "x-y_z.local"):
        assert host_name(header) == urlsplit(f"http://{header}").hostname


@pytest.mark.parametrize(
    ("origin", "host", "same"),
    [
        ("http://127.0.0.1:8480", "127.0.0.1:8480", True),
        ("http://Stage.local:8480", "stage.LOCAL:8480", True),
        ("http://stage", "stage:80", True),
        ("http://stage:80", "stage", True),
        ("http://[::1]:1", "[::1]:1", True),
        ("https://stage", "stage", False),
        ("http://stage:8481", "stage:8480", False),
        ("http://localhost:8480", "127.0.0.1:8480", False),
        ("http://evil.example", "stage:8480", False),
        ("http://stage:8480.evil.example", "stage:8480", False),
        ("http://stage:8480/", "stage:8480", False),
        ("null", "stage", False),
        ("", "stage", False),
    ],
)
def test_an_origin_is_scheme_host_and_port(origin: str, host: str, same: bool) -> None:
    """RFC 6454, 4 to 6; `null` is what a sandboxed page says (7.1)."""
    assert same_origin(origin, host) is same


def test_what_a_browser_says_of_the_site_behind_a_request_is_believed() -> None:
    """W3C Fetch Metadata, 2.3: the four values."""
    said = {value: same_site(value) for value in (None, "same-origin", "none", "same-site", "cross-site", "")}
    assert [value for value, here in said.items() if here] == [None, "same-origin", "none"]


def test_loopback_is_what_only_this_machine_reaches() -> None:
    near = ("127.0.0.1", "127.9.9.9", "::1", "localhost", "LocalHost")
    far = ("0.0.0.0", "::", "192.168.0.1", "stage", "", "localhost.example", "::ffff:10.0.0.1")
    assert [is_loopback(host) for host in (*near, *far)] == [True] * len(near) + [False] * len(far)


def test_an_ipv6_network_is_one_client() -> None:
    """RFC 6177: an end site has 64 bits or more to itself."""
    assert whose("2001:db8::1") == whose("2001:db8::ffff:1") == whose("2001:db8::1%eth0") != whose("2001:db8:0:1::1")
    assert whose("::ffff:10.0.0.7") == whose("10.0.0.7") == "10.0.0.7"
    assert whose("no address") == "no address"


# -- rates ---------------------------------------------------------------------------------------------------


def test_wants_have_a_rate_for_each_and_one_for_all() -> None:
    rates = WantRates()
    assert sum(rates.take("10.0.0.1", 5.0) for _ in range(500)) == WANTS_AT_ONCE
    assert rates.take("10.0.0.2", 5.0)
    assert sum(rates.take("10.0.0.1", 6.0) for _ in range(500)) == WANTS_A_SECOND
    assert sum(rates.take(f"10.0.1.{n}", 7.0) for n in range(250) for _ in range(9)) <= ALL_WANTS_AT_ONCE


def test_one_that_asks_too_often_takes_nothing_from_the_others() -> None:
    rates = WantRates()
    for at in range(10_000):
        rates.take("10.0.0.1", at / 1000)
    assert all(rates.take("10.0.0.2", 10.0) for _ in range(WANTS_AT_ONCE))


def test_addresses_are_forgotten_beyond_their_bound() -> None:
    rates, failures = WantRates(), Failures()
    for n in range(3 * ADDRESSES_MAX):
        rates.take(str(ipaddress.ip_address(n)), 1.0)
        failures.failed(str(ipaddress.ip_address(n)), "wrong", 1.0)
    assert (len(rates), len(failures)) == (ADDRESSES_MAX, ADDRESSES_MAX)


# -- delays --------------------------------------------------------------------------------------------------


def test_each_wrong_key_doubles_what_an_address_waits_up_to_the_most() -> None:
    failures, now, waits = Failures(), 100.0, []
    for n in range(12):
        failures.failed("10.0.0.1", f"guess {n}", now)
        waits.append(failures.wait_s("10.0.0.1", now))
        now += MOST_S
    assert waits == [min(MOST_S, FIRST_S * 2**n) for n in range(12)]
    assert failures.wait_s("10.0.0.1", now) == 0


def test_a_flood_from_one_address_makes_no_other_wait() -> None:
    failures = Failures()
    for n in range(100_000):
        failures.failed("10.0.0.1", f"guess {n}", n / 1000)
    assert failures.wait_s("10.0.0.1", 100.0) > MOST_S - 1
    assert failures.wait_s("10.0.0.2", 100.0) == 0


def test_a_guesser_on_one_address_gets_few_tries_an_hour() -> None:
    """Whoever tries as often as may be: the sum of the doubling, then one in `MOST_S`."""
    failures, now, tries = Failures(), 0.0, 0
    while now < 3600:
        now += failures.wait_s("10.0.0.1", now) + 1e-6
        failures.failed("10.0.0.1", f"guess {tries}", now)
        tries += 1
    assert tries <= 3600 / MOST_S + 8


def test_the_same_wrong_value_counts_once_and_the_right_one_clears() -> None:
    failures = Failures()
    for at in range(50):
        failures.failed("10.0.0.1", "last night's key", float(at))
    assert failures.wait_s("10.0.0.1", 50.0) == 0
    failures.failed("10.0.0.1", "a guess", 50.0)
    assert failures.wait_s("10.0.0.1", 50.0) == 2 * FIRST_S
    failures.passed("10.0.0.1")
    assert (failures.wait_s("10.0.0.1", 50.0), len(failures)) == (0, 0)


@given(st.lists(st.sampled_from([f"old {n}" for n in range(WRONG_MAX)]), min_size=1, max_size=60))
@example(["old 0", "old 1"] * 3)
def test_values_that_are_said_again_and_again_count_once_each_in_whatever_order(said: list[str]) -> None:
    failures = Failures()
    for at, wrong in enumerate(said):
        failures.failed("10.0.0.1", wrong, at / 1000)
    waits = min(MOST_S, FIRST_S * 2 ** (len(set(said)) - 1))
    last = max(said.index(wrong) for wrong in set(said)) / 1000
    assert failures.wait_s("10.0.0.1", last) == pytest.approx(waits)


def test_the_wrong_values_that_are_remembered_have_a_bound() -> None:
    failures = Failures()
    for n in range(10_000):
        failures.failed("10.0.0.1", f"guess {n}", n / 1000)
    [failed] = failures._each.values()
    assert len(failed.wrong) == WRONG_MAX


def test_an_address_is_opened_by_hand_or_asked_for_by_a_page() -> None:
    """W3C Fetch Metadata, 2.2: the modes of a request."""
    modes = (None, "navigate", "no-cors", "cors", "same-origin", "websocket", "")
    assert [mode for mode in modes if by_hand(mode)] == [None, "navigate"]


def test_after_a_while_it_is_forgotten() -> None:
    failures = Failures()
    for n in range(8):
        failures.failed("10.0.0.1", f"guess {n}", float(n))
    failures.failed("10.0.0.1", "much later", 8 + FORGET_S)
    assert failures.wait_s("10.0.0.1", 8 + FORGET_S) == FIRST_S
