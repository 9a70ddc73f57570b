"""What the feet do, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeAlias

from stagectl.core.levels import Level, change_text, text
from stagectl.show.gestures import ActionModel

Apart: TypeAlias = Callable[[str], str]
"""How a name is set apart from the sentence around it."""

_FIELDS: Final[Mapping[str, Callable[[Any, Apart], str]]] = {
    "by": lambda by, _: f" {change_text(by)} dB",
    "from": lambda low, _: f" from {change_text(low)}",
    "to": lambda high, _: f" to {change_text(high)} dB",
    "listener": lambda name, apart: f" in the mix of {apart(name)}",
    "lasts": lambda how, _: "" if how == "night" else f", for the {how}",
    "rest": lambda how, _: f", the rest {how}",
    "section": lambda name, apart: f", {apart(name)}",
    "device": lambda name, apart: f" to {apart(name)}",
}
"""What a field of an action says, by its name; the main field is said as it is."""


def action_words(action: ActionModel, apart: Apart = str) -> str:
    """An action: `nudge click +1 dB`, `ride own from -6 to +3 dB`, `go to Encore, out`, `hush everyone`."""
    words, spec = action.spec.word, action.spec
    for field in spec.fields:
        value = action.fields()[field.name]
        if value is not None:
            words += f" {apart(str(value))}" if field.name == spec.main else _FIELDS[field.name](value, apart)
    return words


def short(level: Level | None) -> str:
    """A level without its unit: `-6`, `off`; nothing where there is none."""
    return "" if level is None else text(level).removesuffix(" dB")
