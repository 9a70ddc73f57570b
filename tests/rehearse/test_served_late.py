"""What was asked for while a rehearsal stood still is told, not done, and leaves no foot on a control."""

from __future__ import annotations

import asyncio
from pathlib import Path

from stagectl.rehearse.served import Rehearsed, Served
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.view.lines import Open

DEMO = Path(__file__).resolve().parents[2] / "setlists" / "three-songs"


def test_a_foot_that_left_its_control_meanwhile_is_off_it_and_nothing_fires() -> None:
    async def test() -> None:
        show = load_show(DEMO)
        compiled = compile_show(show)
        served = Served(
            Rehearsed(show, compiled, None, lambda: (show, compiled)),
            Open("127.0.0.1", 0, "t", "rehearsal"),
            lambda _: None,
            lambda _: None,
        )
        pedal = compiled.plan.pedals[0]
        move = {"do": "move", "pedal": pedal.name, "control": pedal.controls[0].name}
        served.want({**move, "down": True})
        assert served.drive.down
        place = served.drive.room.state.place
        served.page._heard.late({**move, "down": False}, 3.25)
        assert not served.drive.down
        assert served.drive.room.state.place == place
        assert "the page asked for `move` 3.2 s ago: it came too late, and is not done" in str(
            served._boards.steps.last
        )

    asyncio.run(test())
