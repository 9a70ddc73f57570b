"""From what pydantic says of a model to a sentence that a musician understands, with its line."""

from __future__ import annotations

import re
import types
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Final, Literal, NamedTuple, TypeAlias, Union, get_args, get_origin

from pydantic import BaseModel, Tag, ValidationError

from stagectl.errors import Fault, closest, nearest
from stagectl.show.values import NAME_MAX, NEEDS_KIND, OfKinds, said
from stagectl.show.yamltext import Path, Text, shown

FAULTS_MAX: Final = 500
"""Faults that are told at once."""


def model_faults(error: ValidationError, model: type[BaseModel], text: Text, file: str) -> list[Fault]:
    """The faults of one file (at most one more than `FAULTS_MAX`), in the order of its lines, none said twice."""
    errors: list[Mapping[str, Any]] = [dict(one) for one in error.errors(include_url=False)[: FAULTS_MAX + 1]]
    places = [_place(model, one) for one in errors]
    slips = [_slip(text, path) for path in places]
    misspelt = {
        (path[:-1], slip.key if slip else _meant(one, model))
        for one, path, slip in zip(errors, places, slips, strict=True)
    }
    found = []
    for one, path, slip in zip(errors, places, slips, strict=True):
        if one["type"] != "missing" or (path[:-1], path[-1]) not in misspelt:
            says = slip.says if slip else _sentence(one, text, text.place(path), model)
            found.append(Fault(file, text.line(path), says))
    return sorted(dict.fromkeys(found), key=lambda fault: fault.line)


def _place(model: type[BaseModel], error: Mapping[str, Any]) -> Path:
    """Where an error is: where a mapping is told apart by a key, with that key."""
    path = written(model, tuple(error["loc"]))
    return (*path, str(error["ctx"]["discriminator"]).strip("'")) if error["type"] == "union_tag_invalid" else path


def _meant(error: Mapping[str, Any], model: type[BaseModel]) -> str | None:
    """The known key that an unknown one was meant to be: it is not also missing."""
    if error["type"] != "extra_forbidden":
        return None
    hint = re.search(_DID_YOU_MEAN, _unknown(error, "", model))
    return None if hint is None else hint[1]


_DID_YOU_MEAN: Final = "did you mean `(.*)`"


class _Slip(NamedTuple):
    """A slip of the pen that made another key of one, or none. `key`: the one that was meant."""

    key: str
    says: str


_DECIMALS: Final = r"[0-9]+( *dB)?"
_WHOLE: Final = r".*[0-9]"
_GLUED: Final = r"([^:]*[^:\s]):([^:\s].*)"


def _slip(text: Text, path: Path) -> _Slip | None:
    """`{guitar: up 3,5}` has the key `5`, and `{guitar:up 3}` the key `guitar:up 3`, with nothing behind them.
    `everyone {click: off}` has the key `everyone {click`."""
    inside, key = text.at(path[:-1]), path[-1] if path else 0
    if not isinstance(inside, dict) or not isinstance(key, str):
        return None
    from stagectl.show.slips import odd_space

    value = inside.get(key, "")
    odd = next((says for typed in (key, value) if isinstance(typed, str) and (says := odd_space(typed))), None)
    if odd is not None:
        return _Slip(key.strip().partition(":")[0], odd)
    if isinstance(value, str) and value.endswith("}"):
        before, brace, _ = key.partition(" {")
        says = f"`{shown(key)}`: a `: ` is missing before the `{{`; write `{shown(before)}: {{`"
        return _Slip(before, says) if brace else None
    if value is not None:
        return None
    if re.fullmatch(_DECIMALS, key, re.IGNORECASE):
        names = list(inside)
        before = names[names.index(key) - 1] if names[0] != key else ""
        value = inside.get(before)
        if isinstance(value, str) and re.fullmatch(_WHOLE, value):
            typed, meant = shown(f"{before}: {value},{key}"), shown(f"{value}.{key}")
            says = f"`{typed}`: a comma separates entries here; decimals are written with a point: `{meant}`"
            return _Slip(before, says)
    glued = re.fullmatch(_GLUED, key)
    if glued is not None:
        meant = shown(f"{glued[1]}: {glued[2]}")
        return _Slip(glued[1], f"`{shown(key)}`: a space is missing after the colon; write `{meant}`")
    return None


