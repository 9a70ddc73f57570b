"""Contacts against the study of bounce, MIDI's own rule of on and off, and a naive reading of whole trains."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any
from unittest.mock import patch

import pytest
from depth import examples
from hypothesis import Phase as RunPhase
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Ran, run, small_plan

from stagectl.core import contacts
from stagectl.core.actions import Tell
from stagectl.core.contacts import BOUNCE_DEFAULT_NS, TRAIN_MAX_NS, Contact, Heard, Kind, Shut, Switch
from stagectl.core.effects import Reason, Refused, Told
from stagectl.core.events import Event, Moved, PedalCame, PedalWent, Wake
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.plan import MS, Plan
from stagectl.core.step import next_wake

US = 1_000
END = 10**12

TELLS = {Gesture.PRESS: Tell(message=0), Gesture.RELEASE: Tell(message=1)}


def plan_of(switch: Switch, *, gives_release: bool = True, top: int = 127) -> Plan:
    """A pedal with one switch: message 0 is its press, message 1 its release."""
    control = Control(name="left", does=TELLS, switch=switch, gives_release=gives_release, top=top)
    return small_plan((-1_000,), pedals=(Pedal(name="board", controls=(control,)),), messages=2)


def say(plan: Plan, said: Sequence[tuple[int, int]]) -> Ran:
    """The switch says these values at these times, ns; then nothing for long."""
    events: list[tuple[int, Event]] = [(at, Moved(pedal=0, control=0, value=value)) for at, value in said]
    return run(plan, [*events, (END, Wake())])


def fired(ran: Ran) -> list[tuple[int, int]]:
    """Times and messages."""
    return [(told.at, told.message) for told in ran.of(Told)]


def bounces(ran: Ran) -> list[tuple[int, str]]:
    """Times and counts of what was recorded as bounce."""
    return [(refused.at, refused.what) for refused in ran.of(Refused) if refused.reason is Reason.BOUNCE]


# -- the study -------------------------------------------------------------------------------------------------


def train(length_ns: int, edges: int, start: int = 0, last: int = 127) -> list[tuple[int, int]]:
    """An odd number of edges, evenly over a length; the last rests at `last`."""
    return [(start + length_ns * at // (edges - 1), last if at % 2 == 0 else 127 - last) for at in range(edges)]


@pytest.mark.parametrize("length_us", [1_600, 6_200])
@pytest.mark.parametrize("edges", [3, 5, 31])
def test_a_train_of_the_study_is_one_press(length_us: int, edges: int) -> None:
    """Mean 1.6 ms, usual worst 6.2 ms (a published study of 16 to 18 switches), on the way down and on the way up."""
    length = length_us * US
    down, up = train(length, edges), train(length, edges, start=500 * MS, last=0)
    ran = say(plan_of(Switch()), [*down, *up])
    assert fired(ran) == [(0, 0), (500 * MS, 1)]
    assert [what for _, what in bounces(ran)] == [f"{edges - 1} edges"] * 2


def outlier() -> list[tuple[int, int]]:
    """157 ms of chatter with a gap of 42 ms in which the contact is open."""
    first = [(at * 3 * MS, 127 if at % 2 == 0 else 0) for at in range(20)]
    begins = first[-1][0] + 42 * MS
    step = (157 * MS - begins) // 20
    return [*first, *((begins + at * step, 127 if at % 2 == 0 else 0) for at in range(20)), (157 * MS, 127)]


def test_the_outlier_of_the_study_needs_a_longer_window() -> None:
    """157 ms long with a gap of 42 ms: one press with `bounce: 50 ms`; the default takes the gap for a way up."""
    said = outlier()
    assert said[-1][0] == 157 * MS
    assert max(later[0] - sooner[0] for sooner, later in pairwise(said)) == 42 * MS
    enough = say(plan_of(Switch(bounce_ns=43 * MS)), said)
    assert fired(enough) == [(0, 0)]
    assert [what for _, what in bounces(enough)] == ["40 edges"]
    assert fired(say(plan_of(Switch(bounce_ns=50 * MS)), said)) == [(0, 0)]
    assert len(fired(say(plan_of(Switch(bounce_ns=42 * MS)), said))) > 1
    assert len(fired(say(plan_of(Switch()), said))) > 1


def test_a_train_that_never_ends_is_bounded() -> None:
    chatter = [(at * MS, 127 if at % 2 == 0 else 0) for at in range(1_000)]
    ran = say(plan_of(Switch()), chatter)
    assert [at for at, _ in bounces(ran)] == [TRAIN_MAX_NS * n for n in range(1, 5)]
    assert len(fired(ran)) <= 2 * 4


# -- MIDI's rule and other thresholds ----------------------------------------------------------------------------


@pytest.mark.parametrize(("top", "low", "high"), [(127, 63, 64), (16_383, 8_191, 8_192), (1, 0, 1)])
def test_on_is_the_upper_half(top: int, low: int, high: int) -> None:
    """MIDI 1.0: 0-63 is off, 64-127 is on."""
    assert not Switch().is_down(low, top)
    assert Switch().is_down(high, top)
    assert Switch(rests_closed=True).is_down(low, top)
    assert not Switch(rests_closed=True).is_down(high, top)


@given(st.integers(1, 127), st.integers(0, 127), st.booleans())
def test_a_threshold_of_its_own(threshold: int, value: int, closed: bool) -> None:
    assert Switch(threshold=threshold, rests_closed=closed).is_down(value, 127) is ((value >= threshold) is not closed)


def test_a_soft_hit_is_refused() -> None:
    ran = say(plan_of(Switch(threshold=40)), [(0, 39), (10**9, 40), (2 * 10**9, 0)])
    assert fired(ran) == [(10**9, 0), (2 * 10**9, 1)]
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.ALREADY_UP]


# -- kinds -------------------------------------------------------------------------------------------------------


def test_every_change_of_a_latching_switch_is_a_press() -> None:
    ran = say(plan_of(Switch(latching=True)), [(0, 127), (10**9, 0), (2 * 10**9, 0), (3 * 10**9, 127)])
    assert fired(ran) == [(at * 10**9, message) for at in (0, 1, 3) for message in (0, 1)]
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.ALREADY_UP]


def test_a_latching_switch_may_begin_with_either_state() -> None:
    assert fired(say(plan_of(Switch(latching=True)), [(0, 0)])) == [(0, 0), (0, 1)]


def test_a_latching_switch_that_bounces_is_one_press() -> None:
    ran = say(plan_of(Switch(latching=True)), train(6_200 * US, 5))
    assert fired(ran) == [(0, 0), (0, 1)]
    assert bounces(ran) == [(6_200 * US + BOUNCE_DEFAULT_NS, "4 edges")]


def test_a_switch_that_only_presses_bounces_too() -> None:
    plan = plan_of(Switch(), gives_release=False)
    ran = say(plan, [(at * MS, 127) for at in (0, 5, 24, 43, 64)])
    assert [at for at, message in fired(ran) if message == 0] == [0, 64 * MS]
    assert bounces(ran) == [(63 * MS, "3 edges")]


def test_a_normally_closed_switch_is_down_when_it_opens() -> None:
    ran = say(plan_of(Switch(rests_closed=True)), [(0, 0), (10**9, 127)])
    assert fired(ran) == [(0, 0), (10**9, 1)]


# -- the pedal goes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("event", [PedalWent(pedal=0), PedalCame(pedal=0)], ids=["went", "came"])
def test_a_pedal_that_goes_in_a_train_fires_nothing_and_is_told_of(event: Event) -> None:
    said: list[tuple[int, Event]] = [(at, Moved(pedal=0, control=0, value=v)) for at, v in train(6 * MS, 5)[:4]]
    ran = run(plan_of(Switch()), [*said, (6 * MS, event), (END, Wake())])
    assert fired(ran) == [(0, 0)]
    assert bounces(ran) == [(6 * MS, "2 edges")]
    assert next_wake(ran.state) is None
    assert not ran.state.contacts


# -- against a naive reading ---------------------------------------------------------------------------------------


def expected(said: list[tuple[int, bool]], bounce_ns: int) -> tuple[list[tuple[int, bool]], list[tuple[int, int]]]:
    """What acts and when, and when how many edges were bounce, read off the whole history."""
    edges: list[tuple[int, bool]] = []
    for at, down in said:
        if down != (edges[-1][1] if edges else False):
            edges.append((at, down))
    acts, counts = list[tuple[int, bool]](), list[tuple[int, int]]()
    while edges:
        members = [edges.pop(0)]
        ends = members[0][0] + bounce_ns
        while edges and edges[0][0] < ends:
            members.append(edges.pop(0))
            ends = min(members[-1][0] + bounce_ns, members[0][0] + 250 * MS)
        acts.append(members[0])
        ignored = len(members) - 1
        if members[-1][1] != members[0][1]:
            acts.append((ends, members[-1][1]))
            ignored -= 1
        if ignored:
            counts.append((ends, ignored))
    return acts, counts


CHATTER = st.lists(st.integers(1, 19), min_size=25, max_size=40).map(
    lambda gaps: [(gap, at % 2 == 0) for at, gap in enumerate(gaps)]
)
SAID = st.one_of(
    st.lists(
        st.tuples(st.one_of(st.integers(0, 30), st.sampled_from((0, 19, 20, 21, 100, 400))), st.booleans()),
        max_size=40,
    ),
    CHATTER,
)
"""Gaps in ms, and whether the contact is closed after each."""


def check(said: list[tuple[int, bool]], bounce_ns: int) -> None:
    now, at = 0, list[tuple[int, bool]]()
    for gap, down in said:
        now += gap * MS
        at.append((now, down))
    ran = say(plan_of(Switch(bounce_ns=bounce_ns)), [(when, 127 * down) for when, down in at])
    acts, counts = expected(at, bounce_ns)
    assert fired(ran) == [(when, int(not down)) for when, down in acts]
    assert bounces(ran) == [(when, f"{n} edge{'s' if n > 1 else ''}") for when, n in counts]


@settings(max_examples=examples(150))
@given(SAID, st.sampled_from((0, 20 * MS, 50 * MS)))
def test_trains_act_as_the_theory_says(said: list[tuple[int, bool]], bounce_ns: int) -> None:
    check(said, bounce_ns)


def _lets_the_window_run_out(contact: Contact | None, down: bool, now: int, kind: Kind, bounce_ns: int) -> Heard | None:
    heard = contacts.edge(contact, down, now, kind, bounce_ns)
    if heard is None or heard.acts or contact is None:
        return heard
    return Heard(replace(heard.contact, shuts=contact.shuts), False)


def _takes_every_edge(contact: Contact | None, down: bool, now: int, kind: Kind, bounce_ns: int) -> Heard | None:
    return contacts.edge(contact, down, now, kind, 0)


def _never_ends(contact: Contact | None, down: bool, now: int, kind: Kind, bounce_ns: int) -> Heard | None:
    heard = contacts.edge(contact, down, now, kind, bounce_ns)
    return None if heard is None else Heard(replace(heard.contact, shuts=now + bounce_ns), heard.acts)


def _forgets_the_last_edge(contact: Contact) -> Shut:
    return real_shut(contact)._replace(acts=False)


def _counts_the_edge_that_acts(contact: Contact) -> Shut:
    return real_shut(contact)._replace(bounced=contact.ignored)


real_shut = contacts.shut

BUGS: list[tuple[str, Callable[..., Any]]] = [
    ("hear_edge", _lets_the_window_run_out),
    ("hear_edge", _takes_every_edge),
    ("hear_edge", _never_ends),
    ("shut", _forgets_the_last_edge),
    ("shut", _counts_the_edge_that_acts),
]


@pytest.mark.parametrize(("name", "bug"), BUGS, ids=lambda part: getattr(part, "__name__", ""))
def test_a_wrong_rule_is_caught(name: str, bug: Callable[..., Any]) -> None:
    once = settings(max_examples=5_000, database=None, phases=(RunPhase.generate,), report_multiple_bugs=False)
    with patch(f"stagectl.core.step.{name}", bug), pytest.raises(AssertionError):
        once(given(SAID, st.sampled_from((20 * MS, 50 * MS)))(check))()


def test_a_window_costs_the_press_no_time_and_no_wake_up() -> None:
    plan = plan_of(Switch())
    ran = run(plan, [(0, Moved(pedal=0, control=0, value=127))])
    assert fired(ran) == [(0, 0)]
    assert next_wake(ran.state) is None
