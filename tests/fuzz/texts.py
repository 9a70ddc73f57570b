"""Texts that people write: YAML, the files of a show, press scripts, recordings, names that a shell completes.

The outside judge of YAML is PyYAML's own composer in Python, where ours reads by libyaml's events. Files are read from
memory, as a journal keeps them, so that nothing is written but what only a path can be given for.
"""

from __future__ import annotations

import tempfile
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, Final

import yaml

from stagectl.core.plan import Plan
from stagectl.errors import Fault, FileFaults
from stagectl.learn.desk_take import links_of
from stagectl.rehearse.script import read_script
from stagectl.rehearse.take import read_take
from stagectl.show.advice import advice_on
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.faults import FAULTS_MAX
from stagectl.show.load import Show, load_kept, load_show
from stagectl.show.yamltext import DEPTH_MAX, VALUES_MAX, read_text
from stagectl.where import shipped

SETLISTS: Final = Path(__file__).parents[2] / "setlists"

FOLDER: Final = "/show"
"""Where the files of a show are said to be; there is no such folder."""

FILE: Final = b"=== "
"""Begins the line that names a file of a show; its text follows."""

FAULT_MAX: Final = 2_000
"""Characters of a fault, with room."""


NOT_JUDGED: Final = (b"<<", b"!")
"""The composer merges nothing, and takes the tag `!` before nothing for nothing, where ours takes it for a text."""


def yaml_text(data: bytes) -> None:
    """Any bytes are read or their faults are told; what is read without a fault is what another composer reads."""
    found = read_text(data, "a file")
    check_faults(found.faults, {"a file": data}, most=None)
    places = set(_paths(found.data))
    assert bool(found.faults) or places >= set(found.lines)
    # What is repeated by an alias, or merged in, has the line of that alone.
    assert bool(found.faults) or b"*" in data or found.data is None or places == set(found.lines)
    deep, size = _measure(found.data)
    assert deep <= DEPTH_MAX and size <= VALUES_MAX
    if not found.faults and not any(mark in data for mark in NOT_JUDGED):
        try:
            judged = _by_composer(data)
        except yaml.YAMLError:
            # libyaml takes some texts that the other does not, such as a tab before a value.
            return
        assert found.data == judged


