"""A demo show made quick, and the daemon that plays it."""

from __future__ import annotations

import json
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from forked import stagectl
from lines import Program

ROOT = Path(__file__).resolve().parents[2]
STAGECTL = (sys.executable, "-m", "stagectl")


def quick_copy(name: str, folder: Path, **replaced: str) -> Path:
    """A copy of a demo show with fades of 0.2 s, no settle time, no bounce and quick rises, so that a night takes
    seconds and presses in a row end where those of a slow foot would."""
    show = folder / name
    shutil.copytree(ROOT / "setlists" / name, show)
    for mapping in (ROOT / "mappings" / "pedals").glob("*.yaml"):
        # The test's feet are quicker than any foot: no contact bounces in them.
        text = re.sub(r"(    sends: .*\n)(?!    turn)", r"\1    bounce: 0 ms\n", mapping.read_text())
        (show / mapping.name).write_text(text)
    for profile in (ROOT / "mappings" / "desks").glob("*.yaml"):
        shutil.copy(profile, show)
    setlist = show / "setlist.yaml"
    setlist.write_text(led_by_feet(re.sub(r"fade: [1-9][\d.]*", "fade: 0.2", setlist.read_text())))
    rig = show / "rig.yaml"
    text = over_wires(rig.read_text()) + "\nlimits: {settle time: 0, rise: 1000}\n"
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    rig.write_text(text)
    return show


def led_by_feet(setlist: str) -> str:
    """The demo's setlist where the box at the end of the wire plays all tracks, and no section follows one: what comes
    when is up to the test's feet alone."""
    numbers = count(10)
    text = re.sub(
        r"    cue:\n      player: stage laptop\n(      .*\n)+",
        lambda _: f"    cue: {{player: track player, number: {next(numbers)}}}\n",
        setlist,
    )
    text = re.sub(r"^    (tempo|metre|tempo changes|count in|length|then): .*\n", "", text, flags=re.MULTILINE)
    return re.sub(r"^        at: .*\n", "", text, flags=re.MULTILINE)


def over_wires(rig: str) -> str:
    """The demo's rig without the built-in player, and without a clock for anybody."""
    text = re.sub(r"  - name: stage laptop(.*\n)+?(?=  - name: )", "", rig)
    return re.sub(r"^    (clock|time code): .*\n", "", text, flags=re.MULTILINE)


def deaf(show: Path) -> Path:
    """The show with a desk that says nothing of itself."""
    for profile in show.glob("*.yaml"):
        text = profile.read_text()
        if "\nanswers:" in text:
            profile.write_text(text[: text.index("\nanswers:") + 1])
    return show


def told(*arguments: str) -> list[dict[str, Any]]:
    """What a command tells with `--json`."""
    run = stagectl(*arguments, "--json")
    run.check_returncode()
    return [json.loads(line) for line in run.stdout.splitlines()]


@contextmanager
def playing(show: Path, journal: Path, *more: str) -> Iterator[Program]:
    """`stagectl run`, from its line `ready` on."""
    command = [*STAGECTL, "run", str(show), "--journal", str(journal), *more]
    program = Program(command, PYTHONPATH=str(ROOT))
    try:
        yield program
    finally:
        program.close()


UNALIKE = ("at", "wall", "first_byte_ms")
"""What differs between a night that is played and one that is rehearsed."""

CAME_AS = ("bytes", "osc")
"""What a foot sent, which a rehearsal has no bytes for."""


def by_press(story: list[dict[str, Any]], kind: str) -> dict[int, list[dict[str, Any]]]:
    """The objects of a kind, by the number of the press that caused them, without their times."""
    found: dict[int, list[dict[str, Any]]] = {}
    for one in story:
        if one["kind"] == kind:
            unlike = UNALIKE if kind == "message" else (*UNALIKE, *CAME_AS)
            bare = {key: value for key, value in one.items() if key not in unlike}
            found.setdefault(one["press"], []).append(bare)
    return found
