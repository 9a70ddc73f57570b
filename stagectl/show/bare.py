"""A level that stands bare where a mix is needed: `levels: {own: up 2}` does not say whose mix that is, and
`levels: {singer: up 2}` not which of its levels.

The rig need not be readable yet: whose names there are, the base says.
"""

from __future__ import annotations

from stagectl.show.decibels import LayerText
from stagectl.show.names import EVERYONE, OWN
from stagectl.show.values import plain
from stagectl.show.yamltext import Path, Text, shown


def bare_change(text: Text, place: Path) -> str | None:
    """What is wrong at a place of a setlist where a bare level stands for a mix; None where none does."""
    if not _is_of_mixes(place[:-1]):
        return None
    key, typed = str(place[-1]), plain(text.at(place))
    try:
        LayerText().parse(typed)
    except ValueError:
        return None
    base = text.at(("base",))
    names = [name for name, mix in base.items() if isinstance(mix, dict)] if isinstance(base, dict) else []
    line = shown(f"{key}: {typed}")
    if key == EVERYONE or key in (base if names and place[0] == "base" else names):
        return (
            f"`{line}` does not say which level: put its input between them, as in `{shown(key)}: {{{OWN}: {typed}}}`"
        )
    whose = shown(next(iter(names), "NAME"))
    return f"`{line}` does not say whose mix it is for: put it under a name, as in `{whose}: {{{line}}}`"


def _is_of_mixes(place: Path) -> bool:
    """Whether listeners' mixes stand at a place of a setlist: the base, a venue, the `levels` of a scene or song."""
    return place == ("base",) or place[-1:] == ("levels",) or (place[:1] == ("venues",) and len(place) == 2)
