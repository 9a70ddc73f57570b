"""The table of the rehearsal room: inputs down, listeners across, what each level is, what the last step has moved, and
which layer that was."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stagectl.core.levels import Level, shown
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.show.load import Show
from stagectl.story.rows import stop_names
from stagectl.view.room_step import Steps
from stagectl.view.room_why import Maker, Makers


class Table:
    """Boards of one show at one venue."""

    def __init__(self, show: Show, plan: Plan, venue: str | None) -> None:
        self.plan = plan
        self._makers = Makers(show, plan, venue)
        self._file = show.sources["setlist"].path.name
        self._head = {
            "show": show.setlist.title,
            "venue": venue,
            "inputs": [plan.column_name(column) for column in range(plan.width)],
            "listeners": list(plan.listeners),
            "has whole": plan.whole_grid is not None,
        }

    def board(self, state: State, steps: Steps, now: int) -> dict[str, Any]:
        """What feet and files have come to. `now`: the time on the wall, ms. `makers`: of each send, a place in
        `layers`; `moved`: the send, its level before and after, and a place in `layers`."""
        layers: dict[tuple[str, str, int], int] = {}

        def layer(maker: Maker) -> int:
            return layers.setdefault((maker.words, maker.short, maker.line), len(layers))

        moved = [
            [send, shown(one.before), shown(one.after), layer(self._makers.moved(send, state, one.who, one.cause))]
            for send, one in sorted(steps.moved.items())
        ]
        made = [layer(maker) for maker in self._makers.all(state)]
        return {
            "now": now,
            **self._head,
            "place": place_of(self.plan, state),
            "wanted": [shown(level) for level in state.wanted],
            "makers": made,
            "layers": [
                {"words": words, "short": short, "place": f"{self._file}:{line}" if line else ""}
                for words, short, line in layers
            ],
            "moved": moved,
            "last": None if steps.last is None else steps.last.plain(),
            "lines": list(steps.lines),
            "hushed": sorted(state.hushed),
            "held": sorted(state.held),
        }


def place_of(plan: Plan, state: State) -> dict[str, Any]:
    """Where the night is. `number`: of the song, from 1; 0 before the first."""
    song, section = stop_names(plan, state.place.stop)
    scene = state.place.scene
    return {
        "stop": state.place.stop,
        "number": plan.stops[state.place.stop].song + 1,
        "songs": plan.stops[-1].song + 1,
        "song": song,
        "section": section,
        "scene": None if scene is None else plan.scenes[scene].name,
        "base": state.place.base,
        "recalled": state.recalled,
    }


def desk_board(plan: Plan, level_of: Callable[[int], Level | None], now: int) -> dict[str, Any]:
    """Where the virtual desk stands now. `level_of`: the level of a send."""
    return {"now": now, "levels": [shown(level_of(send)) for send in range(len(plan.ceilings))]}
