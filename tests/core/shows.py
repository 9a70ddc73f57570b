"""Small invented nights for the property tests: plans, and what happens on them.

Everything is drawn small enough to be read when a test fails, and crooked enough to meet the edges:
levels above their ceilings, desks with three steps, desks that cannot say `off`, links as slow as DIN.

A strategy costs more to make than to draw from: what does not depend on what was drawn is made once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations
from typing import TypeVar

from hypothesis import strategies as st

from stagectl.core.actions import (
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
from stagectl.core.plan import (
    MS,
    Answers,
    Group,
    Layer,
    Link,
    Message,
    Plan,
    Scene,
    SetTo,
    ShiftBy,
    Stop,
    layered,
)
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

BOOL = st.booleans()

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

LEVELS = st.one_of(
    st.integers(-40, 10).map(lambda db: db * 100),
    st.integers(-9_000, 2_000),
    st.just(OFF),
)
"""What a file may name, often near the ceilings and the nudge floor."""

MAYBE_LEVELS = st.one_of(LEVELS, LEVELS, LEVELS, LEVELS, st.none())

BY = st.one_of(st.sampled_from((-600, -300, -100, 100, 300, 600)), st.integers(-1_200, 1_200)).filter(bool)

FADES = st.one_of(st.just(0), st.integers(1, 400).map(lambda tens: tens * 10 * MS))


@st.composite
def grids(draw: st.DrawFn) -> Grid:
    """Fine and even, or a handful of uneven steps; some cannot say `off`."""
    has_off = draw(st.integers(0, 3)) > 0
    if draw(st.booleans()):
        return Grid(
            steps=range(draw(st.integers(-90, -50)) * 100, 1_001, draw(st.sampled_from((10, 50, 75)))), has_off=has_off
        )
    steps = draw(st.lists(st.integers(-9_000, 1_200), min_size=1, max_size=12, unique=True))
    return Grid(steps=tuple(sorted(steps)), has_off=has_off)


CHANGES = st.one_of(st.builds(SetTo, LEVELS), st.builds(ShiftBy, st.integers(-1_500, 1_500)))


@cache
def layers(sends: int) -> st.SearchStrategy[Layer]:
    """A few changes."""
    return st.lists(st.tuples(st.integers(0, sends - 1), CHANGES), max_size=5).map(tuple)


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


@cache
def actions(sizes: Sizes, *, undoable: bool = False) -> st.SearchStrategy[Action]:
    """Any action of a switch. `undoable`: only what an undo takes back (and the undo itself)."""
    listener = st.one_of(st.none(), st.integers(0, sizes.listeners - 1))
    column = st.one_of(st.none(), st.integers(0, sizes.columns - 1))
    columns = st.one_of(column, st.integers(0, sizes.columns + sizes.groups - 1))
    lasts = st.sampled_from(Lasts)
    nudge = st.builds(Nudge, by=BY, column=columns, listener=listener, lasts=lasts, room=st.booleans())
    choices: list[st.SearchStrategy[Action]] = [
        nudge,
        nudge,
        nudge,
        nudge,
        nudge,
        st.just(Next()),
        st.just(Next()),
        st.just(Back()),
        st.builds(GoTo, stop=st.integers(0, sizes.stops - 1)),
        st.builds(NudgeRest, by=BY, column=columns, listener=listener, lasts=lasts),
        st.builds(ClearNudges, everyone=st.booleans()),
        st.builds(Hush, everyone=st.booleans()),
        st.just(FallBack()),
        st.just(Undo()),
        st.just(Recall()),
    ]
    if sizes.scenes:
        choices.append(st.builds(Recall, scene=st.integers(0, sizes.scenes - 1)))
    if not undoable:
        choices += [st.just(one) for one in (StartCue(), StartCue(here=True), PauseCue(), StopCue(), Nothing())]
        choices.append(st.builds(SwitchLayer, layer=st.one_of(st.none(), st.integers(0, sizes.layers - 1))))
        if sizes.messages:
            choices.append(st.builds(Tell, message=st.integers(0, sizes.messages - 1)))
    return st.one_of(choices)


@st.composite
def controls(draw: st.DrawFn, sizes: Sizes, name: str) -> Control:
    """A treadle, or a switch with any set of gestures."""
    if draw(st.integers(0, 3)) == 0:
        shift = st.integers(-1_200, 1_200)
        action = Ride(
            low=draw(shift),
            high=draw(shift),
            column=draw(st.one_of(st.none(), st.integers(0, sizes.columns - 1))),
            listener=draw(st.one_of(st.none(), st.integers(0, sizes.listeners - 1))),
        )
        top = draw(st.sampled_from((127, 16_383)))
        return Control(name=name, does={Gesture.TURN: action}, top=top, travel=draw(travels(top)))
    gestures = draw(st.sets(st.sampled_from(FOOT)))
    return Control(
        name=name,
        does={gesture: draw(actions(sizes)) for gesture in Gesture if gesture in gestures},
        timing=draw(timings()),
        gives_release=draw(st.integers(0, 4)) > 0,
        switch=draw(switches()),
    )


FOOT = (Gesture.PRESS, Gesture.RELEASE, Gesture.HOLD, Gesture.DOUBLE, Gesture.REPEAT)
"""What can be mapped to a switch."""


@st.composite
def travels(draw: st.DrawFn, top: int) -> Travel:
    """A treadle's own way, as short as a few values or as long as all of them."""
    heel, toe = draw(st.one_of(st.just([0, top]), st.lists(st.integers(0, top), min_size=2, max_size=2, unique=True)))
    return Travel(
        heel=heel,
        toe=toe,
        dead=draw(st.integers(0, DEAD_MAX)),
        jitter=draw(st.integers(0, 5)),
        curve=draw(st.sampled_from((100, 100, 50, 200, CURVE_MIN, CURVE_MAX))),
        smooth_ns=draw(st.sampled_from((0, 0, 1, 5, 20))) * MS,
    )


