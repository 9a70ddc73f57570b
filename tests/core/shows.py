"""Small invented nights for the property tests: plans, and what happens on them.

Everything is drawn small enough to be read when a test fails, and crooked enough to meet the edges:
levels above their ceilings, desks with three steps, desks that cannot say `off`, links as slow as DIN.

What is drawn are bytes, and `dice.py` says what they mean.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations
from typing import Final, TypeVar

from dice import Dice, thrown
from hypothesis import strategies as st
from msgspec.structs import replace

from stagectl.core.actions import (
    WISHED,
    Action,
    Back,
    ClearNudges,
    FallBack,
    GoTo,
    Hush,
    Lasts,
    Next,
    Nothing,
    Nudge,
    NudgeRest,
    PauseCue,
    Recall,
    Ride,
    StartCue,
    StopCue,
    SwitchLayer,
    Tell,
    Undo,
)
from stagectl.core.contacts import Switch
from stagectl.core.effects import Ask, Effect
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    DeskWent,
    Event,
    LampsCame,
    LampsWent,
    Moved,
    PedalCame,
    PedalWent,
    PlayerCame,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    PlayerWent,
    Unmapped,
    Wake,
    Wanted,
)
from stagectl.core.feet import Control, FootLayer, Lamp, Pair, Pedal, overridden
from stagectl.core.gestures import Gesture, Timing
from stagectl.core.grid import Grid
from stagectl.core.lamps import SHOWS
from stagectl.core.levels import OFF, Level
from stagectl.core.limits import Limits
from stagectl.core.link import Answers, Link
from stagectl.core.plan import MS, Group, Layer, Message, Plan, Scene, SetTo, ShiftBy, Stop, layered
from stagectl.core.players import CueCall, Player, Then
from stagectl.core.players import Timed as TimedSection
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.core.travel import CURVE_MAX, CURVE_MIN, DEAD_MAX, Travel

DIN = Link(message_ns=960_000, burst_ns=1 * MS)
"""Three bytes at 31,250 baud, ten bits a byte: 960 µs (MIDI 1.0, 4.2.1)."""

FAST = Link(message_ns=20_000, burst_ns=1 * MS)

FINE = Grid(steps=range(-9_000, 1_001, 10))
"""A desk with a thousand steps, a tenth of a dB each."""

MIXED = Link(message_ns=3_840_000, whole_ns=960_000, stored_ns=2_560_000, burst_ns=8 * MS)
"""A DIN link to a desk whose messages differ in length (12, 3 and 8 bytes), with a burst of more than one of them."""

UNEVEN = Link(message_ns=300_000, whole_ns=1_300_000, stored_ns=100_000, burst_ns=2 * MS)

LINKS = (DIN, FAST, MIXED, UNEVEN)

WAKES_MAX = 20_000
"""More wake-ups than any night of these tests can need; a core that asks for more never comes to rest."""

T = TypeVar("T")

Timed = tuple[int, Event]
"""A time (ns) and what happens then."""


# -- running ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Ran:
    """Where a night came to, and all that it gave on the way."""

    state: State
    effects: tuple[Effect, ...] = ()

    @property
    def asks(self) -> tuple[Ask, ...]:
        """What the desk was asked for."""
        return tuple(effect for effect in self.effects if isinstance(effect, Ask))

    def of(self, kind: type[T]) -> list[T]:
        """The effects of one kind."""
        return [effect for effect in self.effects if isinstance(effect, kind)]


DO: Final[dict[str, Action]] = {
    "next": Next(),
    "back": Back(),
    "up": Nudge(by=300, lasts=Lasts.NIGHT),
    "down": Nudge(by=-500, lasts=Lasts.NIGHT),
    "hush": Hush(everyone=False),
    "undo": Undo(),
}
"""What feet do to mixes that hands are in, too."""


def run(plan: Plan, events: Iterable[Timed], state: State | None = None) -> Ran:
    """The night from `state` (or from its start, at 0) through the events."""
    state = begin(plan, 0) if state is None else state
    effects: list[Effect] = []
    for at, event in events:
        stepped = step(plan, state, event, at)
        state = stepped.state
        effects += stepped.effects
    return Ran(state=state, effects=tuple(effects))


def rest(plan: Plan, ran: Ran) -> Ran:
    """Woken whenever the core asks for it, until it waits for nothing."""
    state, effects = ran.state, list(ran.effects)
    for _ in range(WAKES_MAX):
        due = next_wake(state)
        if due is None:
            return Ran(state=state, effects=tuple(effects))
        stepped = step(plan, state, Wake(), due)
        state = stepped.state
        effects += stepped.effects
    raise AssertionError(f"not at rest after {WAKES_MAX} wake-ups")


def wish(action: Action, who: str = "ada", listener: int | None = 0) -> Wanted:
    """An action asked for by the first listener, or by somebody else."""
    return Wanted(action=action, who=who, listener=listener)


def settled(plan: Plan, stop: int = 0) -> State:
    """The state with the desk here, at rest at a stop that was told to it whole, at some time after the start."""
    here = run(plan, [(0, DeskCame()), (0, wish(GoTo(stop=stop), who="the start", listener=None))])
    state = rest(plan, here).state
    return step(plan, state, Wake(), state.now + 3_600_000 * MS).state


# -- plans by hand ----------------------------------------------------------------------------------------


def small_plan(
    *scenes: Sequence[Level | None],
    listeners: int = 1,
    ceiling: int = 0,
    grid: Grid = FINE,
    fade_ns: int = 0,
    link: Link = FAST,
    limits: Limits | None = None,
    pedals: tuple[Pedal, ...] = (),
    messages: int = 0,
) -> Plan:
    """A plan whose stops have these levels (inputs of each listener in turn); the desk has no whole mix."""
    inputs = len(scenes[0]) // listeners

    def with_whole(levels: Sequence[Level | None]) -> tuple[Level | None, ...]:
        out: list[Level | None] = []
        for at in range(listeners):
            out += [*levels[at * inputs : (at + 1) * inputs], None]
        return tuple(out)

    return Plan(
        inputs=tuple(f"input {at}" for at in range(inputs)),
        listeners=tuple(f"listener {at}" for at in range(listeners)),
        own=(0,) * listeners,
        ceilings=(ceiling,) * (listeners * (inputs + 1)),
        grid=grid,
        whole_grid=None,
        stops=tuple(
            Stop(song=at - 1, section=-1, name=f"stop {at}", levels=with_whole(levels), fade_ns=fade_ns)
            for at, levels in enumerate(scenes)
        ),
        link=link,
        limits=limits or Limits(),
        pedals=pedals,
        devices=("lamp",) if messages else (),
        messages=tuple(Message(device=0, name=f"message {at}") for at in range(messages)),
    )


# -- plans by chance --------------------------------------------------------------------------------------


def _level(dice: Dice) -> Level:
    """What a file may name, often near the ceilings and the nudge floor."""
    kind = dice.below(3)
    if kind == 2:
        return OFF
    return dice.between(-9_000, 2_000) if kind else dice.between(-40, 10) * 100


def _maybe_level(dice: Dice) -> Level | None:
    return None if dice.below(5) == 4 else _level(dice)


def _by(dice: Dice) -> int:
    return dice.one((-600, -300, -100, 100, 300, 600)) if dice.coin() else dice.between(-1_200, 1_200) or 100


LEVELS = thrown(_level, 4)

MAYBE_LEVELS = thrown(_maybe_level, 5)

BY = thrown(_by, 4)


def _fade(dice: Dice) -> int:
    return dice.between(1, 400) * 10 * MS if dice.coin() else 0


def _grid(dice: Dice) -> Grid:
    has_off = dice.below(4) > 0
    if dice.coin():
        return Grid(steps=range(dice.between(-90, -50) * 100, 1_001, dice.one((10, 50, 75))), has_off=has_off)
    steps = {*dice.many(12, lambda: dice.between(-9_000, 1_200), least=1)}
    return Grid(steps=tuple(sorted(steps)), has_off=has_off)


def grids() -> st.SearchStrategy[Grid]:
    """Fine and even, or a handful of uneven steps; some cannot say `off`."""
    return thrown(_grid, 40)


def _layer(dice: Dice, sends: int) -> Layer:
    """A few changes."""

    def change() -> SetTo | ShiftBy:
        return ShiftBy(dice.between(-1_500, 1_500)) if dice.coin() else SetTo(_level(dice))

    return tuple(dice.many(5, lambda: (dice.below(sends), change())))


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """How much of everything a plan has, for actions to choose from."""

    listeners: int
    columns: int
    stops: int
    scenes: int
    messages: int
    groups: int = 0
    layers: int = 2
    """Of each pedal."""


def _action(dice: Dice, sizes: Sizes, *, undoable: bool = False) -> Action:
    def listener() -> int | None:
        return dice.maybe(lambda: dice.below(sizes.listeners))

    def column(groups: int = 0) -> int | None:
        return dice.maybe(lambda: dice.below(sizes.columns + groups))

    def lasts() -> Lasts:
        return dice.one(WISHED)

    def columns() -> int | None:
        return column(sizes.groups if dice.coin() else 0)

    def nudge() -> Action:
        return Nudge(by=_by(dice), column=columns(), listener=listener(), lasts=lasts(), room=dice.coin())

    choices: list[Callable[[], Action]] = [
        *[nudge] * 5,
        Next,
        Next,
        Back,
        lambda: GoTo(stop=dice.below(sizes.stops)),
        lambda: NudgeRest(by=_by(dice), column=column(), listener=listener(), lasts=lasts()),
        lambda: ClearNudges(everyone=dice.coin()),
        lambda: Hush(everyone=dice.coin()),
        FallBack,
        Undo,
        Recall,
    ]
    if sizes.scenes:
        choices.append(lambda: Recall(scene=dice.below(sizes.scenes)))
    if not undoable:
        choices += [StartCue, lambda: StartCue(here=True), PauseCue, StopCue, Nothing]
        choices.append(lambda: SwitchLayer(layer=dice.maybe(lambda: dice.below(sizes.layers))))
        if sizes.messages:
            choices.append(lambda: Tell(message=dice.below(sizes.messages)))
    return dice.one(choices)()


@cache
def actions(sizes: Sizes, *, undoable: bool = False) -> st.SearchStrategy[Action]:
    """Any action of a switch. `undoable`: only what an undo takes back (and the undo itself)."""
    return thrown(lambda dice: _action(dice, sizes, undoable=undoable), 12)


def _control(dice: Dice, sizes: Sizes, name: str) -> Control:
    """A treadle, or a switch with any set of gestures."""
    if dice.below(4) == 0:
        action = Ride(
            low=dice.between(-1_200, 1_200),
            high=dice.between(-1_200, 1_200),
            column=dice.maybe(lambda: dice.below(sizes.columns)),
            listener=dice.maybe(lambda: dice.below(sizes.listeners)),
        )
        top = dice.one((127, 16_383))
        return Control(name=name, does={Gesture.TURN: action}, top=top, travel=_travel(dice, top))
    return Control(
        name=name,
        does={gesture: _action(dice, sizes) for gesture in dice.each(FOOT)},
        timing=_timing(dice),
        gives_release=dice.below(5) > 0,
        switch=_switch(dice),
    )


FOOT = (Gesture.PRESS, Gesture.RELEASE, Gesture.HOLD, Gesture.DOUBLE, Gesture.REPEAT)
"""What can be mapped to a switch."""


def _travel(dice: Dice, top: int) -> Travel:
    heel, toe = 0, top
    if dice.coin():
        heel = dice.between(0, top)
        # Anywhere but there.
        toe = (heel + 1 + dice.below(top)) % (top + 1)
    return Travel(
        heel=heel,
        toe=toe,
        dead=dice.between(0, DEAD_MAX),
        jitter=dice.below(6),
        curve=dice.one((100, 100, 50, 200, CURVE_MIN, CURVE_MAX)),
        smooth_ns=dice.one((0, 0, 1, 5, 20)) * MS,
    )


def travels(top: int) -> st.SearchStrategy[Travel]:
    """A treadle's own way, as short as a few values or as long as all of them."""
    return thrown(lambda dice: _travel(dice, top), 12)


