"""Reading YAML the way a musician means it.

Every plain value stays the text that was typed; the models decide what is a number, a level or a yes. So a song
called `808`, `1:30` or `no` keeps its name, and `off` is a level. Only an empty value and `~` mean nothing.
The place of every value is kept, so that each fault can name its line. Aliases (`&x`, `*x`) and merges (`<<`)
work within bounds; tags, second documents and keys that stand twice are faults.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, NamedTuple, TypeAlias

import yaml

from stagectl.errors import Fault

BYTES_MAX: Final = 4 * 1024 * 1024
"""The largest file that is read: thousands of songs fit."""

DEPTH_MAX: Final = 24
"""How deep values may stand in each other; the models use 8."""

VALUES_MAX: Final = 200_000
"""Values in a file, an alias counted as often as it is used."""

Path: TypeAlias = tuple[str | int, ...]


class Text(NamedTuple):
    """A file's data (None where it could not be read), the line of each value by its path, and the faults."""

    data: Any
    lines: dict[Path, int]
    faults: list[Fault]

    def line(self, path: Path) -> int:
        """The line of the value at a path, or of the nearest value around it. Parts of the path that do not stand
        in the file (a model's own way of sorting its variants) are passed over."""
        here: Path = ()
        for part in path:
            if (*here, part) in self.lines:
                here = (*here, part)
        return self.lines.get(here, 0)


class _Value(NamedTuple):
    data: Any
    size: int
    line: int


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
            raise _Stop(0, f"the file has {len(raw):,} bytes; at most {BYTES_MAX:,} are read")
        text = _decode(raw)
        data = reader.read(text)
    except _Stop as stop:
        reader.faults.append(Fault(file, stop.line, str(stop)))
        data = None
    return Text(data, reader.lines, reader.faults)


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise _Stop(line, f"byte {error.start} ({raw[error.start]:#04x}) is not UTF-8 text") from error


class _Reader:
    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.lines: dict[Path, int] = {}
        self.anchors: dict[str, _Value] = {}
        self.open_anchors: set[str] = set()
        self.values = 0

    def read(self, text: str) -> Any:
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        events: Iterator[Any] = yaml.parse(text, Loader=loader)
        try:
            return self._documents(events)
        except yaml.MarkedYAMLError as error:
            raise self._syntax(error, text) from error
        except yaml.YAMLError as error:
            raise _Stop(0, f"this is not YAML: {' '.join(str(error).split())}") from error

    def _syntax(self, error: yaml.MarkedYAMLError, text: str) -> _Stop:
        mark = error.problem_mark or error.context_mark
        if mark is None:
            return _Stop(0, f"this is not YAML: {error.problem}")
        rows = text.splitlines()
        row = rows[mark.line] if mark.line < len(rows) else ""
        indent = row[: len(row) - len(row.lstrip())]
        if "\t" in indent or row[mark.column : mark.column + 1] == "\t":
            return _Stop(mark.line + 1, "a tab stands here; YAML indents with spaces: put two spaces for each tab")
        if "nesting depth" in str(error):
            return _Stop(mark.line + 1, f"values stand more than {DEPTH_MAX} deep in each other")
        if "mapping values are not allowed" in str(error.problem):
            hint = "a second `: ` on this line; put quotes around a text that holds a colon, or start a new line"
            return _Stop(mark.line + 1, hint)
        return _Stop(mark.line + 1, f"this is not YAML: {error.problem}")

    def _documents(self, events: Iterator[Any]) -> Any:
        data, seen = None, False
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                if seen:
                    raise _Stop(_line(event), "a second document (`---`) begins here; a file holds one")
                seen = True
                data = self._value(next(events), events, (), 0).data
        return data

    def _value(self, event: Any, events: Iterator[Any], path: Path, depth: int) -> _Value:
        line = _line(event)
        if depth > DEPTH_MAX:
            raise _Stop(line, f"values stand more than {DEPTH_MAX} deep in each other")
        if isinstance(event, yaml.AliasEvent):
            return self._alias(event.anchor, line, path)
        if event.tag is not None and event.tag != "!":
            raise _Stop(line, f"the tag `{event.tag}` is not used here; write the plain value")
        self._count(1, line)
        self.lines.setdefault(path, line)
        if event.anchor is not None:
            self.open_anchors.add(event.anchor)
        if isinstance(event, yaml.ScalarEvent):
            value = _Value(_plain(event), 1, line)
        elif isinstance(event, yaml.SequenceStartEvent):
            value = self._list(events, path, depth, line)
        else:
            value = self._mapping(events, path, depth, line)
        if event.anchor is not None:
            self.open_anchors.discard(event.anchor)
            self.anchors[event.anchor] = value
        return value

    def _alias(self, anchor: Any, line: int, path: Path) -> _Value:
        if anchor in self.open_anchors:
            raise _Stop(line, f"`*{anchor}` stands inside what it repeats")
        if anchor not in self.anchors:
            raise _Stop(line, f"`*{anchor}` repeats nothing: there is no `&{anchor}` above")
        value = self.anchors[anchor]
        self._count(value.size, line)
        self.lines.setdefault(path, line)
        return value

    def _count(self, size: int, line: int) -> None:
        self.values += size
        if self.values > VALUES_MAX:
            raise _Stop(line, f"the file comes to more than {VALUES_MAX:,} values, aliases counted in full")

    def _list(self, events: Iterator[Any], path: Path, depth: int, line: int) -> _Value:
        out: list[Any] = []
        size = 1
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            value = self._value(event, events, (*path, len(out)), depth + 1)
            out.append(value.data)
            size += value.size
        return _Value(out, size, line)

    def _mapping(self, events: Iterator[Any], path: Path, depth: int, line: int) -> _Value:
        out: dict[str, Any] = {}
        merged: dict[str, Any] = {}
        key_lines: dict[str, int] = {}
        size = 1
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key_line = _line(event)
            if not isinstance(event, yaml.ScalarEvent):
                raise _Stop(key_line, "a key has to be plain text, followed by `: `")
            key = str(event.value)
            twice = key in key_lines
            value_event = next(events)
            place = (*path, key)
            if not twice:
                self.lines[place] = key_line
            value = self._value(value_event, events, (*place, "") if twice else place, depth + 1)
            size += value.size
            if twice:
                text = f"`{key}` stands here again; it stands in line {key_lines[key]} already"
                self.faults.append(Fault(self.file, key_line, text))
            elif key == "<<":
                merged = self._merge(value, key_line)
            else:
                out[key] = value.data
            key_lines.setdefault(key, key_line)
        return _Value({**merged, **out}, size, line)

    def _merge(self, value: _Value, line: int) -> dict[str, Any]:
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
    return None if plain and event.value in ("", "~") else str(event.value)
