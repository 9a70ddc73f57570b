"""A desk says values of 14 bits in two messages; one of them may be lost.

MIDI 1.0 Detailed Specification 4.2.1: data entry MSB (controller 6) sets the LSB to 0, data entry LSB (38) corrects it;
non-registered parameters are chosen by 99 and 98.
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest
from nights import quick_copy
from virtual_time import VirtualLoop, played

from stagectl.core.events import DeskSaid
from stagectl.core.levels import Level
from stagectl.live.desk import COARSE_ALONE, HALF_S, DeskSide
from stagectl.show.load import Show, load_show


@pytest.fixture(scope="module")
def show(tmp_path_factory: pytest.TempPathFactory) -> Show:
    """The level of input 1 in mix 1 is parameter 256; 8,192 is -20 dB, and a dB is 204.8 above it."""
    folder = quick_copy("nine-songs", tmp_path_factory.mktemp("halves"), **{"profile: control-change": "profile: nrpn"})
    return load_show(folder)


class Port:
    """Takes whatever it is told."""

    name = "desk"

    def send(self, packet: bytes) -> None:
        """Nobody listens."""


def said(show: Show, asked: Level | None, *values: tuple[int, int]) -> tuple[list[Level], int]:
    """What counts of these controllers' values, where so much was asked for; and how many halves counted as nothing."""

    async def night(loop: VirtualLoop) -> tuple[list[Level], int]:
        events: list[Level] = []
        side = DeskSide(
            show, lambda event, _: events.append(event.level) if isinstance(event, DeskSaid) else None, print
        )
        side.asked = lambda send: asked if send == 0 else None
        side.link.take(Port())  # type: ignore[arg-type] # a port, as far as the link uses it
        for controller, value in ((99, 2), (98, 0), *values):
            side.heard(bytes((0xB0, controller, value)), loop.monotonic_ns)
        await asyncio.sleep(2 * HALF_S)
        side.close()
        return events, side.talk.counted[COARSE_ALONE]

    return played(datetime(2027, 5, 14, 20, tzinfo=UTC), night)


def test_a_coarse_part_alone_is_no_hand_where_what_was_asked_for_fits_it(show: Show) -> None:
    # -19.9 dB is 8,212: 64 and 20.
    assert said(show, -1_990, (6, 64)) == ([], 1)


@pytest.mark.parametrize("asked", [-1_900, -2_010, None])
def test_elsewhere_it_is_a_value_with_a_fine_part_of_nothing(show: Show, asked: Level | None) -> None:
    assert said(show, asked, (6, 64)) == ([-2_000], 0)


def test_both_parts_are_a_value_whatever_was_asked_for(show: Show) -> None:
    assert said(show, -1_990, (6, 64), (38, 41)) == ([-1_980], 0)


def test_a_fine_part_counts_later_too(show: Show) -> None:
    assert said(show, -1_990, (6, 64), (38, 20), (38, 41)) == ([-1_980], 0)