def _switch(dice: Dice) -> Switch:
    """Any kind of switch."""
    return Switch(
        latching=dice.below(5) == 4,
        threshold=dice.one((None, None, 1, 100)),
        rests_closed=dice.below(5) == 4,
        bounce_ns=dice.one((0, 20, 20, 50)) * MS,
    )


def _timing(dice: Dice) -> Timing:
    hold, double, repeat, fastest = ((1 + dice.below(12)) * 50 * MS for _ in range(4))
    return Timing(hold_ns=hold, double_ns=double, repeat_ns=repeat, fastest_ns=fastest)


def timings() -> st.SearchStrategy[Timing]:
    """Lengths of hold, double press and repeat, any of them the longest one."""
    return thrown(_timing, 4)


def _pairs(dice: Dice, sizes: Sizes, controls: Sequence[Control]) -> tuple[tuple[Control, ...], tuple[Pair, ...]]:
    """Some pairs of the controls, and the controls with the waits that these need."""
    if len(controls) < 2 or dice.coin():
        return tuple(controls), ()
    some = list(combinations(range(len(controls)), 2))
    made = tuple(
        Pair(first=first, second=second, does=_action(dice, sizes), within_ns=(1 + dice.below(3)) * 30 * MS)
        for first, second in dice.many(2, lambda: dice.one(some), least=1)
    )
    waits = [max((p.within_ns for p in made if at in (p.first, p.second)), default=0) for at in range(len(controls))]
    waiting = (
        replace(control, timing=replace(control.timing, together_ns=wait))
        for control, wait in zip(controls, waits, strict=True)
    )
    return tuple(waiting), made


