"""What a night prints while it is played: at once, but for the steps of a treadle, which are one line a sweep."""

from __future__ import annotations

import io
import threading

from stagectl.live.printer import Printer
from stagectl.story.rows import Row
from stagectl.story.sweeps import WAITS


class Read(io.StringIO):
    """A stream of which it can be waited for that somebody reads a line in it."""

    def __init__(self) -> None:
        super().__init__()
        self.has = threading.Event()

    def write(self, text: str) -> int:
        size = super().write(text)
        if "steps" in self.getvalue():
            self.has.set()
        return size


def turns(first: int, count: int) -> list[list[Row]]:
    """Steps of a treadle that waits for its level, 20 ms apart."""
    whose = {"who": "singer", "pedal": "board", "control": "treadle"}
    return [
        [
            Row(at * 20_000_000, "press", at, what="ride", gesture="turn", **whose),  # type: ignore[arg-type]
            Row(at * 20_000_000, "refusal", at, what="voice", detail=WAITS, **whose),  # type: ignore[arg-type]
        ]
        for at in range(first, first + count)
    ]


def test_the_nights_printer_tells_a_sweep_as_one_and_loses_nothing_of_it_at_the_end() -> None:
    out, error = Read(), io.StringIO()
    printer = Printer(out, error)
    printer.begin("ready")
    for some in turns(0, 40):
        printer.tell(some, ["  the desk is away: not told yet"])
    # Nobody has to come for what is held back: it is told by itself.
    assert out.has.wait(10)
    for some in turns(40, 3):
        printer.tell(some)
    printer.tell([Row(10**9, "refusal", 43, who="drummer", what="next", control="left", detail="too soon")])
    for some in turns(60, 2):
        printer.tell(some)
    printer.close()
    refused = f"singer: refused (treadle: voice): {WAITS}"
    assert out.getvalue().splitlines() == [
        "ready",
        "  0:00.000  singer: ride, 40 steps (board, treadle, turn)",
        f"  0:00.000  {refused}",
        "  the desk is away: not told yet",
        "  0:00.800  singer: ride, 3 steps (board, treadle, turn)",
        f"  0:00.800  {refused}",
        "  0:01.000  drummer: refused (left: next): too soon",
        "  0:01.200  singer: ride, 2 steps (board, treadle, turn)",
        f"  0:01.200  {refused}",
    ]
    assert (printer.lost, error.getvalue()) == (0, "")


def test_what_is_said_beside_a_sweep_comes_after_it_and_nothing_before_the_first_line() -> None:
    out = io.StringIO()
    printer = Printer(out, out)
    for some in turns(0, 2):
        printer.tell(some)
    printer.say(["drum pedal is here"])
    printer.begin("ready")
    for some in turns(2, 2):
        printer.tell(some)
    printer.warn("the desk: it is gone")
    printer.close()
    said = [line.split("  ")[-1] for line in out.getvalue().splitlines()]
    assert [line.split(" (")[0] for line in said] == [
        "ready",
        *("singer: ride, 2 steps", "singer: refused", "drum pedal is here"),
        *("singer: ride, 2 steps", "singer: refused", "the desk: it is gone"),
    ]
