"""Actions and gestures as they are written in a file.

The models of the actions are made from the core's table of actions, so that the files, their checks and their schema
know exactly the actions that the core does.
"""

from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, TypeAlias

from pydantic import (
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    Tag,
    ValidationInfo,
    create_model,
    field_validator,
)
from pydantic_core import CoreSchema, core_schema

from stagectl.core.action_table import ACTIONS, Kind, Spec
from stagectl.core.action_table import Field as ActionField
from stagectl.core.actions import Nothing
from stagectl.core.gestures import Gesture
from stagectl.errors import nearest
from stagectl.show.decibels import ChangeText
from stagectl.show.values import NAME_MAX, FileModel, Name, NameText, OfKinds, OrElse, Typed, plain, said


class Choice(Typed, frozen=True):
    """One of a few words."""

    words: tuple[str, ...]

    def parse(self, typed: Any) -> str:
        word = plain(typed)
        if word not in self.words:
            from stagectl.show.meant import close

            known = ", ".join(f"`{known}`" for known in self.words)
            raise ValueError(f"{said(typed)} is not one of {known}{close(word, self.words)}")
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


@cache
def action_model(word: str) -> type[ActionModel]:
    """The model of an action, made when the first one of its kind is read: a show has few of them."""
    return _model_of(ACTIONS[word])


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


class _AnyAction(OfKinds):
    """An action of any kind, told by its word."""

    @classmethod
    def options(cls) -> list[Any]:
        return [Annotated[action_model(word), Tag(word)] for word in ACTIONS]

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        readers: dict[Any, CoreSchema] = {
            word: core_schema.no_info_plain_validator_function(_reader(word)) for word in ACTIONS
        }
        return core_schema.no_info_before_validator_function(
            _bare_word, core_schema.tagged_union_schema(readers, _word_of)
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        models = {word: _named(action_model(word)) for word in ACTIONS}
        return handler(core_schema.tagged_union_schema(models, _word_of))


def _reader(word: str) -> Callable[[Any], ActionModel]:
    return lambda typed: action_model(word).model_validate(typed)


def _named(model: type[ActionModel]) -> Any:
    """What is checked in a model, by its name: so it stands in a JSON Schema once."""
    return {**model.__pydantic_core_schema__, "ref": f"{model.__module__}.{model.__qualname__}:{id(model)}"}


if TYPE_CHECKING:
    AnyAction: TypeAlias = ActionModel
else:
    AnyAction = Annotated[
        _AnyAction,
        OrElse(words=tuple(word for word, spec in ACTIONS.items() if not any(one.required for one in spec.fields))),
    ]


def check_fits(action: ActionModel, *, turned: bool) -> ActionModel:
    """The action, if it is one for a switch, or for a treadle where it is `turned`. Raises ValueError if not."""
    if action.spec.word != Nothing.word and action.spec.continuous != turned:
        words = ", ".join(f"`{word}`" for word, spec in ACTIONS.items() if spec.continuous)
        needs = f"is for a switch; a turn does {words}" if turned else "is for `turn` only"
        raise ValueError(f"`{action.spec.word}` {needs}")
    return action


class GesturesModel(FileModel):
    """What the gestures of one control do."""

    press: AnyAction | None = Field(None, description="what a press does")
    release: AnyAction | None = Field(None, description="what letting go does")
    hold: AnyAction | None = Field(None, description="what holding it does")
    double_press: AnyAction | None = Field(None, description="what pressing it twice does")
    repeat: AnyAction | None = Field(None, description="what happens again and again while it is held")
    turn: AnyAction | None = Field(None, description="what turning it does")

    @field_validator("press", "release", "hold", "double_press", "repeat", "turn")
    @classmethod
    def _fits(cls, action: ActionModel | None, info: ValidationInfo) -> ActionModel | None:
        return None if action is None else check_fits(action, turned=info.field_name == Gesture.TURN.value)

    def gestures(self) -> dict[Gesture, ActionModel]:
        """The gestures that are mapped."""
        found = {gesture: getattr(self, gesture.value.replace(" ", "_")) for gesture in Gesture}
        return {gesture: action for gesture, action in found.items() if action is not None}


Overrides: TypeAlias = dict[Name, GesturesModel]
"""What some controls of a pedal do instead, by their names; gestures that are not named stay as they are."""
