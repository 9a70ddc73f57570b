"""The mapping file: what each control of a pedal sends, and what its gestures do.

The models of the actions are made from the core's table of actions, so that the file, its checks and its schema
know exactly the actions that the core does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Final, TypeAlias

from pydantic import (
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from stagectl.core.actions import ACTIONS, Kind, Spec
from stagectl.core.actions import Field as ActionField
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
from stagectl.errors import nearest
from stagectl.show.decibels import ChangeText
from stagectl.show.hearing import AnyHear, HearOsc
from stagectl.show.values import (
    NAME_MAX,
    Duration,
    FileModel,
    Flag,
    Name,
    NameText,
    OrElse,
    Real,
    Typed,
    Whole,
    plain,
    said,
)


@dataclass(frozen=True)
class Choice(Typed):
    """One of a few words."""

    words: tuple[str, ...]

    def parse(self, typed: Any) -> str:
        word = plain(typed)
        if word not in self.words:
            raise ValueError(f"{said(typed)} is not one of {', '.join(f'`{known}`' for known in self.words)}")
        return word

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}


class ActionModel(FileModel):
    """An action as it is written: `spec` is its row in the table."""

    spec: ClassVar[Spec]

    def fields(self) -> dict[str, Any]:
        """The parsed fields by name; those that were left out are None."""
        return {field.name: getattr(self, field.name) for field in self.spec.fields}


def _type_of(field: ActionField) -> Any:
    if field.kind is Kind.CHANGE:
        parser: Typed = ChangeText(field.low, field.high, can_be_zero=field.name != "by")
    elif field.kind is Kind.CHOICE:
        parser = Choice(field.choices)
    else:
        parser = NameText()
    return Annotated[Any, parser] if field.required else Annotated[Any, parser] | None


def _model_of(spec: Spec) -> type[ActionModel]:
    fields: dict[str, Any] = {}
    for field in spec.fields:
        alias = spec.word if field.name == spec.main else field.name
        # The main field is the key that tells the action, so it is always there, if only with nothing behind it.
        default = ... if field.required or field.name == spec.main else None
        fields[field.name] = (_type_of(field), Field(default, alias=alias, description=field.help))
    if spec.main is None:
        # The word itself stands as a key without a value.
        fields["word"] = (None, Field(..., alias=spec.word))
    name = "".join(part.title() for part in spec.word.split()) + "Action"
    model = create_model(name, __base__=ActionModel, __doc__=spec.help, **fields)
    model.spec = spec
    return model


ACTION_MODELS: Mapping[str, type[ActionModel]] = {word: _model_of(spec) for word, spec in ACTIONS.items()}


def _bare_word(typed: Any) -> Any:
    """`next` is short for `{next: }`."""
    if isinstance(typed, str):
        word = typed.strip()
        if word not in ACTIONS:
            raise ValueError(f"{said(word)} is not an action{nearest(word[:NAME_MAX], ACTIONS)}")
        needs = [
            word if field.name == ACTIONS[word].main else field.name for field in ACTIONS[word].fields if field.required
        ]
        if needs:
            raise ValueError(f"`{word}` needs more: write `{{{', '.join(f'{key}: …' for key in needs)}}}`")
        return {word: None}
    if not isinstance(typed, dict):
        raise ValueError(f"{said(typed)} stands where an action is needed, such as `next` or `{{nudge: own, by: +1}}`")
    if not any(word in typed for word in ACTIONS):
        if not typed:
            raise ValueError("a mapping without an action stands here")
        first = str(next(iter(typed)))
        raise ValueError(f"{said(first)} is not an action{nearest(first[:NAME_MAX], ACTIONS)}")
    return typed


def _word_of(typed: Any) -> str | None:
    if isinstance(typed, dict):
        return next((word for word in typed if word in ACTIONS), None)
    return typed.spec.word if isinstance(typed, ActionModel) else None


if TYPE_CHECKING:
    AnyAction: TypeAlias = ActionModel
else:
    AnyAction = Annotated[
        reduce(or_, (Annotated[model, Tag(word)] for word, model in ACTION_MODELS.items())),
        Discriminator(_word_of),
        BeforeValidator(_bare_word),
        OrElse(words=tuple(word for word, spec in ACTIONS.items() if not any(one.required for one in spec.fields))),
    ]


PAIRS_MAX: Final = 32
"""Pairs of one pedal."""

JITTER_DEFAULT: Final = 1
"""Steps. A value that trembles between two neighbours would otherwise be told to the desk all night."""

Sent: TypeAlias = Annotated[float, Real(0, 1_000_000)]
"""A number that a control sends."""


def _check_fits(action: ActionModel, *, turned: bool) -> ActionModel:
    """The action, if it is one for a switch, or for a treadle where it is `turned`. Raises ValueError if not."""
    if action.spec.continuous != turned:
        words = ", ".join(f"`{word}`" for word, spec in ACTIONS.items() if spec.continuous)
        needs = f"is for a switch; a turn does {words}" if turned else "is for `turn` only"
        raise ValueError(f"`{action.spec.word}` {needs}")
    return action


class ControlModel(FileModel):
    """One control: what it sends, and what its gestures do.

    Of a switch: `threshold` (from there on it is down, or up where it `rests` closed), `bounce` (0 to 200 ms) and the
    lengths of its gestures. Of a treadle: `heel` and `toe`, its values at the ends; `dead zone`, percent of the travel
    at each end; `jitter`, how far a value may tremble; `curve`, an exponent; `smooth`, 0 to 20 ms. Threshold, heel, toe
    and jitter are in the numbers that the control sends.
    """

    sends: AnyHear = Field(description="what it sends")
    press: AnyAction | None = Field(None, description="what a press does")
    release: AnyAction | None = Field(None, description="what letting go does")
    hold: AnyAction | None = Field(None, description="what holding it does")
    double_press: AnyAction | None = Field(None, description="what pressing it twice does")
    repeat: AnyAction | None = Field(None, description="what happens again and again while it is held")
    turn: AnyAction | None = Field(None, description="what turning it does")
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
    rests: Annotated[str, Choice(("open", "closed"))] = Field(
        "open", description="whether its contact rests `open` or `closed`"
    )
    threshold: Sent | None = Field(None, description="from this number on it is down")
    bounce: Annotated[int, Duration(BOUNCE_MAX_NS / 1e9)] = Field(
        BOUNCE_DEFAULT_NS, description="how long its contact may bounce"
    )
    heel: Sent | None = Field(None, description="the number that it sends at the heel")
    toe: Sent | None = Field(None, description="the number that it sends at the toe")
    dead_zone: Annotated[int, Whole(0, DEAD_MAX)] = Field(
        DEAD_DEFAULT, description="percent of the travel at each end that count as the end"
    )
    jitter: Sent | None = Field(None, description="how far its number may tremble")
    curve: Annotated[float, Real(CURVE_MIN / 100, CURVE_MAX / 100)] = Field(1.0, description="the exponent of its way")
    smooth: Annotated[int, Duration(SMOOTH_MAX_NS / 1e9)] = Field(0, description="over how long its way is smoothed")

    @field_validator("press", "release", "hold", "double_press", "repeat", "turn")
    @classmethod
    def _fits(cls, action: ActionModel | None, info: ValidationInfo) -> ActionModel | None:
        return None if action is None else _check_fits(action, turned=info.field_name == Gesture.TURN.value)

    @model_validator(mode="after")
    def _turn_stands_alone(self) -> ControlModel:
        others = [f"`{gesture.value}`" for gesture in self.gestures() if gesture is not Gesture.TURN]
        if self.turn is not None and others:
            raise ValueError(f"a control with `turn` has no other gestures; {', '.join(others)} stands here as well")
        return self

    def gestures(self) -> dict[Gesture, ActionModel]:
        """The gestures that are mapped."""
        found = {gesture: getattr(self, gesture.value.replace(" ", "_")) for gesture in Gesture}
        return {gesture: action for gesture, action in found.items() if action is not None}

    def in_steps(self, sent: float) -> int:
        """A number that the control sends, in the steps from 0 to its `top` that the core counts in."""
        if isinstance(self.sends, HearOsc):
            return round(sent / self.sends.argument_top * self.sends.top)
        return round(sent)

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
        return _check_fits(action, turned=False)


class MappingModel(FileModel):
    """A pedal: its controls by name, and what pairs of them do together."""

    name: Name = Field(description="the pedal")
    notes: str | None = Field(None, description="words for people")
    controls: dict[Name, ControlModel] = Field(min_length=1, max_length=64, description="its controls, by name")
    together: list[PairModel] = Field(
        default=[], max_length=PAIRS_MAX, description="what pairs of controls do together"
    )

    def actions(self) -> Iterator[tuple[tuple[str | int, ...], str, ActionModel]]:
        """Every action: its place in the file, the control that it is of (of a pair the first), and itself."""
        for name, control in self.controls.items():
            for gesture, action in control.gestures().items():
                yield ("controls", name, gesture.value), name, action
        for at, pair in enumerate(self.together):
            yield ("together", at, "press"), pair.controls[0], pair.press
