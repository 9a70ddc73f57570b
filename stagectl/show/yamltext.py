"""Reading YAML the way a musician means it.

Every plain value stays the text that was typed; the models decide what is a number, a level or a yes. So a song
called `808`, `1:30` or `no` keeps its name, and `off` is a level. Only an empty value and `~` mean nothing.
The place of every value is kept, so that each fault can name its line. Aliases (`&x`, `*x`) and merges (`<<`)
work within bounds; tags, second documents and keys that stand twice are faults. Accented letters are brought to
one form (Unicode's NFC), so that names that look the same are the same.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple, TypeAlias

import yaml

from stagectl.errors import Fault

BYTES_MAX: Final = 4 * 1024 * 1024
"""The largest file that is read: thousands of songs fit."""

DEPTH_MAX: Final = 24
"""How deep values may stand in each other; the models use 8."""

VALUES_MAX: Final = 200_000
"""Values in a file, an alias counted as often as it is used."""

SHOWN_MAX: Final = 80
"""Characters of a value that a fault repeats."""

Path: TypeAlias = tuple[str | int, ...]


def shown(text: str) -> str:
    """A text as a fault repeats it: on one line, and not longer than a line."""
    cut = text if len(text) <= SHOWN_MAX else text[:SHOWN_MAX] + "…"
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in cut)


def place_of(path: Path, stands: Callable[[Path], bool]) -> Path:
    """The place in the file that a path of a model means: parts that do not stand there (a list of one that was
    written without the list) are passed over."""
    here: Path = ()
    for part in path:
        if stands((*here, part)):
            here = (*here, part)
    return here


class Unsure(NamedTuple):
    """A text that may have been meant otherwise: with the comment behind it (`cut`), or without the quotes around it,
    which are none to YAML."""

    typed: str
    cut: str = ""

    def __str__(self) -> str:
        if self.cut:
            typed, cut = shown(self.typed), shown(self.cut)
            return f"`{cut}` behind `{typed}` is a comment: put quotes around a text that holds a `#`"
        return f"the quotes of `{shown(self.typed)}` are a part of it: write straight ones, or straight ones around it"


class Text(NamedTuple):
    """A file's data (None where it could not be read), the line of each value by its path, and the faults. `unsure`:
    texts that may have been meant otherwise, by path. `again`: the paths of keys that stand twice, of which the first
    counts."""

    data: Any
    lines: dict[Path, int]
    faults: list[Fault]
    unsure: Mapping[Path, Unsure] = MappingProxyType({})
    again: tuple[Path, ...] = ()

    def line(self, path: Path) -> int:
        """The line of the value at a path, or of the nearest value around it."""
        return self.lines.get(self.place(path), 0)

    def place(self, path: Path) -> Path:
        """The place in the file that a path of a model means."""
        return place_of(path, self.lines.__contains__)

    def at(self, path: Path) -> Any:
        """The data at a path; None where there is nothing."""
        inside = self.data
        for part in path:
            if isinstance(inside, dict):
                inside = inside.get(part)
            else:
                is_there = isinstance(inside, list) and isinstance(part, int) and part < len(inside)
                inside = inside[part] if is_there else None
        return inside


class _Value(NamedTuple):
    """`size`: the values in it, itself counted; `height`: how deep they stand in it."""

    data: Any
    size: int
    height: int


class _Stop(Exception):
    """Reading cannot go on: the fault says why."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line = line


def read_text(raw: bytes, file: str) -> Text:
    """The values of a YAML text. `file`: its name in faults. Never raises for what stands in the text."""
    reader = _Reader(file)
    try:
        if len(raw) > BYTES_MAX:
            raise _Stop(0, f"the file has more than {BYTES_MAX:,} bytes, the most that is read")
        text = _decode(raw)
        data = reader.read(text)
    except _Stop as stop:
        reader.faults.append(Fault(file, stop.line, str(stop)))
        data = None
    return Text(data, reader.lines, reader.faults, reader.unsure, tuple(reader.again))