@st.composite
def switches(draw: st.DrawFn) -> Switch:
    """Any kind of switch."""
    return Switch(
        latching=draw(st.integers(0, 4)) == 0,
        threshold=draw(st.sampled_from((None, None, 1, 100))),
        rests_closed=draw(st.integers(0, 4)) == 0,
        bounce_ns=draw(st.sampled_from((0, 20, 20, 50))) * MS,
    )


LENGTHS = st.integers(1, 12).map(lambda units: units * 50 * MS)


@st.composite
def timings(draw: st.DrawFn) -> Timing:
    """Lengths of hold, double press and repeat, any of them the longest one."""
    return Timing(hold_ns=draw(LENGTHS), double_ns=draw(LENGTHS), repeat_ns=draw(LENGTHS), fastest_ns=draw(LENGTHS))


@st.composite
def pairs(draw: st.DrawFn, sizes: Sizes, controls: Sequence[Control]) -> tuple[tuple[Control, ...], tuple[Pair, ...]]:
    """Some pairs of the controls, and the controls with the waits that these need."""
    if len(controls) < 2 or draw(st.booleans()):
        return tuple(controls), ()
    made = tuple(
        Pair(first=first, second=second, does=draw(actions(sizes)), within_ns=draw(st.integers(1, 3)) * 30 * MS)
        for first, second in draw(
            st.lists(st.sampled_from(list(combinations(range(len(controls)), 2))), min_size=1, max_size=2)
        )
    )
    waits = [max((p.within_ns for p in made if at in (p.first, p.second)), default=0) for at in range(len(controls))]
    waiting = (
        replace(control, timing=replace(control.timing, together_ns=wait))
        for control, wait in zip(controls, waits, strict=True)
    )
    return tuple(waiting), made


LAMPS = st.builds(
    Lamp,
    shows=st.sampled_from(list(SHOWS)),
    lasts_ns=st.sampled_from((100, 1_000, 10_000)).map(lambda ms: ms * MS),
    gap_ns=st.sampled_from((10, 10, 50, 400)).map(lambda ms: ms * MS),
)
"""Any lamp, on a wire as quick as any or slower than any foot."""


