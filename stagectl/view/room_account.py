"""Why one level is what it is, as the page shows it: the account of `show/explain.py`."""

from __future__ import annotations

from typing import Any

from stagectl.core.levels import shown
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.errors import nearest
from stagectl.show.explain import Account
from stagectl.show.load import Show


class Accounts:
    """Accounts of the sends of a show, for a venue."""

    def __init__(self, show: Show, plan: Plan, venue: str | None) -> None:
        self.plan = plan
        self._account = Account(show, plan, venue)

    def board(self, listener: str, input_: str, state: State, now: int) -> dict[str, Any]:
        """The account of the send of an input in a listener's mix. Raises ValueError where there is none."""
        plan = self.plan
        inputs = [plan.column_name(column) for column in range(plan.width)]
        for name, what, names in ((listener, "listener", plan.listeners), (input_, "input", inputs)):
            if name not in names:
                raise ValueError(f"there is no {what} `{name}`{nearest(name, names)}")
        send = plan.send(plan.listeners.index(listener), inputs.index(input_))
        lines = [
            {
                "what": line.what,
                "did": line.did,
                "level": shown(line.level),
                "place": "" if line.file is None else _place(line.file, line.line),
            }
            for line in self._account.lines(send, state)
        ]
        return {"now": now, "listener": listener, "input": input_, "lines": lines}


def _place(file: str, line: int) -> str:
    name = file.replace("\\", "/").rpartition("/")[2]
    return f"{name}:{line}" if line else f"{name} leaves it out"
