"""What is left of a file when its faulty parts are cut out, so that the rest is still checked against the other files.

Without it one wrong number would hide every misspelt name until it is mended. What was cut out could be what another
name means, so a fault that names any of it is not told (`hides`). It is the same with a name that two entries have,
or that has a meaning of its own (`unsure`), and with a key that stands twice (`again`): what one of them was to be
called is not known.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from itertools import chain
from typing import Any, Final, Generic, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

from stagectl.errors import Fault
from stagectl.show.faults import keys_at, written
from stagectl.show.names import WHOLE
from stagectl.show.values import plain
from stagectl.show.yamltext import DEPTH_MAX, Path, Text, place_of

ModelT = TypeVar("ModelT", bound=BaseModel)
SaidT = TypeVar("SaidT")

STAND_INS: Final[dict[str, Any]] = {"title": "?", "rig": "?", "desk": {"profile": "?", "port": "?"}, "base": {}}
"""For parts of a whole file that cannot be left out."""

_NAMED: Final[Mapping[str, tuple[str, ...]]] = {
    "inputs": ("an input of", "an input or a group of"),
    "groups": ("an input or a group of",),
    "listeners": ("listener",),
    "pedals": ("a pedal of",),
    "players": ("a track player of",),
    "devices": ("a device of",),
    "songs": ("a song of",),
    "sections": ("no section",),
}
"""What is named elsewhere, by the key that it stands under, and what the faults of such names say. Where an entry
without a sound name was lost, any name may be its name."""

_KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "base": ("the base says nothing", "the base sets no"),
    "venues": ("a venue of",),
    "scenes": ("a scene of",),
    "controls": ("a control of", "no control "),
    "layers": ("a layer of",),
}
"""The same of what is named by its key."""

_HANGS_ON: Final = {
    "base": "nobody has a mix",
    "ceilings": "ceiling",
    **dict.fromkeys(("phantom", "other phantom", "split"), "phantom power"),
}
"""Parts without which nothing is sure of something else, and what the faults of that say."""

_IN_TICKS: Final = "`([^`]*)`"


class Rest(NamedTuple, Generic[ModelT]):
    """What is left of what was written (None where nothing sound is), and every text that was cut out. `text` has the
    lines of what is left."""

    model: ModelT | None
    written: Text
    text: Text
    lost: frozenset[str] = frozenset()


def unsure(key: str, name: str) -> frozenset[str]:
    """What is lost where a name under a key such as `inputs` is one that something else has."""
    return frozenset((name, *_NAMED[key]))


def again(path: Path) -> frozenset[str]:
    """What is lost where a key stands twice: one of the two may have been meant to be any other one beside it."""
    return frozenset(phrase for part in path[-2:] for phrase in {**_NAMED, **_KEYS}.get(str(part), ()))


def hides(lost: AbstractSet[str], fault: Fault) -> bool:
    """Could what was lost be the reason for this fault?"""
    known = (*chain.from_iterable((*_NAMED.values(), *_KEYS.values())), *_HANGS_ON.values())
    phrases = {phrase for phrase in known if phrase in fault.text}
    return not lost.isdisjoint(phrases.union(re.findall(_IN_TICKS, fault.text)))


def salvage(model: type[ModelT], text: Text, error: ValidationError) -> Rest[ModelT]:
    """The rest of a file whose data do not make a model. Each round cuts out what the model refuses; what then lacks
    a part is refused in the next, so a round reaches one level further up."""
    before, text = text, Text(_own_copy(text.data), dict(text.lines), [], text.unsure)
    lost: set[str] = set()
    for _ in range(DEPTH_MAX):
        places = set(_places(text.data))
        errors = error.errors(include_url=False)
        cuts = {place_of(written(model, tuple(one["loc"])), places.__contains__) for one in errors}
        if () in cuts:
            missing = [str(one["loc"][0]) for one in errors if one["type"] == "missing" and len(one["loc"]) == 1]
            if not missing or not STAND_INS.keys() >= set(missing):
                break
            text.data.update({key: _own_copy(STAND_INS[key]) for key in missing})
            lost.update(*(_texts((key,), None) for key in missing))
            cuts.discard(())
        for one in errors:
            if one["type"] == "extra_forbidden":
                # The unknown key was meant to be one of the known ones.
                lost.update(keys_at(model, tuple(one["loc"])[:-1]))
        lost |= _cut(text.data, cuts)
        text = Text(text.data, _moved(text.lines, cuts), [], _moved(text.unsure, cuts))
        try:
            return Rest(model=model.model_validate(text.data), written=before, text=text, lost=frozenset(lost))
        except ValidationError as another:
            error = another
    return Rest(model=None, written=before, text=text, lost=frozenset(lost))


def _own_copy(data: Any) -> Any:
    """The data with nothing shared: an alias may stand for the same list or mapping in several places."""
    if isinstance(data, dict):
        return {key: _own_copy(value) for key, value in data.items()}
    return [_own_copy(value) for value in data] if isinstance(data, list) else data


def _places(data: Any, here: Path = ()) -> Iterator[Path]:
    yield here
    items: Any = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield from _places(value, (*here, key))


def _cut(data: Any, cuts: set[Path]) -> set[str]:
    """Cut the places out, the last ones first so that the others stay where they are; the texts that are lost."""
    lost: set[str] = set()
    for path in sorted(cuts, key=lambda path: [(isinstance(part, int), part) for part in path], reverse=True):
        inside = data
        for part in path[:-1]:
            inside = inside[part]
        lost |= _texts(path, inside.pop(path[-1]))
    return lost


def _texts(path: Path, value: Any) -> set[str]:
    """What a cut takes away. One change of a layer takes nothing away that is named elsewhere, but for the whole mix,
    which a later layer may shift."""
    if (len(path) > 2 and path[-3] in ("base", "levels")) or (path[0] == "venues" and len(path) == 4):
        return {str(path[-1])} & {WHOLE}
    lost = {str(path[-1]), *_leaves(value), *(_HANGS_ON[str(part)] for part in path if part in _HANGS_ON)}
    named = plain(value.get("name")) if isinstance(value, dict) else ""
    nameless = len(path) > 1 and isinstance(path[-1], int) and not named
    return lost | {*_NAMED.get(str(path[-2]), ())} if nameless else lost


def _leaves(value: Any) -> Iterator[str]:
    """Every text in a value, keys too."""
    if isinstance(value, str):
        yield value.strip()
    elif isinstance(value, dict):
        yield from value
        yield from _leaves(list(value.values()))
    elif isinstance(value, list):
        for one in value:
            yield from _leaves(one)


def _moved(said: Mapping[Path, SaidT], cuts: set[Path]) -> dict[Path, SaidT]:
    """What is said of places, by those after the cuts: what stood behind a cut entry of a list moves up."""
    gone: dict[Path, list[int]] = {}
    for cut in cuts:
        if isinstance(cut[-1], int):
            gone.setdefault(cut[:-1], []).append(cut[-1])
    if not gone:
        return dict(said)
    out: dict[Path, SaidT] = {}
    for path, one in said.items():
        if not any(path[:at] in cuts for at in range(1, len(path) + 1)):
            out[tuple(_new_part(path, at, gone) for at in range(len(path)))] = one
    return out


def _new_part(path: Path, at: int, gone: dict[Path, list[int]]) -> str | int:
    part = path[at]
    return part - sum(cut < part for cut in gone.get(path[:at], ())) if isinstance(part, int) else part