@st.composite
def feet(draw: st.DrawFn, sizes: Sizes, name: str, listener: int | None) -> Pedal:
    """A pedal with one to three controls, and up to four lamps."""
    plain = [draw(controls(sizes, f"control {number}")) for number in range(draw(st.integers(1, 3)))]
    waiting, paired = draw(pairs(sizes, plain))
    layers = tuple(FootLayer(name=f"layer {at}", does=draw(instead(sizes, plain))) for at in range(sizes.layers))
    return Pedal(
        name=name,
        controls=waiting,
        listener=listener,
        pairs=paired,
        layers=layers,
        lamps=tuple(draw(st.lists(LAMPS, max_size=4))),
    )


@st.composite
def instead(draw: st.DrawFn, sizes: Sizes, controls: Sequence[Control]) -> dict[int, dict[Gesture, Action]]:
    """What is laid over some of the controls: a switch stays a switch, a treadle a treadle."""
    found: dict[int, dict[Gesture, Action]] = {}
    for at, control in enumerate(controls):
        if draw(st.booleans()):
            continue
        if control.turns:
            other: Action = Ride(low=draw(st.integers(-600, 600)), high=600, column=0)
            found[at] = {Gesture.TURN: draw(st.sampled_from((other, Nothing())))}
        else:
            found[at] = {one: draw(actions(sizes)) for one in draw(st.sets(st.sampled_from(FOOT), max_size=3))}
    return found


@st.composite
def mix_ceilings(
    draw: st.DrawFn, listeners: int, inputs: int, grid: Grid, whole_grid: Grid | None
) -> tuple[int | None, ...]:
    """None, far away, or close to what the mixes come to, but such that the desk can go as low."""
    if draw(st.booleans()):
        return ()
    low = -(10**6)
    if not grid.has_off:
        whole = 0 if whole_grid is None or whole_grid.has_off else max(0, whole_grid.highest)
        low = grid.steps[0] + whole + 1_000
    tops = st.one_of(st.none(), st.integers(-2_000, 1_500).map(lambda top: max(top, low)))
    return tuple(draw(tops) for _ in range(listeners))


CAN = {"pauses": BOOL, "seeks": BOOL, "is_ours": BOOL, "says": BOOL}
"""What a track player can."""

POSITIONS = st.integers(0, 40).map(lambda tenths: tenths * 100 * MS)
"""Places in the tracks of these nights, which are as short as their presses are close."""


@cache
def cue_calls(players: int) -> st.SearchStrategy[CueCall]:
    """What a song tells one of so many players; its sections come later."""
    return st.builds(
        CueCall,
        player=st.integers(0, players - 1),
        number=st.integers(0, 9),
        by_press=st.booleans(),
        lead_ns=st.sampled_from((0, 0, 500 * MS)),
        length_ns=st.one_of(st.none(), POSITIONS.map(lambda at: at + 100 * MS)),
        then=st.sampled_from(Then),
        pause_ns=st.sampled_from((0, 700 * MS)),
    )


@st.composite
def with_sections(draw: st.DrawFn, stops: list[Stop]) -> list[Stop]:
    """The stops, where some sections of songs with a track say when they begin in it."""
    out = list(stops)
    for song in {stop.song for stop in stops if stop.cue is not None}:
        here = [at for at, stop in enumerate(stops) if stop.song == song]
        timed = [at for at in here[1:] if draw(st.booleans())]
        places = sorted(draw(st.sets(POSITIONS, min_size=len(timed), max_size=len(timed))))
        cue = stops[here[0]].cue
        assert cue is not None
        sections = tuple(TimedSection(position, at) for position, at in zip(places, timed, strict=True))
        for at in here:
            out[at] = replace(stops[at], cue=replace(cue, sections=sections))
    return out


@cache
def cues(players: int) -> st.SearchStrategy[CueCall | None]:
    """What a song tells a player, if there is one and it tells it anything."""
    return st.one_of(st.none(), cue_calls(players)) if players else st.none()


@cache
def told(messages: int) -> st.SearchStrategy[tuple[int, ...]]:
    """Which of so many messages go out at a stop."""
    return st.lists(st.integers(0, messages - 1), max_size=2).map(tuple) if messages else st.just(())


