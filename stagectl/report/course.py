"""What comes between the changes of a night: it leaves a visit, or something happens that the ears need to know."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from stagectl.report.hearing import Event, Hearing


class Course:
    """Goes through a night by the numbers of its rows. `ids`: the first row of each visit; `kept`: the visits whose end
    counts, by index; `leave` is called at the end of each visit."""

    def __init__(self, ids: Sequence[int], kept: Collection[int], leave: Callable[[int], None]) -> None:
        self._ids, self._kept, self._leave = ids, kept, leave
        self._hearing: Hearing | None = None
        self._events: Sequence[Event] = ()
        self._recall: tuple[int, int] | None = None
        self._visit = self._place = 0

    def hears(self, hearing: Hearing, events: Sequence[Event], recall: tuple[int, int] | None) -> None:
        """Somebody hears the events. `recall`: the first recalled change, its number and its time, ns, if there is one
        before the first song: it begins the set."""
        self._hearing, self._events, self._recall = hearing, events, recall

    def edges(self) -> list[int]:
        """The numbers of the rows that something comes before, in order."""
        ends = {self._ids[visit + 1] for visit in self._kept if visit + 1 < len(self._ids)}
        recall = () if self._recall is None else self._recall[:1]
        return sorted(ends.union((event.number for event in self._events), recall))

    def come_to(self, number: int) -> None:
        """The night comes to a row. Beyond the last row nothing is left to come."""
        while self._visit < len(self._ids) and number >= self._next_visit:
            self._leave(self._visit)
            self._visit += 1
        if self._hearing is None:
            return
        while self._place < len(self._events) and number >= self._events[self._place].number:
            self._hearing.happen(self._events[self._place])
            self._place += 1
        if self._recall is not None and number >= self._recall[0]:
            if not self._hearing.begun:
                self._hearing.go_to(self._recall[1])
                self._hearing.begin_at_base(self._recall[1])
            self._recall = None

    @property
    def _next_visit(self) -> int:
        return self._ids[self._visit + 1] if self._visit + 1 < len(self._ids) else 2**63