def _lamp(dice: Dice) -> Lamp:
    return Lamp(
        shows=dice.one(list(SHOWS)),
        lasts_ns=dice.one((100, 1_000, 10_000)) * MS,
        gap_ns=dice.one((10, 10, 50, 400)) * MS,
    )


LAMPS = thrown(_lamp, 3)
"""Any lamp, on a wire as quick as any or slower than any foot."""


def _pedal(dice: Dice, sizes: Sizes, name: str, listener: int | None) -> Pedal:
    """A pedal with one to three controls, and up to four lamps."""
    plain = [_control(dice, sizes, f"control {number}") for number in range(1 + dice.below(3))]
    waiting, paired = _pairs(dice, sizes, plain)
    layers = tuple(FootLayer(name=f"layer {at}", does=_instead(dice, sizes, plain)) for at in range(sizes.layers))
    lamps = tuple(dice.many(4, lambda: _lamp(dice)))
    return Pedal(name=name, controls=waiting, listener=listener, pairs=paired, layers=layers, lamps=lamps)


def _instead(dice: Dice, sizes: Sizes, controls: Sequence[Control]) -> dict[int, dict[Gesture, Action]]:
    """What is laid over some of the controls: a switch stays a switch, a treadle a treadle."""
    found: dict[int, dict[Gesture, Action]] = {}
    for at, control in enumerate(controls):
        if dice.coin():
            continue
        if control.turns:
            other: Action = Ride(low=dice.between(-600, 600), high=600, column=0)
            found[at] = {Gesture.TURN: dice.one((other, Nothing()))}
        else:
            gestures = dict.fromkeys(dice.many(3, lambda: dice.one(FOOT)))
            found[at] = {gesture: _action(dice, sizes) for gesture in gestures}
    return found


