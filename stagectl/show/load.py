"""Reading the files of a show: the setlist, the rig that it names, the mappings and the profile that the rig names.

A name of a mapping or profile is a file: first beside the rig (`NAME.yaml`), then among those that ship with the
program. Every fault of every file is found in one go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from stagectl.errors import Fault, FileFaults, nearest
from stagectl.show.faults import model_faults
from stagectl.show.mapping import MappingModel
from stagectl.show.profile import ProfileModel
from stagectl.show.references import reference_faults
from stagectl.show.rig import RigModel
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source
from stagectl.show.yamltext import BYTES_MAX, Text, read_text
from stagectl.where import shipped

ModelT = TypeVar("ModelT", bound=BaseModel)


@dataclass(frozen=True, kw_only=True)
class Show:
    """A show as it was written: models with the sources that they came from."""

    setlist: SetlistModel
    rig: RigModel
    profile: ProfileModel
    mappings: Mapping[str, MappingModel]
    sources: Mapping[str, Source]
    folder: Path


@dataclass(kw_only=True)
class Loading:
    """Faults and sources, as they are found. Sources are named `setlist`, `rig`, `profile`, `mapping NAME`."""

    faults: list[Fault] = field(default_factory=list)
    sources: dict[str, Source] = field(default_factory=dict)

    def read(self, path: Path, model: type[ModelT], name: str) -> ModelT | None:
        """A file as a model; None where it has faults."""
        text = _read(path)
        self.sources[name] = Source(path=path, text=text)
        self.faults += text.faults
        if text.data is None:
            if not text.faults:
                self.faults.append(Fault(str(path), 0, "the file is empty"))
            return None
        try:
            return model.model_validate(text.data)
        except ValidationError as error:
            self.faults += model_faults(error, model, text, str(path))
            return None

    def find(self, name: str, kind: str, source: Source, *place: str | int) -> Path | None:
        """The file of a mapping (`pedals`) or profile (`desks`); a fault at the place that names it if there is
        none."""
        folders = (source.path.parent, shipped("mappings") / kind)
        for folder in folders:
            path = folder / f"{name}.yaml"
            if "/" not in name and "\\" not in name and path.is_file():
                return path
        known = sorted({path.stem for path in folders[1].glob("*.yaml")})
        what = {"pedals": "mapping", "desks": "desk profile"}[kind]
        beside = f"there is no {what} `{name}.yaml` beside {source.path.name}, nor one that ships with the program"
        self.faults.append(source.fault(beside + nearest(name, known), *place))
        return None


def _read(path: Path) -> Text:
    try:
        with path.open("rb") as file:
            raw = file.read(BYTES_MAX + 1)
        if len(raw) > BYTES_MAX:
            fault = Fault(str(path), 0, f"the file has more than {BYTES_MAX:,} bytes, the most that is read")
            return Text(None, {}, [fault])
    except OSError as error:
        reason = "there is no such file" if isinstance(error, FileNotFoundError) else f"{error.strerror}"
        return Text(None, {}, [Fault(str(path), 0, reason)])
    return read_text(raw, str(path))


def load_show(setlist: Path) -> Show:
    """The show that a setlist file begins. Raises FileFaults with every fault of every file.

    A folder stands for the `setlist.yaml` in it.
    """
    loading = Loading()
    path = setlist / "setlist.yaml" if setlist.is_dir() else setlist
    songs = loading.read(path, SetlistModel, "setlist")
    rig_name = songs.rig if songs is not None else _peek(loading.sources["setlist"].text.data, "rig")
    rig = loading.read(path.parent / rig_name, RigModel, "rig") if rig_name else None
    profile = None
    mappings: dict[str, MappingModel] = {}
    if rig is not None:
        source = loading.sources["rig"]
        found = loading.find(rig.desk.profile, "desks", source, "desk", "profile")
        profile = loading.read(found, ProfileModel, "profile") if found else None
        for at, pedal in enumerate(rig.pedals):
            if f"mapping {pedal.mapping}" in loading.sources:
                continue
            found = loading.find(pedal.mapping, "pedals", source, "pedals", at, "mapping")
            mapping = loading.read(found, MappingModel, f"mapping {pedal.mapping}") if found else None
            if mapping is not None:
                mappings[pedal.mapping] = mapping
    loading.faults += reference_faults(songs, rig, profile, mappings, loading.sources)
    if loading.faults or songs is None or rig is None or profile is None:
        raise FileFaults(dict.fromkeys(loading.faults))
    return Show(setlist=songs, rig=rig, profile=profile, mappings=mappings, sources=loading.sources, folder=path.parent)


def _peek(data: Any, key: str) -> str | None:
    """The value of a key in data that is not a sound model."""
    value = data.get(key) if isinstance(data, dict) else None
    return value if isinstance(value, str) else None


def load_profile(name: str) -> ProfileModel:
    """A desk profile by the path of its file, or by the name of one that ships with the program."""
    loading = Loading()
    path = Path(name)
    if path.suffix != ".yaml":
        path = shipped("mappings") / "desks" / f"{name}.yaml"
        if not path.is_file():
            known = sorted(found.stem for found in path.parent.glob("*.yaml"))
            raise FileFaults([Fault(name, 0, f"no desk profile of that name{nearest(name, known)}")])
    profile = loading.read(path, ProfileModel, "profile")
    if profile is None or loading.faults:
        raise FileFaults(loading.faults)
    return profile
