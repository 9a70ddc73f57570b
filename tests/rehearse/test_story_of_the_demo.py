"""The rehearsal of the demo night, judged from its JSON by arithmetic of its own.

The judge knows MIDI 1.0 control changes, the volume law of General MIDI 2 (v1.2a §3.3.4: 40·log10(value/127) dB)
and the numbers in the demo's rig and profile; nothing of stagectl.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from forked import stagectl

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"
FIRST_CONTROL = 16
"""Socket 1's controller in the demo's desk profile."""


def rehearse(*arguments: str) -> list[dict[str, Any]]:
    """What `stagectl rehearse --json` prints."""
    run = stagectl("rehearse", *arguments, "--json")
    assert (run.returncode, run.stderr) == (0, "")
    return [json.loads(line) for line in run.stdout.splitlines()]


@pytest.fixture(scope="module")
def story() -> list[dict[str, Any]]:
    return rehearse(str(DEMO))


def heard(value: int) -> float:
    """GM2: the level of a controller's value, dB."""
    return -math.inf if value == 0 else 40 * math.log10(value / 127)


def as_number(level: float | str) -> float:
    return -math.inf if level == "off" else float(level)


def sockets_and_mixes() -> tuple[dict[str, int], dict[str, int]]:
    rig = yaml.safe_load((DEMO / "rig.yaml").read_text())
    return (
        {one["name"]: one["socket"] for one in rig["inputs"]},
        {one["name"]: one["mix"] for one in rig["listeners"]},
    )


def test_after_every_press_the_bytes_stand_where_the_changes_say(story: list[dict[str, Any]]) -> None:
    sockets, mixes = sockets_and_mixes()
    limits = ceilings()
    values: dict[tuple[int, int], int] = {}
    wanted: dict[tuple[int, int], float] = {}
    checked = 0
    for one in story:
        if one["kind"] == "press" and one["at"] > 0:
            # Everything under way was told long before the next press, but for one press in the middle of a fade.
            settled = [key for key in wanted if key in values]
            still = [key for key in settled if not near(values[key], wanted[key], limits[key])]
            if one["gesture"] != "hold" and one["what"] != "next":
                assert still == []
            checked += len(settled)
        if one["kind"] == "change":
            key = (mixes[one["listener"]], sockets[one["input"]])
            wanted[key] = as_number(one["to_db"])
        if one["kind"] == "message" and one["to"] == "desk":
            status, control, value = bytes.fromhex(one["bytes"])
            assert status & 0xF0 == 0xB0
            values[(status & 0x0F) + 1, control - FIRST_CONTROL + 1] = value
    assert set(wanted) == set(values)
    assert [key for key in wanted if not near(values[key], wanted[key], limits[key])] == []
    assert checked > 1_000


def near(value: int, level: float, ceiling: float) -> bool:
    """Whether no other value of the controller, at or below the ceiling, is nearer to the level (two hundredths of a
    dB are left for rounding)."""
    if math.isinf(level):
        return value == 0
    others = [heard(other) for other in range(1, 128) if heard(other) <= ceiling]
    return value > 0 and abs(heard(value) - level) <= min(abs(other - level) for other in others) + 0.02


def ceilings() -> dict[tuple[int, int], float]:
    """The ceiling of each send, by mix and socket, dB."""
    rig = yaml.safe_load((DEMO / "rig.yaml").read_text())
    return {
        (listener["mix"], one["socket"]): listener.get("ceilings", {}).get(
            one["name"], listener.get("ceiling", rig["ceiling"])
        )
        for listener in rig["listeners"]
        for one in rig["inputs"]
    }


def test_no_byte_is_ever_above_a_ceiling(story: list[dict[str, Any]]) -> None:
    limits = ceilings()
    for one in story:
        if one["kind"] == "message" and one["to"] == "desk":
            status, control, value = bytes.fromhex(one["bytes"])
            assert heard(value) <= limits[(status & 0x0F) + 1, control - FIRST_CONTROL + 1]


def test_the_wire_is_never_asked_for_more_than_din_carries(story: list[dict[str, Any]]) -> None:
    """MIDI 1.0: 31,250 baud, ten bits a byte, so 960 µs for a control change."""
    times = [one["at"] for one in story if one["kind"] == "message" and one["to"] == "desk"]
    for first in range(len(times) - 50):
        assert times[first + 50] - times[first] >= 49 * 0.00096 - 0.001


def test_levels_go_on_from_where_they_were(story: list[dict[str, Any]]) -> None:
    """Each change begins at the level where the one before ended."""
    known: dict[tuple[str, str], float | str] = {}
    for one in story:
        if one["kind"] == "change":
            key = (one["listener"], one["input"])
            assert one["from_db"] == known.get(key)
            known[key] = one["to_db"]


def test_every_press_has_its_outcome(story: list[dict[str, Any]]) -> None:
    """A press moved something, or was refused with a reason; nothing is dropped silently."""
    pressed = {one["press"] for one in story if one["kind"] == "press"}
    answered = {one["press"] for one in story if one["kind"] in ("arrival", "change", "refusal", "cue", "told")}
    assert pressed <= answered
    assert [one["press"] for one in story if one["kind"] == "press"] == sorted(pressed)


def test_the_night_goes_where_the_feet_take_it(story: list[dict[str, Any]]) -> None:
    songs = list(dict.fromkeys(one["song"] for one in story if one["kind"] == "arrival"))
    assert songs == [song["name"] for song in yaml.safe_load((DEMO / "setlist.yaml").read_text())["songs"]]
    reasons = [one["reason"] for one in story if one["kind"] == "refusal"]
    assert "too soon after the last next" in reasons
    assert "it is at its ceiling" in reasons
    assert reasons[-1] == "the set has no further stop"


def test_the_same_presses_give_the_same_bytes_of_output(story: list[dict[str, Any]]) -> None:
    assert rehearse(str(DEMO)) == story


def test_a_take_tells_what_its_script_tells(story: list[dict[str, Any]]) -> None:
    """The take holds the first two songs of the script, as the pedals' own MIDI."""
    *taken, ears = rehearse(str(DEMO), "--presses", str(DEMO / "take.mid"))
    end = taken[-1]["at"]
    assert end > 50
    assert ears["kind"] == "ears"
    assert taken == [one for one in story if one["at"] <= end][: len(taken)]


def test_a_venue_changes_the_levels(tmp_path: Path) -> None:
    first = {"at": 0.5, "pedal": "drum pedal", "control": "left", "happens": "press"}
    (tmp_path / "first.yaml").write_text(json.dumps({"presses": [first]}))
    hall = rehearse(str(DEMO), "--venue", "Tidewater Hall", "--presses", str(tmp_path / "first.yaml"))
    bass = [one for one in hall if one["kind"] == "change" and (one["listener"], one["input"]) == ("drummer", "bass")]
    # The base has -8; the hall shifts it up by 2.
    assert bass[0]["to_db"] == -6.0
