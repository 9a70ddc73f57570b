"""The JSON Schemas: sound by their own standard, and of one mind with the loader."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import jsonschema
import pytest
import yaml
from pydantic import Field, TypeAdapter, ValidationError

from stagectl.core.action_table import ACTIONS
from stagectl.show.schema import KINDS, schema
from stagectl.show.values import FileModel
from stagectl.show.yamltext import read_text
from stagectl.where import shipped


class EditorLoader(yaml.SafeLoader):
    """Reads as editors do, by the core schema of YAML 1.2: `off` and `1:30` are text, `yes` too, `-3` a number."""


EditorLoader.yaml_implicit_resolvers = {}
for _tag, _pattern, _first in (
    ("bool", "true|True|TRUE|false|False|FALSE", "tTfF"),
    ("null", "~|null|Null|NULL|", "~nN"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    (
        "float",
        r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)",
        "-+.0123456789",
    ),
):
    EditorLoader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(f"^(?:{_pattern})$"), [*_first, ""])


def _decimal(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    return int(loader.construct_scalar(node), 0 if node.value.startswith(("0o", "0x")) else 10)


EditorLoader.add_constructor("tag:yaml.org,2002:int", _decimal)

FILES = [
    *((path, path.stem) for path in sorted(shipped("setlists").glob("*/*.yaml")) if path.stem in KINDS),
    *((path, "mapping") for path in sorted((shipped("mappings") / "pedals").glob("*.yaml"))),
    *((path, "profile") for path in sorted((shipped("mappings") / "desks").glob("*.yaml"))),
]


@cache
def validator(kind: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema(kind))


def errors(kind: str, text: str) -> list[str]:
    return [error.message for error in validator(kind).iter_errors(yaml.load(text, Loader=EditorLoader))]


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one(kind: str) -> None:
    made = schema(kind)
    jsonschema.Draft202012Validator.check_schema(made)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert made["additionalProperties"] is False


@pytest.mark.parametrize(("path", "kind"), FILES, ids=lambda one: one.stem if isinstance(one, Path) else one)
def test_a_shipped_file_is_what_its_schema_says(path: Path, kind: str) -> None:
    assert errors(kind, path.read_text("utf-8")) == []


def test_an_editor_completes_every_action_of_the_table() -> None:
    made = schema("mapping")
    press = made["$defs"]["ControlModel"]["properties"]["press"]["anyOf"]
    models = next(option["oneOf"] for option in press if "oneOf" in option)
    words = next(option["enum"] for option in press if "enum" in option)
    defs = [made["$defs"][one["$ref"].rsplit("/", 1)[1]] for one in models]
    assert [next(iter(one["required"])) for one in defs] == list(ACTIONS)
    assert words == [word for word, spec in ACTIONS.items() if not any(field.required for field in spec.fields)]
    for one, spec in zip(defs, ACTIONS.values(), strict=True):
        assert one["description"] == spec.help
        described = {key: value.get("description") for key, value in one["properties"].items()}
        for field in spec.fields:
            assert described[spec.word if field.name == spec.main else field.name] == field.help


def models(kind: type[FileModel] = FileModel) -> Iterator[type[FileModel]]:
    for model in kind.__subclasses__():
        yield model
        yield from models(model)


def _read(what: Any, typed: object) -> object:
    return TypeAdapter(what).validate_python(typed)


@pytest.mark.parametrize("kind", KINDS)
def test_each_default_is_what_its_own_property_takes_and_what_the_loader_makes_of_it(kind: str) -> None:
    made = schema(kind)
    known = {model.__name__: model for model in models()}
    told = 0
    for name, one in [(KINDS[kind].__name__, made), *made["$defs"].items()]:
        fields = {field.alias or at: field for at, field in known[name].model_fields.items()}
        for key, described in one.get("properties", {}).items():
            if "default" in described:
                jsonschema.Draft202012Validator({**described, "$defs": made["$defs"]}).validate(described["default"])
                field = fields[key]
                assert field.annotation is not None
                taken: Any = Annotated[(field.annotation, Field(), *field.metadata)]
                assert field.default is None or _read(taken, described["default"]) == field.default, key
                told += described["default"] is not None
    assert told > 4


def test_a_default_is_in_the_units_of_its_file() -> None:
    limits = schema("rig")["$defs"]["LimitsModel"]["properties"]
    assert {key: one["default"] for key, one in limits.items()} == {
        "nudge floor": -40,
        "nudge up": 12,
        "jump": 24,
        "settle time": 0.3,
        "rise": 50,
        "room": 6,
        "hush": 20,
        "gentle": 3,
    }
    assert schema("rig")["properties"]["mix ceiling"]["default"] == 10
    assert schema("mapping")["$defs"]["HearNote"]["properties"]["channel"]["default"] == "any"


MAPPING = "name: x\ncontrols:\n  a:\n    sends: {{control change: 80}}\n    press: {}\n"
SENDS = "name: x\ncontrols:\n  a:\n    sends: {}\n    press: next\n"
SETLIST = "title: x\nrig: r.yaml\nbase: {{a: {{b: {}}}}}\nsongs: [{{name: 808}}]\n"
LAYER = "title: x\nrig: r.yaml\nbase: {{}}\nfade: 1\nsongs: [{{name: x, levels: {{a: {{b: {}}}}}}}]\n"
FADE = "title: x\nrig: r.yaml\nbase: {{}}\nfade: {}\nsongs: [{{name: true}}]\n"
STORED = (
    "name: x\nover: midi\nsend: {{say: {{channel: 1, control change: 7}}, values: {{law: gm2}}}}\n"
    "stored scene: {{channel: 1, banks: {}}}\n"
)
LINE = (
    "name: x\nover: midi\nsend: {{say: {{channel: 1, control change: {{first: 1, per input: 1}}}}, "
    "values: {{law: db, lowest: -90, highest: 10, step: {}}}}}\n"
)
ANSWERS = "name: x\nover: osc\nsend: {{say: {{osc: /a}}, values: {{law: power, factor: 20}}}}\nanswers: {}\n"
PLACE = "name: x\nover: midi\nsend: {{say: {}, values: {{law: points, points: [[0, off], [1, -60], [127, 0]]}}}}\n"
SAYS = (
    "inputs: [{{name: a, socket: 1}}]\nlisteners: [{{name: a, mix: 1}}]\ndesk: {{profile: x, port: y}}\n"
    "devices:\n  - name: d\n    port: p\n    messages: {{one: {}}}\n"
)
EARS = (
    "inputs: [{{name: a, socket: 1}}]\ndesk: {{profile: x, port: y}}\nlisteners: [{{name: a, mix: 1, measured: {}}}]\n"
)
EXPOSURE = (
    "inputs: [{{name: a, socket: 1}}]\ndesk: {{profile: x, port: y}}\nlisteners: [{{name: a, mix: 1}}]\nexposure: {}\n"
)
LIMITS = (
    "inputs: [{{name: a, socket: 1}}]\ndesk: {{profile: x, port: y}}\n"
    "listeners: [{{name: a, mix: 1}}]\nlimits: {{{}}}\n"
)

AGREED = [
    *(
        (MAPPING, "mapping", typed)
        for typed in ("next", "{next: }", "recall", "{recall: }", "{recall: 12}", "clear nudges")
    ),
    *(
        (MAPPING, "mapping", typed)
        for typed in ("{nudge: own, by: +1}", "{nudge: 808, by: up 1}", "{nudge: a, by: -1.5 dB}")
    ),
    *(
        (MAPPING, "mapping", typed)
        for typed in ("nxt", "nudge", "{nudge: own}", "{next: 1}", "{}", "[next]", "{by: 1}")
    ),
    *(
        (MAPPING, "mapping", typed)
        for typed in ("{nudge: own, by: 13}", "{nudge: own, by: 1, lasts: year}", "ride", "go to")
    ),
    *(
        (SENDS, "mapping", typed)
        for typed in (
            "pitch bend",
            "{channel pressure: , channel: any}",
            "{key pressure: 3, channel: 3}",
            "{control change pair: 31}",
            "{nrpn: 16382}",
            "{program: 1, bank: 16383}",
            "{sysex: 'F0 7D ?? {value msb}{value lsb} f7'}",
            "{realtime: stop}",
            "{key: page down}",
            "{key: 1}",
        )
    ),
    *(
        (SENDS, "mapping", typed)
        for typed in (
            "note",
            "{pitch bend: 1}",
            "{control change pair: 32}",
            "{rpn: 16383}",
            "{program: 1, bank: any}",
            "{sysex: F0 7D 80 F7}",
            "{sysex: 'F0 {mix} F7'}",
            "{realtime: clock}",
            "{song select: 128}",
            "{key: page sideways}",
            "{key: 10}",
            "{key: }",
        )
    ),
    *((SETLIST, "setlist", typed) for typed in ("-3", "off", "Off", "-7.5 dB", ".5", "0", "-120", "20", "+3")),
    *((SETLIST, "setlist", typed) for typed in ("loud", "-121", "20.5", "no", "[1]", "up 3", "")),
    *((LAYER, "setlist", typed) for typed in ("-3", "off", "up 3", "Down 6", "up 4.5 dB", "-3 dB", "down .5")),
    *((LAYER, "setlist", typed) for typed in ("up", "louder", "up -3", "{up: 3}", "up 3 4")),
    *((FADE, "setlist", typed) for typed in ("0", "1.5", "1.5 s", "250 ms", "0:45", "60", "0:45.5", "2s")),
    *((FADE, "setlist", typed) for typed in ("slow", "61", "-1", "[1]", "0:75", "2 min")),
    *((STORED, "profile", typed) for typed in ("yes", "no", "on", "Off", "true", "False", "YES")),
    *((STORED, "profile", typed) for typed in ("maybe", "1", "[yes]")),
    *((LINE, "profile", typed) for typed in ("1", "1.0", "1 dB", "2")),
    *((LINE, "profile", typed) for typed in ("0", "off", "21")),
    *(
        (ANSWERS, "profile", typed)
        for typed in (
            "{}",
            "{ask: {osc: '/a/{mix}', arguments: [1, yes, x, '{input}']}}",
            "{reports: yes, subscribe: {osc: /r}, renew: 8 s}",
            "{ask all: [{osc: /a}, {osc: /b}], echoes: no}",
            "{ask: {osc: 5}}",
            "{reports: maybe}",
            "{ask: 3}",
            "{renew: often}",
            "{aks: {osc: /a}}",
        )
    ),
    *(
        (PLACE, "profile", typed)
        for typed in (
            "{channel: 1, rpn: 5, kept: yes}",
            "{channel: {table: [1, 2], by: mix}, control change: {table: [[1, 2], [3, 4]]}}",
            "{channel: {table: [1, x]}, nrpn: 4}",
            "{channel: {table: []}, nrpn: 4}",
            "{channel: 1, rpn: 5, kept: perhaps}",
            "{sysex: 'F0 7D {from here} {input} {value} {checksum xor} F7', input: {first: 3, per input: 2}}",
        )
    ),
    *(
        (SAYS, "rig", typed)
        for typed in ("{program: 1, channel: 1}", "[{program: 1, channel: 1}]", "{sysex: F07D01F7}")
    ),
    *(
        (SAYS, "rig", typed)
        for typed in ("{osc: /a, arguments: [1, 1.5, yes, x]}", "{note: 1, velocity: 0, channel: 16}")
    ),
    *(
        (SAYS, "rig", typed)
        for typed in ("{}", "[]", "{program: 128, channel: 1}", "{program: 1}", "{sysex: F0 7D}", "1")
    ),
    *(
        (SAYS, "rig", typed)
        for typed in (
            "{song position: 0}",
            "{song position: 16383}",
            "{song position: position}",
            "{song position: 16384}",
            "{song position: cue}",
            "{song select: cue}",
            "{song select: position}",
            "{mmc: deferred play}",
            "{mmc: stop, device: 0}",
            "{mmc: locate, to: '1:12', rate: 30 drop}",
            "{mmc: locate, to: 72.5, rate: 25}",
            "{mmc: locate, to: position, rate: '25'}",
            "{mmc: locate, to: 86400}",
            "{mmc: locate, to: 1, rate: 29.97}",
            "{mmc: locate, to: cue}",
            "{mmc: rewind}",
            "{mmc: stop, device: 128}",
        )
    ),
    *(
        (SAYS, "rig", typed)
        for typed in (
            "{msc: go, format: all}",
            "{msc: load, format: lighting, cue: 235.6, list: 36.6, path: 59, device: 111}",
            "{msc: go, format: video, cue: cue}",
            "{msc: resume, format: sound, cue: '1.2.3'}",
            "{msc: go}",
            "{msc: fire, format: all}",
            "{msc: go, format: flames}",
            "{msc: go, format: all, cue: -1}",
            "{msc: go, format: all, cue: 1a}",
            "{msc: go, format: all, cue: 1, list: cue}",
        )
    ),
    *(
        (EARS, "rig", typed)
        for typed in (
            "{level: 88, how: meter}",
            "{level: 88.5 dB(A), how: meter, mix sum: -3 dB}",
            "{level: 40 dBA, how: 5, mix sum: 20}",
            "{level: 39.9, how: meter}",
            "{level: 131, how: meter}",
            "{level: loud, how: meter}",
            "{level: 88}",
            "{level: 88, how: meter, mix sum: off}",
            "{level: 88, how: meter, mix sum: 21}",
        )
    ),
    *(
        (LIMITS, "rig", f"rise: {typed}")
        for typed in ("50", "50 dB", "50 dB/s", "50 / s", "50 DB /s", "+50 dB", "50 dB/m", "-50 dB", "up 50", "2", "s")
    ),
    *(
        (LIMITS, "rig", f"{key}: {typed}")
        for key in ("hush", "room", "nudge up", "jump")
        for typed in (
            "20",
            "+20",
            "20 dB",
            "up 20",
            "Up 20 dB",
            "down 20",
            "-20 dB",
            "-20",
            "20 / s",
            "-0 dB",
            "down 0",
        )
    ),
    *((LIMITS, "rig", f"room: {typed}") for typed in ("0", "-0", "0 dB", "up 0", "25")),
    *(
        (EXPOSURE, "rig", typed)
        for typed in ("{}", "{criterion: NIOSH 98-126}", "{criterion: h.870  ADULTS}", "{criterion: loud}", "{rule: x}")
    ),
]


@pytest.mark.parametrize(("text", "kind", "typed"), AGREED, ids=lambda one: str(one)[:30])
def test_schema_and_loader_agree(text: str, kind: str, typed: str) -> None:
    """What the loader takes the editor does not mark, and what is out of range the editor marks too."""
    whole = text.format(typed)
    found = read_text(whole.encode(), "some.yaml")
    try:
        KINDS[kind].model_validate(found.data)
        taken = True
    except ValidationError:
        taken = False
    assert found.faults == []
    assert (errors(kind, whole) == []) == taken
