"""Every row of the table of actions, from the file to the action that the core does."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_copies import RIG, Copy

from stagectl.core.action_table import ACTIONS, Kind
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
from stagectl.core.feet import Pedal
from stagectl.core.gestures import Gesture
from stagectl.show.compile import compile_show
from stagectl.show.gestures import action_model

EXAMPLES: list[tuple[str, Action]] = [
    ("next", Next()),
    ("{next: }", Next()),
    ("back", Back()),
    # Stops: 0 is the base, 1 and 2 the first song and its section, then 3; `half time` is the ninth.
    ("{go to: Slow Tram Home}", GoTo(stop=3)),
    ("{go to: Ten Past Never, section: half time}", GoTo(stop=8)),
    ("recall", Recall()),
    ("{recall: talking}", Recall(scene=0)),
    ("{nudge: own, by: +1}", Nudge(by=100)),
    (
        "{nudge: click, by: -1.5 dB, listener: bassist, lasts: song}",
        Nudge(by=-150, column=14, listener=2, lasts=Lasts.SONG),
    ),
    ("{nudge: whole mix, by: down 2, lasts: night}", Nudge(by=-200, column=16)),
    ("{nudge: own, by: +1, lasts: section}", Nudge(by=100, lasts=Lasts.SECTION)),
    ("{nudge: own, by: +1, rest: stays}", Nudge(by=100)),
    ("{nudge: own, by: +1, rest: makes room}", Nudge(by=100, room=True)),
    # Groups come after the inputs and the whole mix: `drums` is the first.
    ("{nudge: drums, by: +1}", Nudge(by=100, column=17)),
    ("{nudge rest: own, by: -2, listener: singer, lasts: night}", NudgeRest(by=-200, listener=0)),
    ("{nudge rest: vocals, by: -2, lasts: song}", NudgeRest(by=-200, column=18, lasts=Lasts.SONG)),
    ("{nudge rest: kick, by: -2, lasts: section}", NudgeRest(by=-200, column=0, lasts=Lasts.SECTION)),
    ("{ride: own, from: -6, to: +3}", Ride(low=-600, high=300)),
    ("{ride: kick, from: 3, to: -3, listener: singer}", Ride(low=300, high=-300, column=0, listener=0)),
    ("clear nudges", ClearNudges()),
    ("{clear nudges: mine}", ClearNudges()),
    ("{clear nudges: everyone}", ClearNudges(everyone=True)),
    ("hush", Hush()),
    ("{hush: mine}", Hush()),
    ("{hush: everyone}", Hush(everyone=True)),
    ("fall back", FallBack()),
    ("undo", Undo()),
    ("start cue", StartCue()),
    ("{start cue: beginning}", StartCue()),
    ("{start cue: here}", StartCue(here=True)),
    ("pause cue", PauseCue()),
    ("stop cue", StopCue()),
    ("{tell: organ, device: keys rig}", Tell(message=1)),
    ("layer", SwitchLayer()),
    ("{layer: loud}", SwitchLayer(layer=0)),
    ("nothing", Nothing()),
]


def _gesture(action: Action) -> Gesture:
    return Gesture.TURN if ACTIONS[action.word].continuous else Gesture.PRESS


@pytest.fixture(scope="module")
def pedal(tmp_path_factory: pytest.TempPathFactory) -> Pedal:
    """A pedal with a control for each example."""
    copy = Copy(tmp_path_factory.mktemp("actions"), "nine-songs")
    controls = "".join(
        f"  it {at}:\n    sends: {{control change: {at}}}\n    {_gesture(action).value}: {typed}\n"
        for at, (typed, action) in enumerate(EXAMPLES)
    )
    other = "  other: {sends: {control change: 81}, press: {layer: loud}}\n"
    layers = "layers: {loud: {other: {hold: undo}}}\n"
    copy.plant("two-switch.yaml", "", f"name: many controls\ncontrols:\n{controls}{other}{layers}")
    assert copy.faults() == []
    return compile_show(copy.show()).plan.pedals[0]


@pytest.mark.parametrize("at", range(len(EXAMPLES)), ids=[typed for typed, _ in EXAMPLES])
def test_an_action_of_a_file_is_the_core_s_action(at: int, pedal: Pedal) -> None:
    _, action = EXAMPLES[at]
    assert pedal.controls[at].name == f"it {at}"
    # A gesture of a switch that does nothing is none, and nothing waits for it.
    assert pedal.controls[at].does == ({} if action == Nothing() else {_gesture(action): action})


def test_every_action_and_every_field_has_an_example() -> None:
    words = {action.word for _, action in EXAMPLES}
    assert words == set(ACTIONS) == {action_model(word).spec.word for word in ACTIONS}
    for word, spec in ACTIONS.items():
        texts = [typed for typed, action in EXAMPLES if action.word == word]
        for field in spec.fields:
            key = word if field.name == spec.main else field.name
            assert any(f"{key}: " in typed for typed in texts), f"{word} has no example of {key}"
            for choice in field.choices:
                assert any(f"{key}: {choice}" in typed for typed in texts), f"{word} has no example of {choice}"


def test_the_words_of_fields_tell_what_is_allowed() -> None:
    assert all(field.choices for spec in ACTIONS.values() for field in spec.fields if field.kind is Kind.CHOICE)


@pytest.mark.parametrize("word", [word for word, spec in ACTIONS.items() if not spec.continuous and word != "nothing"])
def test_only_a_turn_rides(word: str, tmp_path: Path) -> None:
    typed = next(typed for typed, action in EXAMPLES if action.word == word)
    copy = Copy(tmp_path, "nine-songs")
    copy.plant("switch-and-treadle.yaml", "turn: {ride: own, from: -6, to: +3}", f"turn: {typed} #!")
    assert [(file, line) for file, line, _ in copy.faults()] == copy.all_marks()


def test_times_and_travel_of_a_control(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    copy.plant("two-switch.yaml", "    hold: undo", "    hold: undo\n    hold time: 800 ms\n    double time: 0.25")
    copy.plant(RIG, "mapping: switch-and-treadle", "mapping: program-switches")
    plan = compile_show(copy.show()).plan
    right = plan.pedals[0].controls[1]
    assert (right.timing.hold_ns, right.timing.double_ns) == (800_000_000, 250_000_000)
    assert (right.top, right.gives_release) == (127, True)
    assert [control.gives_release for control in plan.pedals[1].controls] == [False] * 4
    assert plan.pedals[0].listener == 1