CEILINGS = st.one_of(st.sampled_from((0, -600, 600)), st.integers(-5_000, 1_500))

STORED = st.one_of(st.none(), st.none(), st.integers(0, 99))

PLAYERS = [st.builds(Player, name=st.just(f"player {at}"), **CAN) for at in range(2)]

ANSWERS = st.one_of(st.just(Answers()), st.builds(Answers, each=BOOL, all=BOOL, reports=BOOL, echoes=BOOL))

WHOLE_GRIDS = st.one_of(st.none(), grids())


@st.composite
def plans(draw: st.DrawFn, *, link: Link | None = None, max_stops: int = 8) -> Plan:
    """A small night: 1 to 4 listeners, 1 to 6 inputs, 1 to 8 stops."""
    listeners, inputs = draw(st.integers(1, 4)), draw(st.integers(1, 6))
    sends = listeners * (inputs + 1)
    grid, whole_grid = draw(grids()), draw(WHOLE_GRIDS)
    ceilings = []
    for send in range(sends):
        ceiling = draw(CEILINGS)
        used = whole_grid if send % (inputs + 1) == inputs else grid
        # A desk that cannot say `off` and cannot go as low as a ceiling is refused before the night.
        ceilings.append(ceiling if used is None or used.has_off else max(ceiling, used.steps[0]))
    players, messages = draw(st.integers(0, 2)), draw(st.integers(0, 2))
    base = tuple(draw(st.lists(MAYBE_LEVELS, min_size=sends, max_size=sends)))
    stops = [Stop(song=-1, section=-1, name="base", levels=base, fade_ns=draw(FADES))]
    for at in range(1, draw(st.integers(1, max_stops))):
        last = stops[-1]
        stays = last.song >= 0 and draw(st.booleans())
        stops.append(
            Stop(
                song=last.song + (not stays),
                section=last.section + 1 if stays else -1,
                name=f"stop {at}",
                levels=layered(base, draw(layers(sends))),
                fade_ns=draw(FADES),
                cue=last.cue if stays else draw(cues(players)),
                messages=draw(told(messages)),
                stored=draw(STORED),
            )
        )
    stops = draw(with_sections(stops))
    scenes = tuple(
        Scene(name=f"scene {at}", layer=draw(layers(sends)), fade_ns=draw(FADES))
        for at in range(draw(st.integers(0, 2)))
    )
    groups = draw(st.lists(st.sets(st.integers(0, inputs - 1), min_size=1), max_size=2))
    sizes = Sizes(
        listeners=listeners,
        columns=inputs + 1,
        stops=len(stops),
        scenes=len(scenes),
        messages=messages,
        groups=len(groups),
    )
    own = st.one_of(st.none(), st.integers(0, inputs - 1), st.integers(0, inputs - 1))
    player = st.integers(0, listeners - 1)
    whose_pedal = st.one_of(st.none(), player, player, player)
    pedals = tuple(draw(feet(sizes, f"pedal {at}", draw(whose_pedal))) for at in range(draw(st.integers(1, 3))))
    for at, stop in enumerate(stops):
        over = draw(instead(sizes, pedals[0].controls))
        does = {(0, one): overridden(pedals[0].controls[one].does, does) for one, does in over.items()}
        stops[at] = replace(stop, does=does)
    return Plan(
        inputs=tuple(f"input {at}" for at in range(inputs)),
        listeners=tuple(f"listener {at}" for at in range(listeners)),
        own=tuple(draw(own) for _ in range(listeners)),
        ceilings=tuple(ceilings),
        grid=grid,
        whole_grid=whole_grid,
        stops=tuple(stops),
        scenes=scenes,
        pedals=pedals,
        players=tuple(draw(one) for one in PLAYERS[:players]),
        devices=("lamp",) if messages else (),
        messages=tuple(Message(device=0, name=f"message {at}") for at in range(messages)),
        link=link or draw(st.sampled_from(LINKS)),
        answers=draw(ANSWERS),
        limits=Limits(
            nudge_floor=draw(st.sampled_from((-4_000, -6_000, -2_000))),
            nudge_up=draw(st.sampled_from((1_200, 600, 0))),
            rise=draw(st.sampled_from((None, None, 300, 5_000))),
            room=draw(st.sampled_from((600, 2_000, 0))),
            gentle_ns=draw(st.sampled_from((0, 3_000))) * MS,
        ),
        mix_ceilings=draw(mix_ceilings(listeners, inputs, grid, whole_grid)),
        groups=tuple(Group(name=f"group {at}", columns=tuple(sorted(some))) for at, some in enumerate(groups)),
    )


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

