"""A model of a part of a file is put together when the first such part is read, and says the same as any other."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import BaseModel, ConfigDict, Field, Tag, ValidationError, create_model

from stagectl.show.values import FileModel, Name, Whole, kind_by_key

NINE_SONGS = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"


def models(base: type[BaseModel]) -> tuple[type[BaseModel], type[BaseModel]]:
    """A model, and another that has it as a part: alone, in a list, in a mapping and as one of two kinds."""
    part = create_model("Part", __base__=base, high=(Annotated[int, Whole(1, 9)], Field(alias="high")))
    other = create_model("Other", __base__=base, low=(Annotated[int, Whole(1, 9)], Field(alias="low")))
    by_key: Any = {"high": part, "low": other}
    kinds: Any = Annotated[Annotated[part, Tag("high")] | Annotated[other, Tag("low")], kind_by_key(by_key)]
    whole = create_model(
        "Whole",
        __base__=base,
        one=(part | None, None),
        some=(list[part], []),
        named=(dict[Name, part], {}),
        either=(kinds | None, None),
    )
    return part, whole


class AtOnce(BaseModel):
    """The same as a `FileModel`, as pydantic puts it together by itself."""

    model_config = ConfigDict(extra="forbid", frozen=True)


FILES: list[dict[str, Any]] = [
    {},
    {"one": {"high": 3}, "some": [{"high": "4"}], "named": {"a": {"high": 5}}, "either": {"low": 6}},
    {"one": {"high": 10}},
    {"one": {}},
    {"one": []},
    {"one": {"high": 3, "higher": 4}},
    {"some": [{"high": 1}, {"high": 0}, "x"]},
    {"some": {"high": 1}},
    {"named": {"a": {"high": 0}, "": {"high": 1}}},
    {"either": {"low": 0}},
    {"either": {"neither": 1}},
    {"either": {"high": None}},
]


def said(model: type[BaseModel], data: dict[str, Any]) -> object:
    """What the model makes of the data: values, or every error with its place and what stood there."""
    try:
        return model.model_validate(data).model_dump(by_alias=True, exclude_unset=True)
    except ValidationError as error:
        return [(one["type"], one["loc"], one["msg"], one["input"]) for one in error.errors(include_url=False)]


@pytest.mark.parametrize("data", FILES, ids=str)
def test_it_says_what_one_says_that_was_put_together_at_once(data: dict[str, Any]) -> None:
    """Beside pydantic's own way, which looks into the parts itself."""
    assert said(models(FileModel)[1], data) == said(models(AtOnce)[1], data)


def test_its_json_schema_is_that_of_one_that_was_put_together_at_once() -> None:
    late, at_once = (models(base)[1].model_json_schema() for base in (FileModel, AtOnce))
    for made in (late, at_once):
        for one in (made, *made["$defs"].values()):
            one.pop("description", None)
    assert late == at_once
    assert list(late["$defs"]) == ["Other", "Part"]


def test_it_waits_for_its_first_part() -> None:
    part, whole = models(FileModel)
    whole.model_validate({"either": {"low": 1}})
    assert not part.__pydantic_complete__
    whole.model_validate({"some": [{"high": 1}]})
    assert part.__pydantic_complete__


def test_threads_put_models_together_beside_each_other() -> None:
    found: list[object] = []

    def read() -> None:
        found.append(said(models(FileModel)[1], FILES[1]))

    threads = [threading.Thread(target=read) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [said(models(AtOnce)[1], FILES[1])] * len(threads)


def test_a_show_puts_together_what_its_files_have() -> None:
    """The demo show has no pedal over OSC and hears no SysEx; what it has is there."""
    code = (
        "import sys; from pathlib import Path; from stagectl.show.load import load_show; from stagectl.show import "
        "hearing, rig, setlist; names = [rig.RigModel, setlist.SongModel, hearing.HearOsc, hearing.HearSysEx]; "
        "before = [one.__pydantic_complete__ for one in names]; load_show(Path(sys.argv[1])); "
        "print(before, [one.__pydantic_complete__ for one in names])"
    )
    ran = subprocess.run([sys.executable, "-c", code, str(NINE_SONGS)], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == f"{[False] * 4} {[True, True, False, False]}"