def _named(text: Text, place: Path) -> str | None:
    """The name of the entry of a list at a place, if it has one."""
    entry = text.at(place) if place and isinstance(place[-1], int) else None
    name = entry.get("name") if isinstance(entry, dict) else None
    return name if isinstance(name, str) else None


def _sentence(error: Mapping[str, Any], text: Text, place: Path, model: type[BaseModel]) -> str:
    if error["type"] == "dict_type":
        from stagectl.show.bare import bare_change

        bare = bare_change(text, place)
        if bare is not None:
            return bare
    parts = (_named(text, place), *reversed(place))
    key = next((f"`{shown(part)}`" for part in parts if isinstance(part, str)), "the file")
    say = _SAY.get(error["type"])
    if say is not None:
        return say(error, key, model)
    message = str(error["msg"]).removeprefix("Value error, ")
    return message if key == "the file" or error["loc"][-1:] == (_KEY,) else f"{key}: {message}"


Say: TypeAlias = Callable[[Mapping[str, Any], str, type[BaseModel]], str]
"""A sentence from pydantic's error, the last key of its place that a person wrote, and the model."""


def _missing(error: Mapping[str, Any], _: str, __: type[BaseModel]) -> str:
    return f"`{error['loc'][-1]}` is missing " + ("here" if len(error["loc"]) > 1 else "in this file")


def _unknown(error: Mapping[str, Any], _: str, model: type[BaseModel]) -> str:
    from stagectl.show.meant import KEY, VERY_ALIKE, meant

    *place, key = error["loc"]
    known = keys_at(model, tuple(place))
    name = str(key)[:NAME_MAX]
    other = meant(name, KEY, lambda word: word if word in known else None)
    if other:
        return f"{said(key)} is not a key here{other}"
    where = _elsewhere(name) if closest(name, known, VERY_ALIKE) is None else None
    if where is not None:
        return f"{said(key)} is not a key here, but one of {where}"
    if LEVELS in known and isinstance(error["input"], dict) and closest(name, known) is None:
        return f"{said(key)} is not a key here; changes of somebody's mix stand under `{LEVELS}`"
    return f"{said(key)} is not a key here{nearest(name, known)}"


LEVELS: Final = "levels"


def _elsewhere(key: str) -> str | None:
    """The kind of file that has a key, or the song where a section was taken for one."""
    from stagectl.show.schema import KINDS
    from stagectl.show.setlist import SongModel

    homes: tuple[tuple[str, type[BaseModel]], ...] = (
        *((f"the {kind}", model) for kind, model in KINDS.items()),
        ("a song", SongModel),
    )
    return next((where for where, model in homes if key in keys_at(model, ())), None)


