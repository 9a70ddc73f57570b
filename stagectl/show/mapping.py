"""The mapping file: what each control of a pedal sends, and what its gestures do."""

from collections.abc import Iterator
from typing import Annotated, Final, Self, TypeAlias

from pydantic import Field, field_validator, model_validator

from stagectl.core.contacts import BOUNCE_DEFAULT_NS, BOUNCE_MAX_NS
from stagectl.core.gestures import (
    DOUBLE_DEFAULT_NS,
    FASTEST_DEFAULT_NS,
    HOLD_DEFAULT_NS,
    REPEAT_DEFAULT_NS,
    TOGETHER_DEFAULT_NS,
    Gesture,
)
from stagectl.core.travel import CURVE_MAX, CURVE_MIN, DEAD_DEFAULT, DEAD_MAX, SMOOTH_MAX_NS
from stagectl.show.gestures import ActionModel, AnyAction, Choice, GesturesModel, Overrides, check_fits
from stagectl.show.hearing import AnyHear, HearNote, HearPitchBend
from stagectl.show.lamps import LAMPS_MAX, LampModel
from stagectl.show.values import Duration, FileModel, Flag, Name, Percent, Real
from stagectl.wire.midi import BEND_HIGH, BEND_LOW

PAIRS_MAX: Final = 32
"""Pairs of one pedal."""

LAYERS_MAX: Final = 16
"""Layers of one mapping."""

JITTER_DEFAULT: Final = 1
"""Steps. A value that trembles between two neighbours would otherwise be told to the desk all night."""

Sent: TypeAlias = Annotated[float, Real(0, 1_000_000)]
"""A number that a control sends."""


class ControlModel(GesturesModel):
    """One control: what it sends, and what its gestures do.

    Of a switch: `threshold` (from there on it is down, or up where it `rests` closed), `says up` (no: every message
    that is down is a press), `bounce` (0 to 200 ms) and the lengths of its gestures. Of a treadle: `heel` and `toe`,
    its values at the ends; `dead zone`, percent of the travel at each end; `jitter`, how far a value may tremble;
    `curve`, an exponent; `smooth`, 0 to 20 ms. Threshold, heel, toe and jitter are in the numbers that the control
    sends.
    """

    sends: AnyHear = Field(description="what it sends")
    hold_time: Annotated[int, Duration(10)] = Field(HOLD_DEFAULT_NS, description="how long a hold is")
    double_time: Annotated[int, Duration(2)] = Field(
        DOUBLE_DEFAULT_NS, description="how soon the second press of a double press comes"
    )
    repeat_time: Annotated[int, Duration(10)] = Field(
        REPEAT_DEFAULT_NS, description="how long from the press to the first repeat"
    )
    repeat_fastest: Annotated[int, Duration(10)] = Field(
        FASTEST_DEFAULT_NS, description="the shortest gap between two repeats"
    )
    latching: Flag = Field(False, description="whether it clicks over and stays")
    says_up: Flag = Field(True, description="whether it says that it was let go")
    rests: Annotated[str, Choice(("open", "closed"))] = Field(
        "open", description="whether its contact rests `open` or `closed`"
    )
    threshold: Sent | None = Field(None, description="from this number on it is down")
    bounce: Annotated[int, Duration(BOUNCE_MAX_NS / 1e9)] = Field(
        BOUNCE_DEFAULT_NS, description="how long its contact may bounce"
    )
    heel: Sent | None = Field(None, description="the number that it sends at the heel")
    toe: Sent | None = Field(None, description="the number that it sends at the toe")
    dead_zone: Annotated[int, Percent(0, DEAD_MAX)] = Field(
        DEAD_DEFAULT, description="percent of the travel at each end that count as the end"
    )
    jitter: Sent | None = Field(None, description="how far its number may tremble")
    curve: Annotated[float, Real(CURVE_MIN / 100, CURVE_MAX / 100)] = Field(1.0, description="the exponent of its way")
    smooth: Annotated[int, Duration(SMOOTH_MAX_NS / 1e9)] = Field(0, description="over how long its way is smoothed")

    @model_validator(mode="after")
    def _turn_stands_alone(self) -> Self:
        others = [f"`{gesture.value}`" for gesture in self.gestures() if gesture is not Gesture.TURN]
        if self.turn is not None and others:
            raise ValueError(f"a control with `turn` has no other gestures; {', '.join(others)} stands here as well")
        return self

    @property
    def gives_release(self) -> bool:
        """Whether it says that it was let go, so that it is known how long a foot stays down."""
        return self.says_up and self.sends.gives_release

    def in_steps(self, sent: float) -> int:
        """A number that the control sends, in the steps from 0 to its `top` that the core counts in."""
        return round(sent / self.sends.sent_top * self.sends.top)

    @property
    def steps_of_threshold(self) -> int | None:
        """From which step on a switch is down, or up where it rests closed; None: the upper half. Unless the file says
        otherwise, a note is down however softly it is hit, and pitch bend well off its centre."""
        if self.threshold is not None:
            return self.in_steps(self.threshold)
        if isinstance(self.sends, HearPitchBend):
            return BEND_LOW if self.rests == "closed" else BEND_HIGH
        return 1 if isinstance(self.sends, HearNote) else None

    @property
    def steps_of_travel(self) -> tuple[int, int]:
        """Heel and toe in steps."""
        heel = 0 if self.heel is None else self.in_steps(self.heel)
        return heel, self.sends.top if self.toe is None else self.in_steps(self.toe)

    @property
    def steps_of_jitter(self) -> int:
        """The jitter in steps; one where nothing is said, which every treadle with a sound contact stays below."""
        return JITTER_DEFAULT if self.jitter is None else self.in_steps(self.jitter)


class PairModel(FileModel):
    """Two controls that do something when both are pressed within `time` of each other, 1 to 500 ms."""

    controls: list[Name] = Field(min_length=2, max_length=2, description="the two controls")
    press: AnyAction = Field(description="what pressing both does")
    time: Annotated[int, Duration(0.5)] = Field(TOGETHER_DEFAULT_NS, description="how far apart the two presses may be")

    @field_validator("press")
    @classmethod
    def _fits(cls, action: ActionModel) -> ActionModel:
        return check_fits(action, turned=False)


class MappingModel(FileModel):
    """A pedal: its controls by name, what pairs of them do together, and layers, each of which the feet can lay over it
    (`{layer: its name}`) and take off again."""

    name: Name = Field(description="the pedal")
    notes: str | None = Field(None, description="words for people")
    controls: dict[Name, ControlModel] = Field(min_length=1, max_length=64, description="its controls, by name")
    together: list[PairModel] = Field(
        default=[], max_length=PAIRS_MAX, description="what pairs of controls do together"
    )
    layers: dict[Name, Overrides] = Field(
        default={}, max_length=LAYERS_MAX, description="what controls do instead while a layer lies over them, by name"
    )
    lamps: list[LampModel] = Field(default=[], max_length=LAMPS_MAX, description="what it is told to show")

    def actions(self) -> Iterator[tuple[tuple[str | int, ...], str, ActionModel]]:
        """Every action: its place in the file, the control that it is of (of a pair the first), and itself."""
        for name, control in self.controls.items():
            for gesture, action in control.gestures().items():
                yield ("controls", name, gesture.value), name, action
        for at, pair in enumerate(self.together):
            yield ("together", at, "press"), pair.controls[0], pair.press
        for layer, overrides in self.layers.items():
            for name, over in overrides.items():
                for gesture, action in over.gestures().items():
                    yield ("layers", layer, name, gesture.value), name, action
