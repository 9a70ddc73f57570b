"""Presses on a wire that loses, delays and doubles: none of them is ever counted as a quick one."""

from __future__ import annotations

import os
import struct
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from bench_check import once

from bench_parts.over_udp import HEAD, button, nudging, numbers
from bench_parts.press import UNSURE, Presser, in_blocks, osc_level
from bench_parts.proc import held


def told(level: float) -> bytes:
    return HEAD + struct.pack(">f", level)


class Wire:
    """What the desk hears after each press is said beforehand: `answers` by the number of the press, from 0."""

    def __init__(self, answers: Callable[[int, bytes], list[bytes]]) -> None:
        self._answers = answers
        self._presses = 0
        self.waiting: list[bytes] = []

    def send(self, packet: bytes) -> None:
        if packet[-1] or packet[-2]:
            self.waiting += self._answers(self._presses, packet)
            self._presses += 1

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        return (time.monotonic_ns(), self.waiting.pop(0)) if self.waiting else None

    def close(self) -> None:
        """Nothing is open."""


def desk(level: float) -> Callable[[bytes], bytes]:
    """A desk of one level."""
    now = [level]

    def hears(packet: bytes) -> bytes:
        now[0] += 1 if packet.startswith(b"/up") else -1
        return told(now[0])

    return hears


def presses(answers: Callable[[int, bytes], list[bytes]], count: int) -> tuple[list[bool], Presser]:
    """Which presses have a time."""
    presser = Presser(Wire(answers), nudging())
    return [presser.press() is not None for _ in range(count)], presser


def test_the_first_answer_says_where_the_level_is_and_the_others_count() -> None:
    hears = desk(-20)
    timed, presser = presses(lambda at, packet: [hears(packet)], 5)
    assert timed == [False, True, True, True, True]
    assert presser.note() == "lost 0"


@pytest.mark.parametrize("counts", [False, True])
def test_a_lost_press_has_no_time_and_neither_have_the_next(counts: bool) -> None:
    """Lost before the program, and lost behind it."""
    hears = desk(-20)

    def answers(at: int, packet: bytes) -> list[bytes]:
        if at != 3:
            return [hears(packet)]
        if counts:
            hears(packet)
        return []

    timed, presser = presses(answers, 10)
    assert timed == [False, True, True, False, *[False] * UNSURE, True, True]
    assert presser.lost == 1


def test_an_answer_that_comes_late_is_no_answer_to_the_next_press() -> None:
    """What was said of press 2 arrives with press 4, before that one's own."""
    hears = desk(-20)
    late: list[bytes] = []

    def answers(at: int, packet: bytes) -> list[bytes]:
        said = hears(packet)
        if at == 2:
            late.append(said)
            return []
        return [*late, said] if at == 4 else [said]

    timed, presser = presses(answers, 9)
    assert timed == [False, True, *[False] * (1 + UNSURE), True, True]
    assert (presser.lost, presser.strays) == (1, 1)


def test_what_is_said_again_is_no_answer_to_the_next_press() -> None:
    hears = desk(-20)
    before: list[bytes] = []

    def answers(at: int, packet: bytes) -> list[bytes]:
        said = hears(packet)
        again, before[:] = list(before), [said]
        return [*again, said]

    timed, presser = presses(answers, 5)
    assert timed == [False, True, True, True, True]
    # Of each press but the first, one before its own answer.
    assert (presser.lost, presser.strays) == (0, 4)


def test_what_is_said_twice_or_of_something_else_is_a_stray() -> None:
    hears = desk(-20)

    def answers(at: int, packet: bytes) -> list[bytes]:
        said = hears(packet)
        return [b"/mix/1/from/2\0\0\0,f\0\0" + said[-4:], said, said, HEAD[:16]]

    timed, presser = presses(answers, 4)
    assert timed == [False, True, True, True]
    # One before each answer; two behind each, but those of the last.
    assert presser.strays == 4 + 2 * 3


def test_a_bare_way_answers_with_the_number_of_the_press() -> None:
    before: list[bytes] = []

    def answers(at: int, packet: bytes) -> list[bytes]:
        passed = HEAD + packet[-4:]
        said = [*before, passed]
        before[:] = [passed]
        return said

    presser = Presser(Wire(answers), numbers())
    assert all(presser.press() is not None for _ in range(4))
    assert presser.strays == 3


def test_ways_take_turns_and_what_is_warm_is_left_out() -> None:
    order: list[str] = []

    def way(name: str) -> Presser:
        hears = desk(-20)

        def answers(at: int, packet: bytes) -> list[bytes]:
            order.append(name)
            return [hears(packet)]

        return Presser(Wire(answers), nudging())

    taken = in_blocks({"a": way("a"), "b": way("b")}, blocks=3, presses=4, warm=2, cold=1, pause_s=(0, 0))
    assert "".join(order) == "aabb" + 3 * "aaaaabbbbb"
    assert [[len(block) for block in one.blocks] for one in taken.values()] == [[4, 4, 4]] * 2


def test_both_ways_carry_as_many_bytes() -> None:
    foot, bare = nudging(), numbers()
    assert len(foot.down()) == len(bare.down()) == len(foot.up()) == len(bare.up())
    assert osc_level(HEAD)(told(-6.5)) == -6.5
    assert osc_level(HEAD)(HEAD) is None
    assert button(b"/up\0", 1) == b"/up\0,i\0\0\0\0\0\1"


def test_what_a_process_holds_is_what_the_system_says() -> None:
    """Against /proc/PID/status (proc(5)), and files that are opened here."""
    before = held(os.getpid())
    with Path(os.devnull).open(), Path(os.devnull).open():
        now = held(os.getpid())
    assert now.files == before.files + 2
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    assert abs(int(status["VmRSS"].split()[0]) - now.rss) < 2_000
    assert int(status["Threads"]) == now.threads
    assert 0 < now.pss <= now.rss


def test_the_memory_of_a_small_process_is_its_own_even_if_ours_is_large() -> None:
    large = bytearray(b"1") * 100_000_000
    assert once("-S", "-c", "pass").memory < 50 < once("-S", "-c", "b'1' * 60_000_000").memory
    assert len(large)
