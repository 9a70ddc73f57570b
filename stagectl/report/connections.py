"""One connection of the night: when it was here, and when it was gone."""

from __future__ import annotations

from typing import Final

from stagectl.report.figures import Connection, Gap

GAPS_KEPT: Final = 500
"""Gaps that are kept of one connection; more are only counted, with their time."""


class Link:
    """One connection while the journal is read."""

    def __init__(self) -> None:
        self.first: int | None = None
        self.gaps: list[Gap] = []
        self.lost = 0
        self.away = 0
        self._gone: int | None = None

    def here(self, at: int) -> None:
        if self.first is None:
            self.first = at
        if self._gone is not None:
            self._close(at, at)

    def gone(self, at: int) -> None:
        if self.first is not None and self._gone is None:
            self._gone = at
            self.lost += 1

    def _close(self, until: int, back: int | None) -> None:
        assert self._gone is not None
        self.away += max(0, until - self._gone)
        if len(self.gaps) < GAPS_KEPT:
            self.gaps.append(Gap(self._gone, back))
        self._gone = None

    def made(self, name: str, end: int) -> Connection:
        if self._gone is not None:
            self._close(end, None)
        return Connection(name=name, first=self.first, gaps=tuple(self.gaps), lost=self.lost, away=self.away)