_NO_TEXT = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that YAML 1.1 does not allow (its §5.1)."""


def _decode(raw: bytes) -> str:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        byte = raw[error.start]
        raise _Stop(line, f"this is not UTF-8 text (byte {byte:02X}); save the file as UTF-8") from error
    odd = _NO_TEXT.search(text)
    if odd is not None:
        line = text.count("\n", 0, odd.start()) + 1
        raise _Stop(line, f"the control character U+{ord(odd[0]):04X} stands here; take it out")
    return text


_UNSURE = re.compile(r" #\w|[“”„‘’‚«»]")
"""What a text has in it where some value may have been meant otherwise."""

_QUOTED = re.compile(r"[“”„‘’‚«»].*[“”„‘’‚«»]", re.DOTALL)
_CUT = re.compile(r" +(#\w.*)")


def _unsure(typed: str, row: str, end: int) -> Unsure | None:
    """What a plain text may have been meant to be; None where it is as typed. `end`: where it ends in its row."""
    if _QUOTED.fullmatch(typed):
        return Unsure(typed)
    cut = _CUT.match(row, end)
    return None if cut is None else Unsure(typed, cut[1].rstrip())


class _Reader:
    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.lines: dict[Path, int] = {}
        self.anchors: dict[str, _Value] = {}
        self.open_anchors: set[str] = set()
        self.values = 0
        self.unsure: dict[Path, Unsure] = {}
        self.again: list[Path] = []
        self.rows: list[str] = []

    def read(self, text: str) -> Any:
        if _UNSURE.search(text):
            self.rows = text.splitlines()
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        events: Iterator[Any] = yaml.parse(text, Loader=loader)
        try:
            return self._documents(events)
        except yaml.MarkedYAMLError as error:
            from stagectl.show.syntax import explain

            raise _Stop(*explain(error, text)) from error
        except yaml.YAMLError as error:
            raise _Stop(0, f"this is not YAML: {' '.join(str(error).split())}") from error

    def _documents(self, events: Iterator[Any]) -> Any:
        data, seen = None, False
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                if seen:
                    text = "a second document (`---`) begins here; a file holds one"
                    self.faults.append(Fault(self.file, _line(event), text))
                    break
                seen = True
                data = self._value(next(events), events, (), 0).data
        return data

    def _value(self, event: Any, events: Iterator[Any], path: Path, depth: int) -> _Value:
        line = _line(event)
        self._check_depth(depth, line)
        if isinstance(event, yaml.AliasEvent):
            return self._alias(str(event.anchor), line, path, depth)
        if event.tag is not None and event.tag != "!":
            tag = shown(event.tag.replace("tag:yaml.org,2002:", "!!"))
            raise _Stop(line, f"the tag `{tag}` is not used here; write the plain value")
        self._count(1, line)
        self.lines.setdefault(path, line)
        if event.anchor is not None:
            self.open_anchors.add(event.anchor)
        if isinstance(event, yaml.ScalarEvent):
            value = _Value(_plain(event), 1, 0)
            self._look(event, path)
        elif isinstance(event, yaml.SequenceStartEvent):
            value = self._list(events, path, depth)
        else:
            value = self._mapping(events, path, depth)
        if event.anchor is not None:
            self.open_anchors.discard(event.anchor)
            self.anchors[event.anchor] = value
        return value

    def _look(self, event: Any, path: Path) -> None:
        """Keep in mind what a plain text may have been meant to be."""
        if self.rows and event.implicit[0]:
            mark = event.end_mark
            row = self.rows[mark.line] if mark.line < len(self.rows) else ""
            found = _unsure(event.value, row, mark.column)
            if found is not None:
                self.unsure[path] = found

    def _alias(self, anchor: str, line: int, path: Path, depth: int) -> _Value:
        name = shown(anchor)
        if anchor in self.open_anchors:
            raise _Stop(line, f"`*{name}` stands inside what it repeats")
        if anchor not in self.anchors:
            hint = f"there is no `&{name}` above (put quotes around a text that begins with `*`)"
            raise _Stop(line, f"`*{name}` repeats nothing: {hint}")
        value = self.anchors[anchor]
        self._check_depth(depth + value.height, line)
        self._count(value.size, line)
        self.lines.setdefault(path, line)
        return value

    def _check_depth(self, depth: int, line: int) -> None:
        if depth > DEPTH_MAX:
            raise _Stop(line, f"values stand more than {DEPTH_MAX} deep in each other")

    def _count(self, size: int, line: int) -> None:
        self.values += size
        if self.values > VALUES_MAX:
            raise _Stop(line, f"the file comes to more than {VALUES_MAX:,} values, aliases counted in full")

    def _list(self, events: Iterator[Any], path: Path, depth: int) -> _Value:
        out: list[Any] = []
        size, height = 1, 0
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            value = self._value(event, events, (*path, len(out)), depth + 1)
            out.append(value.data)
            size, height = size + value.size, max(height, value.height + 1)
        return _Value(out, size, height)

    def _mapping(self, events: Iterator[Any], path: Path, depth: int) -> _Value:
        out: dict[str, Any] = {}
        merged: dict[str, Any] = {}
        key_lines: dict[str, int] = {}
        size, height = 1, 0
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key_line = _line(event)
            if not isinstance(event, yaml.ScalarEvent):
                raise _Stop(key_line, "a key has to be plain text, followed by `: `")
            key = _text(event)
            twice = key in key_lines
            value_event = next(events)
            place = (*path, key)
            if not twice:
                self.lines[place] = key_line
                self._look(event, place)
            value = self._value(value_event, events, (*place, "") if twice else place, depth + 1)
            size, height = size + value.size, max(height, value.height + 1)
            if twice:
                text = f"`{shown(key)}` stands here again; it stands in line {key_lines[key]} already"
                self.faults.append(Fault(self.file, key_line, text))
                self.again.append(place)
            elif key == "<<":
                merged = _merge(value, key_line)
            else:
                out[key] = value.data
            key_lines.setdefault(key, key_line)
        for key in merged.keys() - out.keys():
            self.lines.setdefault((*path, key), key_lines["<<"])
        return _Value({**merged, **out}, size, height)


def _merge(value: _Value, line: int) -> dict[str, Any]:
    parts = value.data if isinstance(value.data, list) else [value.data]
    out: dict[str, Any] = {}
    for part in reversed(parts):
        if not isinstance(part, dict):
            raise _Stop(line, "`<<` takes in a mapping, such as `*name`")
        out |= part
    return out


def _line(event: Any) -> int:
    return int(event.start_mark.line) + 1


def _plain(event: Any) -> str | None:
    """The text as typed; an empty plain value and `~` are nothing."""
    plain = event.implicit[0]
    return None if plain and event.value in ("", "~") else _text(event)


def _text(event: Any) -> str:
    text = unicodedata.normalize("NFC", event.value)
    if any("\ud800" <= char <= "\udfff" for char in text):
        raise _Stop(_line(event), "half a character (U+D800 to U+DFFF) is written here")
    return text
