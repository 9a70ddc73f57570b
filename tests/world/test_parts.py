"""The parts of the world do what they stand for, and the rules look where they say that they look."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from stagectl.pedals.keyboard import KeyboardPort

from .agenda import Agenda
from .clock import MS, SECOND, Clock
from .clock_rules import dues
from .inputs import Input
from .keyboards import DOWN, EVENT, KEYS, UP
from .page_end import WAITING_BYTES, SimPipe
from .people import edge, key
from .runner import Nights
from .shows import DRIVEN, SHOWS, Stage


@pytest.fixture(scope="module")
def nights() -> Iterator[Nights]:
    made = Nights(1)
    yield made
    made.close()


def show_with(nights: Nights, fits: Callable[[Stage], object]) -> int:
    """The first show that has something."""
    return next(number for number in range(SHOWS) if fits(nights.show(number).stage))


def pressed(at_s: float, pedal: int, foot: str, control: str) -> Input:
    return Input(
        round(at_s * SECOND), "foot", (pedal, ((0, edge(foot, control, True)), (60 * MS, edge(foot, control, False))))
    )


def played(nights: Nights, show: int, *inputs: Input) -> dict[str, int]:
    """What was seen in a history in which every rule has to hold."""
    nights.seen.clear()
    failure = nights.play_again(show, sorted(inputs))
    assert failure is None, failure.says
    return dict(nights.seen)


def test_nights_of_every_seed_drive_whole_mixes_and_leave_some_alone(nights: Nights) -> None:
    """At a desk that can be read, and at one that cannot."""
    shows = [nights.show_of(night) for night in range(11)]
    driven = [show for show in shows if show.stage.wholes]
    assert driven == [nights.show(number) for number in DRIVEN]
    assert all(0 < len(show.stage.wholes) < len(show.stage.listeners) for show in driven)
    assert [show.compiled.plan.answers.reads for show in driven] == [True, False]


def test_an_agenda_does_what_is_first_and_counts_what_is_under_way() -> None:
    clock, done = Clock(), list[str]()
    agenda = Agenda(clock, [Input(3 * SECOND, "foot")])
    agenda.later(5 * SECOND, lambda: done.append("late"), rests=True)
    assert not agenda.waits
    agenda.later(2 * SECOND, lambda: done.append("soon"))
    assert agenda.waits and agenda.next_at == 2 * SECOND
    for _ in range(3):
        one = agenda.take()
        if isinstance(one, Input):
            done.append(one.kind)
        elif one is not None:
            one()
        assert not agenda.waits
    assert done == ["soon", "foot", "late"]
    # A history that does not say when it ends, ends half a minute after its last input.
    assert agenda.next_at == 33 * SECOND


def test_reminders_are_those_of_the_setlist() -> None:
    """By hand from README.md: reminders before each time, and a countdown to the set and the curfew."""
    day = datetime(2027, 5, 14, 18, 30, tzinfo=UTC)
    found = [f"{one.at:%H:%M} {one.name} {one.before}" for one in dues({"doors": "18:58", "set": "19:10"}, (5, 2), day)]
    assert found == [
        "18:10 set 60", "18:40 set 30", "18:53 doors 5", "18:55 set 15", "18:56 doors 2", "18:58 doors 0",
        "19:00 set 10", "19:05 set 5", "19:08 set 2", "19:09 set 1", "19:10 set 0",
    ]  # fmt: skip


def test_a_page_that_reads_nothing_waits_within_its_bound_while_feet_get_through(
    nights: Nights, monkeypatch: pytest.MonkeyPatch
) -> None:
    most, write = [0], SimPipe.write

    def wrote(pipe: SimPipe, data: bytes) -> None:
        write(pipe, data)
        most[0] = max(most[0], len(pipe.waiting))

    monkeypatch.setattr(SimPipe, "write", wrote)
    feet = [pressed(5 + at * 0.25, 0, "osc", ("more", "less")[at % 2]) for at in range(60)]
    page = [
        Input(2 * SECOND, "page client", (60 * SECOND, False)),
        Input(4 * SECOND, "page stands still", (15 * SECOND,)),
    ]
    page += [Input(3 * SECOND, "page client", (60 * SECOND, True))]
    assert played(nights, 0, *feet, *page)["presses"] == 60
    assert most[0] > WAITING_BYTES // 2


def test_a_key_that_is_held_while_its_cable_is_out_fires_once(nights: Nights) -> None:
    number = show_with(nights, lambda stage: "keys" in stage.feet)
    pedal = nights.show(number).stage.feet.index("keys")
    code = KEYS["enter"]
    seen = played(
        nights,
        number,
        Input(8 * SECOND, "foot", (pedal, ((0, key(code, DOWN)), (5 * SECOND, key(code, UP))))),
        Input(9 * SECOND, "cable", (f"keyboard {pedal}", 2 * SECOND)),
        Input(20 * SECOND, "foot", (pedal, ((0, key(code, DOWN)), (60 * MS, key(code, UP))))),
    )
    assert seen["presses"] == 2


def test_a_device_is_what_the_programs_own_port_reads() -> None:
    """Linux, input.rst: seconds, microseconds, type, code, value."""
    reads, writes = os.pipe2(os.O_NONBLOCK)
    port = KeyboardPort(reads, "keys")
    try:
        os.write(writes, EVENT.pack(1, 2, 1, 109, DOWN) + EVENT.pack(1, 2, 0, 0, 0))
        assert port.read() == [(109, DOWN)]
    finally:
        port.close()
        os.close(writes)


AFTER: dict[str, tuple[Input, ...]] = {
    "an edit": (Input(10 * SECOND, "edit"), Input(10 * SECOND + 1, "kill", ("now", 1, SECOND))),
    "an edit and a power cut": (
        Input(10 * SECOND, "edit"),
        Input(10 * SECOND + 1, "kill", ("now", 1, SECOND)),
        Input(20 * SECOND, "power cut", (3 * SECOND, 0)),
    ),
    "a deleted journal": (Input(10 * SECOND, "journal deleted"),),
    "a deleted journal and a kill": (
        Input(10 * SECOND, "journal deleted"),
        Input(10 * SECOND + 1, "kill", ("now", 1, SECOND)),
    ),
    "no room anywhere": (Input(10 * SECOND, "disk", ("no room anywhere", 3 * SECOND)),),
    "no room anywhere and a kill": (
        Input(10 * SECOND, "disk", ("no room anywhere", 6 * SECOND)),
        Input(12 * SECOND, "kill", ("now", 1, SECOND)),
    ),
}


@pytest.mark.parametrize("what", AFTER)
def test_after_it_the_night_is_still_played_again(nights: Nights, what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The presses behind it are among the events that are played again; and where one of them were not in the journal,
    that would be found."""
    feet = [pressed(at, 0, "osc", "more") for at in (5, 10.5, 30, 31)]
    assert played(nights, 0, *feet, *AFTER[what])["played again"] >= 4

    from .kept import Kept

    end: Any = Kept.end

    def forgets(kept: Kept) -> None:
        import sqlite3

        disk = sqlite3.connect(kept.world.disk.path)
        disk.execute(
            "DELETE FROM heard WHERE id = (SELECT max(id) FROM heard WHERE kind = (SELECT kind FROM heard "
            "WHERE said IS NOT NULL ORDER BY id DESC LIMIT 1))"
        )
        disk.commit()
        disk.close()
        end(kept)

    monkeypatch.setattr(Kept, "end", forgets)
    failure = nights.play_again(0, sorted([*feet, *AFTER[what]]))
    assert failure is not None and failure.rule == 5
