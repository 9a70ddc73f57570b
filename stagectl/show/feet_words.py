"""What the feet do, in words."""

from __future__ import annotations

from stagectl.core.action_table import Kind
from stagectl.core.levels import Level, text
from stagectl.show.gestures import ActionModel


def action_words(action: ActionModel) -> str:
    """An action as its author wrote it: `nudge click +1`, `ride fiddle from -6 to +3`, `go to Encore, section out`."""
    values, spec = action.fields(), action.spec
    words = spec.word
    for field in spec.fields:
        value = values[field.name]
        if value is None:
            continue
        if field.kind is Kind.CHANGE:
            said = short(value)
            words += f" {said}" if field.name == "by" else f" {field.name} {said}"
        else:
            words += f" {value}" if field.name == spec.main else f", {field.name} {value}"
    return words


def short(level: Level | None) -> str:
    """A level without its unit: `-6`, `off`; nothing where there is none."""
    return "" if level is None else text(level).removesuffix(" dB")