GAPS = st.one_of(
    st.sampled_from([ms * MS for ms in (0, 0, 1, 20, 50, 100, 250, 299, 300, 301, 600, 1_000)]),
    st.integers(0, 700 * MS),
)


@st.composite
def of_players(draw: st.DrawFn, plan: Plan) -> Event:
    """Something that a track player does or says."""
    player = draw(st.integers(0, len(plan.players) - 1))
    if draw(st.booleans()):
        return PlayerSaid(player=player, position=draw(POSITIONS), runs=draw(st.booleans()))
    others: tuple[Event, ...] = (
        PlayerCame(player=player),
        PlayerWent(player=player),
        PlayerEnded(player=player, song=draw(st.integers(0, 3))),
        PlayerFailed(player=player, song=draw(st.integers(0, 3))),
    )
    return draw(st.sampled_from(others))


@st.composite
def happenings(draw: st.DrawFn, plan: Plan) -> Event:
    """One thing that happens. Feet are the most frequent."""
    pedal = draw(st.integers(0, len(plan.pedals) - 1))
    kind = draw(st.integers(0, 23 if plan.answers.reads or plan.answers.reports else 21))
    if plan.players and draw(st.integers(0, 4)) == 0:
        return draw(of_players(plan))
    if kind < 11:
        control = draw(st.integers(0, len(plan.pedals[pedal].controls) - 1))
        top = plan.pedals[pedal].controls[control].top
        value = draw(st.one_of(st.sampled_from((0, top, 0, top, top + 1, -1)), st.integers(0, top)))
        return Moved(pedal=pedal, control=control, value=value)
    if kind < 15:
        who, listener = draw(st.sampled_from((("the terminal", None), ("ada", 0), ("ada", 0))))
        return Wanted(action=draw(actions(sizes_of(plan))), who=who, listener=listener)
    if kind >= 22:
        send = draw(st.integers(0, len(plan.ceilings) - 1))
        return DeskSaid(send=send, level=draw(LEVELS))
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


@dataclass(frozen=True, kw_only=True)
class Night:
    """A plan, and what happens when."""

    plan: Plan
    events: tuple[Timed, ...] = field(repr=True)

    @property
    def ends(self) -> int:
        """The time of the last event, ns."""
        return self.events[-1][0] if self.events else 0


@st.composite
def nights(draw: st.DrawFn, max_events: int = 25) -> Night:
    """A night by chance; most begin with the desk there and the base scene told to it, and with the pedals there."""
    plan = draw(plans())
    events: list[Timed] = []
    if draw(st.integers(0, 3)):
        events += [(0, DeskCame()), (0, wish(GoTo(stop=0), who="the terminal", listener=None))]
    if draw(st.integers(0, 3)):
        pedals = range(len(plan.pedals))
        events += [(0, kind(pedal=pedal)) for pedal in pedals for kind in (PedalCame, LampsCame)]
    if draw(st.integers(0, 3)):
        events += [(0, PlayerCame(player=player)) for player in range(len(plan.players))]
    now = 0
    # A size of its own: lists by chance alone are mostly too short for anything to go wrong in.
    size = draw(st.integers(0, max_events))
    for gap, event in draw(st.lists(st.tuples(GAPS, happenings(plan)), min_size=size, max_size=size)):
        now += gap
        events.append((now, event))
    return Night(plan=plan, events=tuple(events))


def with_wakes(events: Sequence[Timed], wakes: Iterable[int]) -> list[Timed]:
    """The events with wake-ups put in at these times, each before what happens at the same time."""
    extra: list[Timed] = [(at, Wake()) for at in wakes]
    return sorted([*extra, *events], key=lambda timed: timed[0])