def _literal(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    some = _ticks(error["ctx"]["expected"])
    return f"{key}: {said(error['input'])} is not {some}{_close(error['input'], some)}"


def _tag(error: Mapping[str, Any], _: str, __: type[BaseModel]) -> str:
    key, typed = _ticks(error["ctx"]["discriminator"]), error["input"]
    got = typed.get(key.strip("`")) if isinstance(typed, dict) else typed
    some = _ticks(error["ctx"]["expected_tags"])
    return f"{key}: {said(got)} is not one of {some}{_close(got, some)}"


def _no_tag(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    return f"{key}: {_ticks(error['ctx']['discriminator'])} is missing here"


def _no_kind(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    """A mapping that is told apart by its key has none of these keys, or is none."""
    typed, some = error["input"], str(error["msg"])
    words = re.findall(_IN_TICKS, some)
    if not isinstance(typed, dict):
        return f"{key}: {said(typed)} stands where a mapping with one of {some} is needed"
    hints = (nearest(str(name)[:NAME_MAX], words) for name in typed)
    hint = next((hint for hint in hints if re.search(_DID_YOU_MEAN, hint)), "")
    return f"{key}: one of {some} is needed here{hint}"


def _shape(what: str) -> Say:
    def say(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
        return f"{key}: {said(error['input'])} stands where {what} is needed"

    return say


def _no_value(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    return f"{key} takes no value, but {said(error['input'])} stands behind it"


def _too_long(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    return f"{key} has {error['ctx'].get('actual_length')} entries; at most {error['ctx']['max_length']} are allowed"


def _too_short(error: Mapping[str, Any], key: str, _: type[BaseModel]) -> str:
    has = error["ctx"]["actual_length"] or "no"
    least = error["ctx"]["min_length"]
    return (
        f"{key} has {has} {'entry' if has == 1 else 'entries'}; at least {least} {'is' if least == 1 else 'are'} needed"
    )


def _ticks(text: object) -> str:
    return str(text).replace("'", "`")


_IN_TICKS: Final = "`([^`]*)`"


def _close(typed: object, some: str) -> str:
    """Which of the words in ticks was probably meant, as a hint."""
    from stagectl.show.meant import close

    return close(typed, re.findall(_IN_TICKS, some))


_MAPPING: Final = _shape("a mapping (lines of `key: value`)")

_SAY: Final[Mapping[str, Say]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "literal_error": _literal,
    "union_tag_invalid": _tag,
    "union_tag_not_found": _no_tag,
    NEEDS_KIND: _no_kind,
    "model_type": _MAPPING,
    "model_attributes_type": _MAPPING,
    "dict_type": _MAPPING,
    "list_type": _shape("a list (lines that begin with `- `)"),
    "string_type": _shape("text"),
    "none_required": _no_value,
    "too_long": _too_long,
    "too_short": _too_short,
}


_KEY: Final = "[key]"
"""Ends pydantic's path where a key itself is at fault."""


def written(model: type[BaseModel], path: Path) -> Path:
    """A path of pydantic's without the parts that only tell which variant of a union was taken."""
    return _walk(model, path)[0]


def keys_at(model: type[BaseModel], path: Path) -> list[str]:
    """The keys that the model at a path of another model knows. Empty where there is no model."""
    return [field.alias or name for one in _walk(model, path)[1] for name, field in one.model_fields.items()]


def _walk(kind: Any, path: Path) -> tuple[Path, list[type[BaseModel]]]:
    """The path without its tags, and the models at its end. Unions and containers are followed."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _walk(inner[0], path)
    if origin in (Union, types.UnionType):
        return _walk_union([option for option in inner if option is not type(None)], path)
    if isinstance(kind, type) and issubclass(kind, OfKinds):
        return _walk_union(kind.options(), path)
    is_model = isinstance(kind, type) and issubclass(kind, BaseModel)
    if not path:
        return (), [kind] if is_model else []
    within = None
    if origin is list and isinstance(path[0], int):
        within = inner[0]
    elif origin is dict:
        within = inner[1]
    elif is_model:
        fields = {field.alias or name: field.annotation for name, field in kind.model_fields.items()}
        within = fields.get(str(path[0]))
    if within is None:
        return path, []
    rest, models = _walk(within, path[1:])
    return (path[0], *rest), models


def _walk_union(options: list[Any], path: Path) -> tuple[Path, list[type[BaseModel]]]:
    """A union puts its own tag into the path: the option with that tag is the one that is meant."""
    for option in options:
        if path and path[0] in _tags(option):
            return _walk(option, path[1:])
    walks = [_walk(option, path) for option in options]
    return min((rest for rest, _ in walks), key=len), [model for _, models in walks for model in models]


def _tags(option: Any) -> list[Any]:
    """The tags by which a union tells this option: its own, or the values of a literal field."""
    kind = get_args(option)[0] if get_origin(option) is Annotated else option
    fields = kind.model_fields.values() if isinstance(kind, type) and issubclass(kind, BaseModel) else ()
    literals = [
        value for field in fields if get_origin(field.annotation) is Literal for value in get_args(field.annotation)
    ]
    return [part.tag for part in get_args(option)[1:] if isinstance(part, Tag)] + literals