def _paths(data: Any, here: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The place of each value."""
    yield here
    items: Any = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield from _paths(value, (*here, key))


def _measure(data: Any) -> tuple[int, int]:
    """How deep data are, and how many values."""
    inner = list(data.values()) if isinstance(data, dict) else data if isinstance(data, list) else []
    sizes = [_measure(one) for one in inner]
    return max((deep + 1 for deep, _ in sizes), default=0), 1 + sum(size for _, size in sizes)


def _by_composer(data: bytes) -> Any:
    node = yaml.compose(data.decode("utf-8-sig"), Loader=yaml.BaseLoader)
    return None if node is None else _of_node(node)


def _of_node(node: yaml.Node) -> Any:
    if isinstance(node, yaml.MappingNode):
        return {unicodedata.normalize("NFC", key.value): _of_node(value) for key, value in node.value}
    if isinstance(node, yaml.SequenceNode):
        return [_of_node(one) for one in node.value]
    plain = isinstance(node, yaml.ScalarNode) and node.style is None and node.value in ("", "~")
    return None if plain else unicodedata.normalize("NFC", node.value)


def check_faults(faults: list[Fault] | tuple[Fault, ...], files: Mapping[str, bytes], most: int | None) -> None:
    """Faults are sentences on one line, of bounded length and number, at lines that there are."""
    assert most is None or 0 < len(faults) <= most
    for fault in faults:
        assert _is_plain(fault.text, FAULT_MAX), fault
        raw = files.get(fault.file)
        assert raw is None or 0 <= fault.line <= len(raw.splitlines()) + raw.count(b"\x85") + raw.count(b"\xa8") + 1


def sentence(error: Exception, most: int) -> None:
    """A refusal is a sentence on one line of up to `most` characters, and moves no cursor."""
    assert _is_plain(str(error), most), error


def _is_plain(said: str, most: int) -> bool:
    return 0 < len(said) <= most and not any(ord(char) < 32 or 127 <= ord(char) < 160 for char in said)


# -- a show ---------------------------------------------------------------------------------------------------


@cache
def _shown() -> Mapping[str, bytes]:
    """The smallest show, whose files are in force where an input says nothing of them."""
    folder, pedals = SETLISTS / "three-songs", shipped("mappings") / "pedals"
    kept = {path.name: path.read_bytes() for path in (folder / "setlist.yaml", folder / "rig.yaml")}
    own = {path.name: path.read_bytes() for path in load_files(folder) if path.name not in kept}
    assert pedals.is_dir()
    return {**kept, **own}


def load_files(folder: Path) -> list[Path]:
    """The files that a show is read from."""
    return [Path(name) for name in load_show(folder).files]


def files_of(data: bytes) -> dict[str, bytes]:
    """The files of a show by their paths, from a text in which a line `=== NAME` begins each; the setlist is first."""
    named = {**_shown()}
    for part in data.split(b"\n" + FILE)[: len(named) + 4]:
        head, _, text = part.removeprefix(FILE).partition(b"\n")
        named[head.strip().decode("ascii", "replace") or "setlist.yaml"] = text
    return {f"{FOLDER}/{name}": text for name, text in named.items()}


VENUES_MAX: Final = 3


def show_files(data: bytes) -> None:
    """Whatever the files of a show hold, it loads or its faults are told; what loads compiles for every venue, and
    what is worth another look is told."""
    files = files_of(data)
    try:
        show = load_kept(files)
    except FileFaults as faults:
        check_faults(faults.faults, files, FAULTS_MAX + 1)
        return
    for venue in (None, *islice(show.setlist.venues, VENUES_MAX)):
        compiled = compile_show(show, venue)
        assert compiled.plan.stops
        for told in islice(advice_on(show, compiled.plan), 50):
            assert _is_plain(told.text, FAULT_MAX)


# -- what only a path can be given for -------------------------------------------------------------------------


@cache
def demo() -> tuple[Show, Compiled]:
    """The demo show and its plan."""
    show = load_show(SETLISTS / "nine-songs")
    return show, compile_show(show)


@contextmanager
def written(data: bytes, name: str) -> Iterator[Path]:
    """A file that holds this, alone in a folder; nothing else may be there afterwards."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        yield path
        assert [one.name for one in Path(folder).iterdir()] == [name]


def _plan() -> Plan:
    return demo()[1].plan


def press_script(data: bytes) -> None:
    """A press script: events that rise in time, of controls that there are; or faults."""
    plan = _plan()
    with written(data, "presses.yaml") as path:
        try:
            events = read_script(path, plan)
        except FileFaults as faults:
            check_faults(faults.faults, {str(path): data}, None)
            return
    times = [timed.at for timed in events]
    assert times == sorted(times) and min(times, default=0) >= 0


def pedal_take(data: bytes) -> None:
    """A pedal take: events that rise in time, or faults."""
    with written(data, "take.mid") as path:
        try:
            events = read_take(path, demo()[0])
        except FileFaults as faults:
            check_faults(faults.faults, {}, 1)
            return
    times = [timed.at for timed in events]
    assert times == sorted(times) and min(times, default=0) >= 0


def desk_recording(data: bytes) -> None:
    """A recording of a desk: moves with packets that rise in time, or faults."""
    with written(data, "desk.txt") as path:
        try:
            ((_, parts),) = links_of(path)
        except FileFaults as faults:
            check_faults(faults.faults, {str(path): data}, None)
            return
    times = [at for _, packets in parts for at, _ in packets]
    assert times == sorted(times)
