"""Reading the files of a show: the setlist, the rig that it names, the mappings and the profile that the rig names.

A name of a mapping or profile is a file: first beside the rig (`NAME.yaml`; the name may be written with `.yaml` too),
then among those that ship with the program. Every fault of every file is found in one go.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

from stagectl.core.tempo import TempoMap
from stagectl.errors import Fault, FileFaults, nearest
from stagectl.show.desk_fit import profile_faults
from stagectl.show.faults import FAULTS_MAX, model_faults
from stagectl.show.files import Files, KeptFiles, setlist_file
from stagectl.show.mapping import MappingModel
from stagectl.show.profile import ProfileModel
from stagectl.show.references import reference_faults, song_names
from stagectl.show.rig import RigModel
from stagectl.show.rig_fit import Taken, rig_names
from stagectl.show.salvage import Rest, again, hides, salvage, unsure
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source
from stagectl.show.timetable_fit import timetable_faults
from stagectl.show.track_fit import track_faults
from stagectl.show.tracks import tempo_of_song
from stagectl.show.values import NameText
from stagectl.show.yamltext import Text, shown
from stagectl.tracks.smf import tempo_of
from stagectl.where import shipped
from stagectl.wire.midi_file import SIZE_MAX

ModelT = TypeVar("ModelT", bound=BaseModel)

BESIDE_MAX: Final = 100
"""Files beside the rig that are looked into for the name that was meant."""

_MARKS: Final[Mapping[str, frozenset[str]]] = {
    "setlist": frozenset(("songs", "base")),
    "rig": frozenset(("inputs", "listeners", "desk")),
    "mapping": frozenset(("controls",)),
    "profile": frozenset(("over", "send")),
    "script": frozenset(("presses",)),
}
"""Keys by which a kind of file is known."""


def looks_like(data: Any) -> str | None:
    """The kind of file that data look like: the first with one of its keys."""
    keys = data.keys() if isinstance(data, dict) else ()
    return next((kind for kind, marks in _MARKS.items() if not marks.isdisjoint(keys)), None)


class Named(NamedTuple):
    """The place in a file that names another file."""

    source: Source
    place: tuple[str | int, ...]

    def fault(self, path: Path, says: str) -> Fault:
        """A fault of that file as a whole, told where it is named."""
        return self.source.fault(f"`{path.name}` {says}", *self.place)


_KINDS: Final[Mapping[type[BaseModel], str]] = {
    SetlistModel: "setlist",
    RigModel: "rig",
    MappingModel: "mapping",
    ProfileModel: "profile",
}


def _other_kind(data: Any, model: type[BaseModel]) -> str | None:
    """What is wrong with data that look like another kind of file than a model's; None where they may be its."""
    found, needed = looks_like(data), _KINDS.get(model)
    if found is None or needed is None or not _MARKS[needed].isdisjoint(data):
        return None
    return f"looks like a {found}, and a {needed} is needed here"


@dataclass(frozen=True, kw_only=True)
class Show:
    """A show as it was written: models with the sources that they came from."""

    setlist: SetlistModel
    rig: RigModel
    profile: ProfileModel
    mappings: Mapping[str, MappingModel]
    sources: Mapping[str, Source]
    folder: Path
    files: Mapping[str, bytes] = field(default_factory=dict)
    """What each file held that the show was read from, by its path, the setlist first."""
    tempos: Mapping[int, TempoMap] = field(default_factory=dict)
    """The tempo map of each song that has one, by its index."""
    lengths: Mapping[int, int] = field(default_factory=dict)
    """How long the sound files of tracks are, ns, by song, where they were looked at."""