def _mix_ceilings(
    dice: Dice, listeners: int, inputs: int, grid: Grid, whole_grid: Grid | None
) -> tuple[int | None, ...]:
    """None, far away, or close to what the mixes come to, but such that the desk can go as low."""
    if dice.coin():
        return ()
    low = -(10**6)
    if not grid.has_off:
        whole = 0 if whole_grid is None or whole_grid.has_off else max(0, whole_grid.highest)
        low = grid.steps[0] + whole + 1_000
    return tuple(dice.maybe(lambda: max(dice.between(-2_000, 1_500), low)) for _ in range(listeners))


def _position(dice: Dice) -> int:
    """A place in the tracks of these nights, which are as short as their presses are close."""
    return dice.below(41) * 100 * MS


def _cue(dice: Dice, players: int) -> CueCall | None:
    """What a song tells one of so many players, if there is one and it tells it anything; its sections come later."""
    if not players or dice.coin():
        return None
    return CueCall(
        player=dice.below(players),
        number=dice.below(10),
        by_press=dice.coin(),
        lead_ns=dice.one((0, 0, 500 * MS)),
        length_ns=dice.maybe(lambda: _position(dice) + 100 * MS),
        then=dice.one(tuple(Then)),
        pause_ns=dice.one((0, 700 * MS)),
    )


