"""What happens to a night from outside, as plain values: so that a history can be kept, cut down and played again."""

from __future__ import annotations

from typing import Any, NamedTuple


class Input(NamedTuple):
    """Something that happens at a time of the world, ns. `kind`: a row of `DO` in `happens.py`; `what`: its details,
    plain values."""

    at: int
    kind: str
    what: tuple[Any, ...] = ()

    def __str__(self) -> str:
        said = " ".join(map(str, self.what))
        return f"{self.at / 1e9:12.6f}  {self.kind}  {said}"


class Broken(SystemExit):
    """One of the rules does not hold. A kind of SystemExit, so that nothing on the stage can swallow it."""

    def __init__(self, rule: int, says: str) -> None:
        super().__init__(f"rule {rule}: {says}")
        self.rule = rule
        self.says = says


class Killed(SystemExit):
    """The process is killed in the middle of what it does. A kind of SystemExit, since those alone get through
    asyncio. `wall_ns`: the power fails with it, and so far off is the clock on the wall then, ns."""

    def __init__(self, says: str, wall_ns: int | None = None) -> None:
        super().__init__(says)
        self.wall_ns = wall_ns