@dataclass(kw_only=True)
class Loading:
    """Faults and sources, as they are found. Sources are named `setlist`, `rig`, `profile`, `mapping NAME`. `lost`:
    what other names may mean that cannot be used."""

    faults: list[Fault] = field(default_factory=list)
    sources: dict[str, Source] = field(default_factory=dict)
    lost: set[str] = field(default_factory=set)
    files: Files = field(default_factory=Files)

    def read(self, path: Path, model: type[ModelT], name: str, named: Named | None = None) -> ModelT | None:
        """A file as a model; None where it has faults."""
        before = len(self.faults)
        found = self.read_rest(path, model, name, named).model
        return found if len(self.faults) == before else None

    def read_profile(self, path: Path, named: Named | None = None) -> ProfileModel | None:
        """A desk profile that could fit some rig; None where it has faults."""
        profile = self.read(path, ProfileModel, "profile", named)
        wrong = [] if profile is None else list(profile_faults(profile, self.sources["profile"]))
        self.faults += wrong
        return None if wrong else profile

    def read_rest(self, path: Path, model: type[ModelT], name: str, named: Named | None = None) -> Rest[ModelT]:
        """A file as a model; where it has faults, what is left of it without its faulty parts. `named`: where it is
        named, if it is."""
        text = self.files.text(path)
        self.sources[name] = Source(path=path, text=text)
        self.faults += text.faults
        self.lost.update(*map(again, text.again))
        if text.data is None:
            if not text.faults:
                self.faults.append(Fault(str(path), 0, "the file is empty"))
            return Rest(model=None, written=text, text=text)
        try:
            return Rest(model=model.model_validate(text.data), written=text, text=text)
        except ValidationError as error:
            other = _other_kind(text.data, model)
            if other is not None:
                self.faults.append(Fault(str(path), 0, f"this {other}") if named is None else named.fault(path, other))
                return Rest(model=None, written=text, text=text)
            self.faults += model_faults(error, model, text, str(path))
            if len(self.faults) > FAULTS_MAX:
                return Rest(model=None, written=text, text=text)
            rest = salvage(model, text, error)
            self.sources[name] = Source(path=path, text=rest.text)
            self.lost |= rest.lost
            return rest

    def find(self, name: str, kind: str, source: Source, *place: str | int) -> Path | None:
        """The file of a mapping (`pedals`) or profile (`desks`); a fault at the place that names it if there is
        none."""
        beside, within = source.path.parent, shipped("mappings") / kind
        path = self.files.named(name, kind, beside)
        if path is not None:
            return path
        stem = name.removesuffix(".yaml")
        what, looks = {"pedals": ("mapping", "mapping"), "desks": ("desk profile", "profile")}[kind]
        known = [*(path.stem for path in _beside(beside, looks)), *sorted(path.stem for path in within.glob("*.yaml"))]
        says = f"there is no {what} `{stem}.yaml` beside {source.path.name}, nor one that ships with the program"
        self.faults.append(source.fault(says + nearest(stem, known), *place))
        return None

    def in_order(self) -> list[Fault]:
        """Every fault, by the order in which the files were read and then by line, none said twice."""
        files = [str(source.path) for source in self.sources.values()]
        places = {file: at for at, file in reversed(list(enumerate(files)))}
        found = sorted(dict.fromkeys(self.faults), key=lambda fault: (places.get(fault.file, len(files)), fault.line))
        if len(found) <= FAULTS_MAX:
            return found
        last = found[FAULTS_MAX]
        return [*found[:FAULTS_MAX], Fault(last.file, last.line, "there are more faults; mend these first")]


def _is_missing(path: Path) -> bool:
    """Is there nothing at all of that name? (A name that cannot be a file's is another matter.)"""
    try:
        path.stat()
    except (OSError, ValueError) as error:
        return isinstance(error, FileNotFoundError)
    return False


def _beside(folder: Path, kind: str) -> list[Path]:
    """The files of a folder that look like a kind of file."""
    some = islice(folder.glob("*.yaml"), BESIDE_MAX)
    return sorted(path for path in some if looks_like(Files().text(path).data) == kind)


def load_kept(files: Mapping[str, bytes]) -> Show:
    """The show of files that were kept, by their paths, the setlist first; whatever has become of the files themselves.
    Raises FileFaults where this version of the program does not take them, or one is missing."""
    return _load(Path(next(iter(files), "")), Loading(files=KeptFiles(files)))


def load_show(setlist: Path, files: Files | None = None) -> Show:
    """The show that a setlist file begins. Raises FileFaults with every fault of every file.

    A folder stands for the `setlist.yaml` in it. `files`: what was read of it before, which is not read again.
    """
    if _is_missing(setlist):
        raise FileFaults([Fault(str(setlist), 0, "there is no such file or folder")])
    return _load(setlist_file(setlist), Loading(files=files or Files()))


def _load(setlist: Path, loading: Loading) -> Show:
    path = setlist
    songs = loading.read_rest(path, SetlistModel, "setlist")
    kind = looks_like(songs.written.data)
    if kind not in (None, "setlist"):
        says = f"this looks like a {kind}; give the setlist or its folder"
        raise FileFaults([Fault(str(path), 0, says)])
    rig = _rig(loading, path, _peek(songs.written.data, "rig"))
    profile, mappings = _of_rig(loading, rig)
    checked = reference_faults(songs.model, rig.model, profile, mappings, loading.sources)
    tempos: Mapping[int, TempoMap] = {}
    times: Iterable[Fault] = ()
    if songs.model is not None:
        tempos, source = _tempos(loading, songs.model), loading.sources["setlist"]
        times = chain(timetable_faults(songs.model, source), track_faults(songs.model, rig.model, tempos, source))
    for taken in _taken(songs.model, rig.model, loading.sources):
        loading.faults.append(taken.fault)
        loading.lost |= unsure(taken.key, taken.name)
    told = (fault for fault in chain(times, checked) if not hides(loading.lost, fault))
    loading.faults += islice(told, FAULTS_MAX + 1)
    if loading.faults or songs.model is None or rig.model is None or profile is None:
        raise FileFaults(loading.in_order())
    return Show(
        setlist=songs.model,
        rig=rig.model,
        profile=profile,
        mappings=mappings,
        sources=loading.sources,
        folder=path.parent,
        files=loading.files.seen,
        tempos=tempos,
    )


