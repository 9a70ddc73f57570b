"""The scene map as a board of the page: a row says only where its level changes.

A set of 60 songs with 16 mixes of 32 inputs has some 150,000 levels, most of them those of the stop before; what is
left of them goes through the pipe, and to phones, in one line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from stagectl.sheet.scene_map import SceneMap

CHANGES_MAX: Final = 40_000
"""Changes of level that a board holds, about 500 kB; a map with more is left to paper."""


def map_board(scene: SceneMap, now_ms: int) -> dict[str, Any]:
    """The board `map`. `now_ms`: on the wall, ms since 1970. A map that is too big says so by its `too_big`, the number
    of its changes."""
    listeners: list[dict[str, Any]] = [
        {
            "name": one["name"],
            "own": one["own"],
            "rows": [{"input": row["input"], "runs": runs(row["levels"])} for row in one["rows"]],
        }
        for one in scene["listeners"]
    ]
    changes = sum(len(row["runs"]) for one in listeners for row in one["rows"])
    if changes + len(scene["jumps"]) > CHANGES_MAX:
        return {"now": now_ms, "too_big": changes + len(scene["jumps"])}
    return {
        "now": now_ms,
        "stops": scene["stops"],
        "listeners": listeners,
        "jumps": scene["jumps"],
        "jump": scene["jump"],
        "limit": scene["limit"],
    }


def runs(levels: Sequence[Any]) -> list[list[Any]]:
    """Where a row of levels changes: the index and the level from there on."""
    return [[at, level] for at, level in enumerate(levels) if at == 0 or level != levels[at - 1]]
