"""The JSON Schema of the timetable, the gap and the backup: of one mind with the loader, and it says its defaults."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError
from test_schema import errors

from stagectl.show.clock_values import zones
from stagectl.show.schema import KINDS, schema
from stagectl.show.yamltext import read_text

SETLIST = "title: x\nrig: r.yaml\nbase: {}\nsongs: [{name: a}]\n"
RIG = "inputs: [{name: a, socket: 1}]\nlisteners: [{name: a, mix: 1}]\n"

AGREED = [
    *(
        (f"{SETLIST}timetable: {typed}\n", "setlist")
        for typed in (
            "{}",
            "{zone: Europe/Lisbon, date: 2026-11-27, load in: 16:00, line check: 18:30, doors: 19:30, set: 21:00}",
            "{curfew: 24:00, remind: []}",
            "{curfew: 0:05, remind: [30 min, 1 h 30 min, 90 s, 1.5 h, 45min]}",
            "{doors: 07:30, also: [{at: 20:45, say: in-ears on}, {at: 9:00, say: 808}]}",
            "{curfew: }",
            "{zone: Europe/Lisabon}",
            "{zone: right/Europe/Lisbon}",
            "{zone: [UTC]}",
            "{date: 27.11.2026}",
            "{date: 1999-11-27}",
            "{date: tomorrow}",
            "{set: 2100}",
            "{set: 9 pm}",
            "{set: 24:01}",
            "{set: 21:60}",
            "{set: [21:00]}",
            "{remind: 10 min}",
            "{remind: [10]}",
            "{remind: [often]}",
            "{remind: [10 m]}",
            "{remind: ['']}",
            "{also: [{at: 20:45}]}",
            "{also: [{say: in-ears on}]}",
            "{also: [in-ears on]}",
            "{soundcheck: 17:00}",
            "tonight",
        )
    ),
    *(
        (f"{SETLIST}timetables: {typed}\n", "setlist")
        for typed in (
            "{}",
            "{Fish Dock: {set: 20:00}}",
            "{Fish Dock: 20:00}",
            "[Fish Dock]",
            "{Fish Dock: {sett: 20:00}}",
        )
    ),
    *((f"{SETLIST}gap: {typed}\n", "setlist") for typed in ("0", "20", "20 s", "1:30", "600", "601", "-1", "2 min")),
    *(
        (f"{RIG}desk: {{profile: x, port: y, backup every: {typed}}}\n", "rig")
        for typed in ("10 min", "1 h", "90 s", "no", "No", "off", "false", "10", "often", "[10 min]", "yes", "0")
    ),
]


@pytest.mark.parametrize(("text", "kind"), AGREED, ids=lambda one: str(one).split("\n")[-2:][0][:60])
def test_schema_and_loader_agree_on_the_clock(text: str, kind: str) -> None:
    found = read_text(text.encode(), "some.yaml")
    assert found.faults == []
    try:
        KINDS[kind].model_validate(found.data)
        taken = True
    except ValidationError:
        taken = False
    assert (errors(kind, text) == []) is taken


def test_both_are_asked_of_what_is_right_and_what_is_wrong() -> None:
    sound = [errors(kind, text) == [] for text, kind in AGREED]
    assert 15 < sum(sound) < len(sound) - 15


def properties(kind: str, model: str) -> dict[str, Any]:
    found: dict[str, Any] = schema(kind)["$defs"][model]["properties"]
    return found


def test_an_editor_is_told_every_key_every_zone_and_the_defaults() -> None:
    made = properties("setlist", "TimetableModel")
    assert list(made) == [
        "zone", "date", "load in", "line check", "doors", "set", "curfew", "remind", "also",
    ]  # fmt: skip
    assert made["zone"]["anyOf"][0]["enum"] == list(zones())
    assert made["remind"]["default"] == ["30 min", "15 min", "5 min"]
    assert all(one.get("description") for one in made.values())
    assert schema("setlist")["properties"]["gap"]["default"] == 20
    assert "every 10 min where they can be read" in properties("rig", "DeskModel")["backup every"]["description"]
