"""From what pydantic says of a model to a sentence that a musician understands, with its line."""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from stagectl.errors import Fault, nearest
from stagectl.show.values import said
from stagectl.show.yamltext import Path, Text


def model_faults(error: ValidationError, model: type[BaseModel], text: Text, file: str) -> list[Fault]:
    """Every fault of one file, in the order of its lines, none said twice."""
    found = []
    for one in error.errors(include_url=False):
        path = tuple(one["loc"])
        found.append(Fault(file, text.line(path), _sentence(dict(one), path, model)))
    return sorted(dict.fromkeys(found), key=lambda fault: fault.line)


def _sentence(error: Mapping[str, Any], path: Path, model: type[BaseModel]) -> str:
    say = _SAY.get(error["type"])
    if say is not None:
        return say(error, path, model)
    message = str(error["msg"]).removeprefix("Value error, ")
    key = _key(path)
    return f"{key}: {message}" if key and error["type"] == "value_error" else message


def _key(path: Path) -> str:
    """The last key of the path that a person wrote."""
    return next((f"`{part}`" for part in reversed(path) if isinstance(part, str)), "")


def _missing(_: Mapping[str, Any], path: Path, __: type[BaseModel]) -> str:
    return f"`{path[-1]}` is missing here"


def _unknown(_: Mapping[str, Any], path: Path, model: type[BaseModel]) -> str:
    known = keys_at(model, path[:-1])
    return f"`{path[-1]}` is not known here{nearest(str(path[-1]), known)}"


def _literal(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
    expected = str(error["ctx"]["expected"]).replace("'", "`")
    return f"{_key(path)}: {said(error['input'])} is not {expected}"


def _tag(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
    expected = str(error["ctx"]["expected_tags"]).replace("'", "`")
    return f"{_key(path)}: `{error['ctx']['tag']}` is not one of {expected}"


def _no_tag(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
    return f"{_key(path)}: {str(error['ctx']['discriminator']).replace(chr(39), '`')} is missing here"


def _shape(what: str) -> Callable[[Mapping[str, Any], Path, type[BaseModel]], str]:
    def say(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
        return f"{_key(path) or 'the file'}: {said(error['input'])} stands where {what} is needed"

    return say


def _too_long(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
    return f"{_key(path)} has {error['ctx'].get('actual_length')} entries; at most {error['ctx']['max_length']}"


def _too_short(error: Mapping[str, Any], path: Path, _: type[BaseModel]) -> str:
    return f"{_key(path)} needs at least {error['ctx']['min_length']} entries"


_SAY: Final[Mapping[str, Callable[[Mapping[str, Any], Path, type[BaseModel]], str]]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "literal_error": _literal,
    "union_tag_invalid": _tag,
    "union_tag_not_found": _no_tag,
    "model_type": _shape("a mapping (lines of `key: value`)"),
    "model_attributes_type": _shape("a mapping (lines of `key: value`)"),
    "dict_type": _shape("a mapping (lines of `key: value`)"),
    "list_type": _shape("a list (lines that begin with `- `)"),
    "string_type": _shape("text"),
    "none_required": _shape("nothing more"),
    "too_long": _too_long,
    "too_short": _too_short,
}


def keys_at(model: type[BaseModel], path: Path) -> list[str]:
    """The keys that the model at a path of another model knows. Empty where there is no model."""
    found = _models(model, list(path))
    return [key for one in found for key in _keys(one)]


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _models(kind: Any, path: list[str | int]) -> list[type[BaseModel]]:
    """The models that a path leads to, unions and containers followed; parts that lead nowhere are a union's own."""
    origin = get_origin(kind)
    if origin is Annotated:
        return _models(get_args(kind)[0], path)
    if origin in (Union, types.UnionType):
        return _of_union(get_args(kind), path)
    if origin is list and path:
        return _models(get_args(kind)[0], path[1:] if isinstance(path[0], int) else path)
    if origin is dict and path:
        return _models(get_args(kind)[1], path[1:])
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return []
    if not path:
        return [kind]
    for name, field in kind.model_fields.items():
        if (field.alias or name) == path[0]:
            return _models(field.annotation, path[1:])
    return []


def _of_union(options: tuple[Any, ...], path: list[str | int]) -> list[type[BaseModel]]:
    """A union puts its own tag into the path: the option with that tag is the one that is meant."""
    for option in options:
        tags = [getattr(part, "tag", None) for part in get_args(option)[1:]]
        if path and path[0] in tags:
            return _models(option, path[1:])
        inner = get_args(option)[0] if get_origin(option) is Annotated else option
        if path and isinstance(inner, type) and issubclass(inner, BaseModel) and path[0] in _tags(inner):
            return _models(inner, path[1:])
    return [found for option in options for found in _models(option, path)]


def _tags(model: type[BaseModel]) -> list[Any]:
    """The values that a model's literal fields allow: the tags of a union told apart by such a field."""
    kinds = [field.annotation for field in model.model_fields.values()]
    return [value for kind in kinds if get_origin(kind) is Literal for value in get_args(kind)]