def _with_sections(dice: Dice, stops: list[Stop]) -> list[Stop]:
    """The stops, where some sections of songs with a track say when they begin in it."""
    out = list(stops)
    for song in {stop.song for stop in stops if stop.cue is not None}:
        here = [at for at, stop in enumerate(stops) if stop.song == song]
        timed = dice.each(here[1:])
        places: list[int] = []
        for left in range(len(timed), 0, -1):
            first = places[-1] + 1 if places else 0
            places.append(first + dice.below((42 - left - first) // 2 + 1))
        cue = stops[here[0]].cue
        assert cue is not None
        sections = tuple(TimedSection(place * 100 * MS, at) for place, at in zip(places, timed, strict=True))
        for at in here:
            out[at] = replace(stops[at], cue=replace(cue, sections=sections))
    return out


def _told(dice: Dice, messages: int) -> tuple[int, ...]:
    """Which of so many messages go out at a stop."""
    return tuple(dice.many(2, lambda: dice.below(messages))) if messages else ()


def _ceiling(dice: Dice) -> int:
    return dice.between(-5_000, 1_500) if dice.coin() else dice.one((0, -600, 600))


def _stops(dice: Dice, sends: int, players: int, messages: int, most: int) -> list[Stop]:
    """The base, and some songs with sections."""
    base = tuple(_maybe_level(dice) for _ in range(sends))
    stops = [Stop(song=-1, section=-1, name="base", levels=base, fade_ns=_fade(dice))]
    for at in range(1, 1 + dice.below(most)):
        last = stops[-1]
        stays = last.song >= 0 and dice.coin()
        stops.append(
            Stop(
                song=last.song + (not stays),
                section=last.section + 1 if stays else -1,
                name=f"stop {at}",
                levels=layered(base, _layer(dice, sends)),
                fade_ns=_fade(dice),
                cue=last.cue if stays else _cue(dice, players),
                messages=_told(dice, messages),
                stored=dice.below(100) if dice.below(3) == 2 and not stays else None,
            )
        )
    return _with_sections(dice, stops)


def _answers(dice: Dice) -> Answers:
    if not dice.coin():
        return Answers()
    return Answers(each=dice.coin(), all=dice.coin(), reports=dice.coin(), echoes=dice.coin())


def _plan(dice: Dice, link: Link | None = None, max_stops: int = 8) -> Plan:
    listeners, inputs = 1 + dice.below(4), 1 + dice.below(6)
    sends = listeners * (inputs + 1)
    grid, whole_grid = _grid(dice), dice.maybe(lambda: _grid(dice))
    ceilings = []
    for send in range(sends):
        ceiling = _ceiling(dice)
        used = whole_grid if send % (inputs + 1) == inputs else grid
        # A desk that cannot say `off` and cannot go as low as a ceiling is refused before the night.
        ceilings.append(ceiling if used is None or used.has_off else max(ceiling, used.steps[0]))
    players, messages = dice.below(3), dice.below(3)
    stops = _stops(dice, sends, players, messages, max_stops)
    scenes = tuple(
        Scene(name=f"scene {at}", layer=_layer(dice, sends), fade_ns=_fade(dice)) for at in range(dice.below(3))
    )
    groups = [sorted({*dice.many(inputs, lambda: dice.below(inputs), least=1)}) for _ in range(dice.below(3))]
    sizes = Sizes(
        listeners=listeners,
        columns=inputs + 1,
        stops=len(stops),
        scenes=len(scenes),
        messages=messages,
        groups=len(groups),
    )
    pedals = tuple(
        _pedal(dice, sizes, f"pedal {at}", dice.maybe(lambda: dice.below(listeners), 4))
        for at in range(1 + dice.below(3))
    )
    for at, stop in enumerate(stops):
        over = _instead(dice, sizes, pedals[0].controls)
        does = {(0, one): overridden(pedals[0].controls[one].does, does) for one, does in over.items()}
        stops[at] = replace(stop, does=does)
    return Plan(
        inputs=tuple(f"input {at}" for at in range(inputs)),
        listeners=tuple(f"listener {at}" for at in range(listeners)),
        own=tuple(dice.maybe(lambda: dice.below(inputs), 3) for _ in range(listeners)),
        ceilings=tuple(ceilings),
        grid=grid,
        whole_grid=whole_grid,
        stops=tuple(stops),
        scenes=scenes,
        pedals=pedals,
        players=tuple(
            Player(name=f"player {at}", pauses=dice.coin(), seeks=dice.coin(), is_ours=dice.coin(), says=dice.coin())
            for at in range(players)
        ),
        devices=("lamp",) if messages else (),
        messages=tuple(Message(device=0, name=f"message {at}") for at in range(messages)),
        link=link or dice.one(LINKS),
        answers=_answers(dice),
        limits=Limits(
            nudge_floor=dice.one((-4_000, -6_000, -2_000)),
            nudge_up=dice.one((1_200, 600, 0)),
            rise=dice.one((None, None, 300, 5_000)),
            room=dice.one((600, 2_000, 0)),
            gentle_ns=dice.one((0, 3_000)) * MS,
        ),
        mix_ceilings=_mix_ceilings(dice, listeners, inputs, grid, whole_grid),
        groups=tuple(Group(name=f"group {at}", columns=tuple(some)) for at, some in enumerate(groups)),
    )


PLAN_BYTES = 900
"""Plans of a middling size take half as many."""


def plans(*, link: Link | None = None, max_stops: int = 8) -> st.SearchStrategy[Plan]:
    """A small night: 1 to 4 listeners, 1 to 6 inputs, 1 to 8 stops."""
    return thrown(lambda dice: _plan(dice, link, max_stops), PLAN_BYTES)


def sizes_of(plan: Plan) -> Sizes:
    """What the plan's actions may name."""
    return Sizes(
        listeners=len(plan.listeners),
        columns=plan.width,
        stops=len(plan.stops),
        scenes=len(plan.scenes),
        messages=len(plan.messages),
        groups=len(plan.groups),
    )


# -- what happens -----------------------------------------------------------------------------------------

GAPS_MS = (0, 0, 1, 20, 50, 100, 250, 299, 300, 301, 600, 1_000)


def _gap(dice: Dice) -> int:
    return dice.one(GAPS_MS) * MS if dice.below(3) else dice.between(0, 700 * MS)


GAPS = thrown(_gap, 6)


def _of_players(dice: Dice, plan: Plan) -> Event:
    """Something that a track player does or says."""
    player = dice.below(len(plan.players))
    if dice.coin():
        return PlayerSaid(player=player, position=_position(dice), runs=dice.coin())
    others: tuple[Event, ...] = (
        PlayerCame(player=player),
        PlayerWent(player=player),
        PlayerEnded(player=player, song=dice.below(4)),
        PlayerFailed(player=player, song=dice.below(4)),
    )
    return dice.one(others)


def _happening(dice: Dice, plan: Plan) -> Event:
    pedal = dice.below(len(plan.pedals))
    kind = dice.below(24 if plan.answers.reads or plan.answers.reports else 22)
    if plan.players and dice.below(5) == 4:
        return _of_players(dice, plan)
    if kind < 11:
        control = dice.below(len(plan.pedals[pedal].controls))
        top = plan.pedals[pedal].controls[control].top
        value = dice.between(0, top) if dice.coin() else dice.one((0, top, 0, top, top + 1, -1))
        return Moved(pedal=pedal, control=control, value=value)
    if kind < 15:
        who, listener = dice.one((("the terminal", None), ("ada", 0), ("ada", 0)))
        return Wanted(action=_action(dice, sizes_of(plan)), who=who, listener=listener)
    if kind >= 22:
        return DeskSaid(send=dice.below(len(plan.ceilings)), level=_level(dice))
    others: tuple[Event, ...] = (
        DeskWent(),
        DeskCame(),
        PedalWent(pedal=pedal),
        PedalCame(pedal=pedal),
        Unmapped(pedal=pedal, said="B0 10 7F"),
        LampsWent(pedal=pedal),
        LampsCame(pedal=pedal),
    )
    return others[kind - 15]


def happenings(plan: Plan) -> st.SearchStrategy[Event]:
    """One thing that happens. Feet are the most frequent."""
    return thrown(lambda dice: _happening(dice, plan), 18)


@dataclass(frozen=True, kw_only=True)
class Night:
    """A plan, and what happens when."""

    plan: Plan
    events: tuple[Timed, ...] = field(repr=True)

    @property
    def ends(self) -> int:
        """The time of the last event, ns."""
        return self.events[-1][0] if self.events else 0


def _night(happens: Dice, dice: Dice, max_events: int) -> Night:
    plan = _plan(dice)
    events: list[Timed] = []
    if happens.below(4) > 0:
        events += [(0, DeskCame()), (0, wish(GoTo(stop=0), who="the terminal", listener=None))]
    if happens.below(4) > 0:
        pedals = range(len(plan.pedals))
        events += [(0, kind(pedal=pedal)) for pedal in pedals for kind in (PedalCame, LampsCame)]
    if happens.below(4) > 0:
        events += [(0, PlayerCame(player=player)) for player in range(len(plan.players))]
    now = 0
    for _ in range(happens.below(max_events + 1)):
        now += _gap(happens)
        events.append((now, _happening(happens, plan)))
    return Night(plan=plan, events=tuple(events))


@st.composite
def nights(draw: st.DrawFn, max_events: int = 25) -> Night:
    """A night by chance; most begin with the desk there and the base scene told to it, and with the pedals there."""
    # Apart, so that a smaller plan leaves what happens as it is.
    happens, plan = (draw(st.binary(min_size=size, max_size=size)) for size in (10 + 12 * max_events, PLAN_BYTES))
    return _night(Dice(happens), Dice(plan), max_events)


def with_wakes(events: Sequence[Timed], wakes: Iterable[int]) -> list[Timed]:
    """The events with wake-ups put in at these times, each before what happens at the same time."""
    extra: list[Timed] = [(at, Wake()) for at in wakes]
    return sorted([*extra, *events], key=lambda timed: timed[0])
