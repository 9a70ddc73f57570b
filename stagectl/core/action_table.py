"""How actions are written in a file: one table.

The table `ACTIONS` is the only list of actions. The models of the mapping file, the checks of its references, the JSON
Schema, the help and the compiled actions are all made from it. An action is written as its word alone (`next`), or as a
mapping whose first key is the word and whose value is the main field (`{nudge: own, by: +1}`).

`make` turns the fields, resolved from names to indices, into the frozen value that the core acts on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import Any, Final, NamedTuple

from stagectl.core.actions import (
    NUDGE_STEP_MAX,
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
from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN


class Kind(Enum):
    """What a field of an action holds, and so what its text is checked against."""

    CHANGE = "a change in dB"
    COLUMN = "`own`, `whole mix` or an input of the rig"
    COLUMNS = "`own`, `whole mix`, an input or a group of the rig"
    LISTENER = "a listener of the rig"
    SONG = "a song of the setlist"
    SECTION = "a section of that song"
    SCENE = "a scene of the setlist"
    MESSAGE = "a message, by its device and name"
    DEVICE = "a device of the rig"
    LAYER = "a layer of this mapping"
    CHOICE = "one of a few words"


class Field(NamedTuple):
    """One field of an action. `low` and `high` bound a CHANGE, in hundredths of a dB."""

    name: str
    kind: Kind
    help: str
    required: bool = False
    low: int = LEVEL_MIN
    high: int = LEVEL_MAX
    choices: tuple[str, ...] = ()


class Spec(NamedTuple):
    """One row of the table. `main`: the field that the word's own value fills. `continuous`: the action
    belongs to `turn`, and only there."""

    word: str
    help: str
    make: Callable[[Mapping[str, Any]], Action]
    main: str | None = None
    fields: tuple[Field, ...] = ()
    continuous: bool = False


_COLUMN = Field(name="input", kind=Kind.COLUMN, required=True, help="whose level moves: own, whole mix, or an input")
_COLUMNS = Field(
    name="input",
    kind=Kind.COLUMNS,
    required=True,
    help="whose level moves: own, whole mix, an input, or a group of inputs",
)
_LISTENER = Field(name="listener", kind=Kind.LISTENER, help="whose mix; the pedal's own listener where left out")


def _change(name: str, help_: str) -> Field:
    return Field(name=name, kind=Kind.CHANGE, required=True, help=help_, low=-NUDGE_STEP_MAX, high=NUDGE_STEP_MAX)


_LASTS = Field(
    name="lasts",
    kind=Kind.CHOICE,
    choices=("night", "song", "section"),
    help="how long it holds; the night where left out",
)


MAKES_ROOM: Final = "makes room"
"""What the rest of a mix does for a nudge that asks for it."""


def _lasts(fields: Mapping[str, Any]) -> Lasts:
    return Lasts[(fields.get("lasts") or "night").upper()]


ACTIONS: Final[Mapping[str, Spec]] = {
    spec.word: spec
    for spec in (
        Spec(word=Next.word, help="go one stop on: next section or song", make=lambda _: Next()),
        Spec(word=Back.word, help="go one stop back", make=lambda _: Back()),
        Spec(
            word=GoTo.word,
            help="go to a song, or to a section of it",
            main="song",
            fields=(
                Field(name="song", kind=Kind.SONG, required=True, help="the song"),
                Field(name="section", kind=Kind.SECTION, help="a section of it"),
            ),
            # A section is found within its song, so the resolved section, where given, is the stop.
            make=lambda f: GoTo(stop=f["song"] if f.get("section") is None else f["section"]),
        ),
        Spec(
            word=Recall.word,
            help="assert the present scene whole, or lay a named scene over it until the next stop",
            main="scene",
            fields=(Field(name="scene", kind=Kind.SCENE, help="a scene named in the setlist"),),
            make=lambda f: Recall(scene=f.get("scene")),
        ),
        Spec(
            word=FallBack.word,
            help="go gently to the base scene with everyone's nudges cleared; the song stays",
            make=lambda _: FallBack(),
        ),
        Spec(
            word=Nudge.word,
            help="move one level of a listener's mix, or a group of them, by so many dB",
            main="input",
            fields=(
                _COLUMNS,
                _change("by", "by how many dB, up or down"),
                _LISTENER,
                _LASTS,
                Field(
                    name="rest",
                    kind=Kind.CHOICE,
                    choices=("stays", MAKES_ROOM),
                    help="whether the rest of the mix comes down, so that the sum stays; it stays where left out",
                ),
            ),
            make=lambda f: Nudge(
                column=f["input"],
                by=f["by"],
                listener=f.get("listener"),
                lasts=_lasts(f),
                room=f.get("rest") == MAKES_ROOM,
            ),
        ),
        Spec(
            word=NudgeRest.word,
            help="move every input of a listener's mix but this one, or this group, by so many dB",
            main="input",
            fields=(
                _COLUMNS._replace(help="what stays where it is: own, an input, or a group of inputs"),
                _change("by", "by how many dB, up or down"),
                _LISTENER,
                _LASTS,
            ),
            make=lambda f: NudgeRest(column=f["input"], by=f["by"], listener=f.get("listener"), lasts=_lasts(f)),
        ),
        Spec(
            word=Ride.word,
            help="a treadle or knob shifts one level within a range of dB",
            main="input",
            continuous=True,
            fields=(
                _COLUMN,
                _change("from", "the shift at the bottom of the travel"),
                _change("to", "the shift at the top of the travel"),
                _LISTENER,
            ),
            make=lambda f: Ride(column=f["input"], low=f["from"], high=f["to"], listener=f.get("listener")),
        ),
        Spec(
            word=ClearNudges.word,
            help="take back the nudges of the pedal's listener, or everyone's",
            main="whose",
            fields=(Field(name="whose", kind=Kind.CHOICE, choices=("mine", "everyone"), help="whose nudges"),),
            make=lambda f: ClearNudges(everyone=f.get("whose") == "everyone"),
        ),
        Spec(
            word=Hush.word,
            help="take the mix of the pedal's listener, or everyone's, far down at once; again: gently back",
            main="whose",
            fields=(Field(name="whose", kind=Kind.CHOICE, choices=("mine", "everyone"), help="whose mix"),),
            make=lambda f: Hush(everyone=f.get("whose") == "everyone"),
        ),
        Spec(
            word=Undo.word,
            help="take back the last change from this foot that still stands",
            make=lambda _: Undo(),
        ),
        Spec(
            word=StartCue.word,
            help="start the song's track",
            main="from",
            fields=(
                Field(
                    name="from",
                    kind=Kind.CHOICE,
                    choices=("beginning", "here"),
                    help="`here`: where the present section begins in the track; the beginning where left out",
                ),
            ),
            make=lambda f: StartCue(here=f.get("from") == "here"),
        ),
        Spec(word=PauseCue.word, help="pause the song's track, and go on with it", make=lambda _: PauseCue()),
        Spec(word=StopCue.word, help="stop the song's track", make=lambda _: StopCue()),
        Spec(
            word=Tell.word,
            help="send a device one of its messages",
            main="message",
            fields=(
                Field(name="message", kind=Kind.MESSAGE, required=True, help="the message's name"),
                Field(name="device", kind=Kind.DEVICE, required=True, help="the device that gets it"),
            ),
            make=lambda f: Tell(message=f["message"]),
        ),
        Spec(
            word=SwitchLayer.word,
            help="lay a layer of this mapping over it, or take it off again",
            main="name",
            fields=(Field(name="name", kind=Kind.LAYER, help="the layer; whatever lies there goes where left out"),),
            make=lambda f: SwitchLayer(layer=f.get("name")),
        ),
        Spec(
            word=Nothing.word,
            help="do nothing, where a song or a layer takes a gesture away",
            make=lambda _: Nothing(),
        ),
    )
}