def _taken(setlist: SetlistModel | None, rig: RigModel | None, sources: Mapping[str, Source]) -> Iterator[Taken]:
    """Names that are taken, in as many of the files as could be read."""
    if rig is not None:
        yield from rig_names(rig, sources["rig"])
    if setlist is not None:
        yield from song_names(setlist, sources["setlist"])


def _is_something_else(files: Files, path: Path) -> bool:
    """Whether there is a folder, a pipe or the like. (A name that cannot be a file's is none.)"""
    try:
        return files.is_something_else(path)
    except (OSError, ValueError):
        return False


def _rig(loading: Loading, setlist: Path, name: str) -> Rest[RigModel]:
    """The rig that the setlist names, beside it."""
    path = setlist.parent / name
    is_file = bool(name) and loading.files.is_file(path)
    if name and not is_file:
        known = [one.name for one in _beside(setlist.parent, "rig")]
        if _is_something_else(loading.files, path):
            says = f"`{shown(name)}` beside {setlist.name} is not a file"
        else:
            hint = nearest(name, known) if known else ""
            says = f"there is no file `{shown(name)}` beside {setlist.name}{hint}"
        loading.faults.append(loading.sources["setlist"].fault(says, "rig"))
    if not is_file:
        nothing = Text(None, {}, [])
        return Rest(model=None, written=nothing, text=nothing)
    source = loading.sources["setlist"]
    return loading.read_rest(path, RigModel, "rig", Named(source, ("rig",)))


def _tempos(loading: Loading, setlist: SetlistModel) -> dict[int, TempoMap]:
    """The tempo map of every song that says a tempo, or names a file of it beside the setlist."""
    found: dict[int, TempoMap] = {}
    source = loading.sources["setlist"]
    for at, song in enumerate(setlist.songs):
        try:
            if song.tempo_file is not None and song.tempo is None:
                found[at] = tempo_of(
                    loading.files.read(source.path.parent / song.tempo_file, SIZE_MAX + 1), song.bar_1_at
                )
            elif (tempo := tempo_of_song(song)) is not None:
                found[at] = tempo
        except (OSError, ValueError) as error:
            if song.tempo_file is not None:
                says = f"`{shown(song.tempo_file)}`: {getattr(error, 'strerror', None) or error}"
                if isinstance(error, FileNotFoundError):
                    known = sorted(one.name for one in source.path.parent.glob("*.mid"))
                    known = known if song.tempo_file.endswith(".mid") else []
                    hint = nearest(song.tempo_file, known) if known else ""
                    says = f"there is no file `{shown(song.tempo_file)}` beside the setlist{hint}"
                loading.faults.append(source.fault(says, "songs", at, "tempo file"))
    return found


def _of_rig(loading: Loading, rig: Rest[RigModel]) -> tuple[ProfileModel | None, dict[str, MappingModel]]:
    """The profile and the mappings that the rig's text names, be the rest of it sound or not."""
    profile: ProfileModel | None = None
    mappings: dict[str, MappingModel] = {}
    data = rig.written.data
    if not isinstance(data, dict):
        return profile, mappings
    source = Source(path=loading.sources["rig"].path, text=rig.written)
    name = _peek(data, "desk", "profile")
    if name:
        found = loading.find(name, "desks", source, "desk", "profile")
        profile = loading.read_profile(found, Named(source, ("desk", "profile"))) if found else None
    pedals = data.get("pedals")
    for at, pedal in enumerate(pedals if isinstance(pedals, list) else []):
        name = _peek(pedal, "mapping")
        if name and f"mapping {name}" not in loading.sources:
            found = loading.find(name, "pedals", source, "pedals", at, "mapping")
            named = Named(source, ("pedals", at, "mapping"))
            rest = loading.read_rest(found, MappingModel, f"mapping {name}", named) if found else None
            if rest is not None and rest.model is not None:
                mappings[name] = rest.model
    return profile, mappings


def _peek(data: Any, *keys: str) -> str:
    """A name under some keys of data that need not be sound; an empty text where there is none."""
    for key in keys:
        data = data.get(key) if isinstance(data, dict) else None
    try:
        return NameText().parse(data)
    except ValueError:
        return ""


def load_profile(name: str) -> ProfileModel:
    """A desk profile by the path of its file, or by the name of one that ships with the program."""
    loading = Loading()
    path = Path(name)
    if path.suffix != ".yaml":
        path = shipped("mappings") / "desks" / f"{name}.yaml"
        if "/" in name or "\\" in name or not loading.files.is_file(path):
            raise FileFaults([Fault(name, 0, _no_profile(name))])
    profile = loading.read_profile(path)
    if profile is None or loading.faults:
        raise FileFaults(loading.faults)
    return profile


def _no_profile(name: str) -> str:
    """Why a name that ships with no program is no profile: a file was meant, or a name is misspelt."""
    path = Path(f"{name}.yaml")
    if Files().is_file(path):
        return f"there is no such file; did you mean `{path.name}`?"
    if path.parent != Path():
        return "there is no such file; the name of a profile of your own ends in `.yaml`"
    known = sorted(found.stem for found in (shipped("mappings") / "desks").glob("*.yaml"))
    return f"no desk profile of that name{nearest(name, known)}"
