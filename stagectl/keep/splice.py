"""Changing single values of a YAML text, and nothing else of it.

A new value takes the place of the old one, between its quotes where it has any. What has no line yet gets one behind
the last of its mapping: in a flow mapping behind the last value, in a block mapping on a line of its own, as far in as
the keys beside it, with the file's own line ends. A mapping that is missing is written the way of its neighbours.

What is repeated elsewhere (`&x`, `*x`), taken in (`<<`), or written in some other way than these, is not touched:
SpliceError says so. `proved` reads both texts with another reader than the one whose marks this goes by, and compares.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import yaml

from stagectl.errors import StagectlError
from stagectl.show.yamltext import Path, read_text, shown

STEP: Final = 2
"""How much further in a block begins, where the file has none to go by, columns."""

_UNIT = re.compile(r"\s*dB$", re.IGNORECASE)
_BARE = re.compile(r"[^\W_][\w ./()+'’-]*")
_NOT_BARE = re.compile(r" #|: |:$|^- ")

Tree: TypeAlias = "dict[str, Tree | str]"
"""Keys that are missing, with what is to stand under them."""


class SpliceError(StagectlError):
    """A value cannot be changed by itself. `line`: where it stands, from 1."""

    def __init__(self, line: int, says: str) -> None:
        super().__init__(says)
        self.line = line


class Splicer:
    """A text whose values can be changed. It must be a sound file: `yamltext.read_text` has no faults."""

    def __init__(self, raw: bytes) -> None:
        whole = raw.decode("utf-8")
        self.mark = "\ufeff" if whole.startswith("\ufeff") else ""
        self.text = whole.removeprefix(self.mark)
        # The loader in Python: its marks count the characters of the text as it is given. Between tokens it takes no
        # tabs; a sound file has them only there and inside of texts, where spaces lead to the same marks.
        self.root = yaml.compose(self.text.replace("\t", " "), Loader=yaml.SafeLoader)
        self.used: Counter[int] = Counter()
        self._count(self.root)
        self.newline = "\r\n" if "\r\n" in self.text else "\n"

    def _count(self, node: Any) -> None:
        """How often each node stands in the text: more than once where it is repeated by an alias."""
        self.used[id(node)] += 1
        if self.used[id(node)] > 1:
            return
        for child in _children(node):
            self._count(child)

    def spliced(self, changes: Mapping[Path, str]) -> bytes:
        """The text with these values at these places. Raises SpliceError."""
        edits: list[tuple[int, int, str]] = []
        missing: dict[Path, Tree] = {}
        for path, value in changes.items():
            known, node = self._deepest(path)
            if len(known) == len(path):
                edits.append(self._replaced(node, value))
                continue
            tree = missing.setdefault(known, {})
            *way, last = path[len(known) :]
            for key in way:
                below = tree.setdefault(str(key), {})
                assert isinstance(below, dict)
                tree = below
            tree[str(last)] = value
        for place, tree in missing.items():
            edits.append(self._inserted(place, tree))
        text = self.text
        for start, end, new in sorted(edits, reverse=True):
            text = text[:start] + new + text[end:]
        return (self.mark + text).encode("utf-8")

    def line(self, path: Path) -> int:
        """The line of the value at a path, or of the nearest one around it, from 1."""
        node: Any = self.root
        for key in path:
            found = _child(node, key)
            if found is None:
                break
            node = found
        return int(node.start_mark.line) + 1

    def _deepest(self, path: Path) -> tuple[Path, Any]:
        """The part of a path that stands in the text, and the node there."""
        node: Any = self.root
        known = 0
        for key in path:
            line = node.start_mark.line + 1
            if self.used[id(node)] > 1:
                raise SpliceError(line, "it is repeated elsewhere (`*`)")
            found = _child(node, key)
            if found is None:
                if isinstance(node, yaml.MappingNode) and any(one.value == "<<" for one, _ in node.value):
                    raise SpliceError(line, "it is taken in from elsewhere (`<<`)")
                break
            node, known = found, known + 1
        if self.used[id(node)] > 1:
            raise SpliceError(node.start_mark.line + 1, "it is repeated elsewhere (`*`)")
        return path[:known], node

    def _replaced(self, node: Any, value: str) -> tuple[int, int, str]:
        start, end = node.start_mark.index, node.end_mark.index
        raw, line = self.text[start:end], node.start_mark.line + 1
        if not isinstance(node, yaml.ScalarNode) or raw[:1] in ("&", "!", "|", ">") or "\n" in raw:
            raise SpliceError(line, f"`{shown(raw)}` is not written as a plain value")
        quote = raw[:1] if node.style in ("'", '"') else ""
        unit = _UNIT.search(node.value)
        if unit is not None and value != "off":
            value += unit[0]
        return start, end, f"{quote}{value}{quote}"

    # -- what has no line yet -----------------------------------------------------------------------------

    def _inserted(self, place: Path, tree: Tree) -> tuple[int, int, str]:
        _, node = self._deepest(place)
        if not isinstance(node, yaml.MappingNode):
            raise SpliceError(node.start_mark.line + 1, "there is no mapping to put it in")
        if node.flow_style:
            return self._into_flow(node, tree)
        behind = self._behind(node, tree)
        at = self._end(behind)
        if isinstance(behind, yaml.ScalarNode) and self.text[behind.start_mark.index : at][:1] in ("|", ">"):
            raise SpliceError(behind.start_mark.line + 1, "what stands above it is a text of several lines")
        column = node.value[0][0].start_mark.column
        lines = self._block(tree, column, node)
        end = self.text.find("\n", at)
        if end < 0:
            return len(self.text), len(self.text), "".join(self.newline + one for one in lines)
        return end + 1, end + 1, "".join(one + self.newline for one in lines)

    def _behind(self, node: Any, tree: Tree) -> Any:
        """The value behind which new keys go: the last one, but `levels` goes before the sections of its song."""
        values = [value for _, value in node.value]
        names = [key.value for key, _ in node.value]
        if "levels" in tree and "sections" in names and (at := names.index("sections")) > 0:
            return values[at - 1]
        return values[-1]

    def _end(self, node: Any) -> int:
        """Where the last character of a value is over."""
        if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
            last = node.value[-1]
            return self._end(last[1] if isinstance(node, yaml.MappingNode) else last)
        end = int(node.end_mark.index)
        return end if end > node.start_mark.index or node.start_mark.index == 0 else int(node.start_mark.index)

    def _into_flow(self, node: Any, tree: Tree) -> tuple[int, int, str]:
        said = ", ".join(f"{_key(key)}: {_flow(below)}" for key, below in tree.items())
        if node.value:
            at = int(node.value[-1][1].end_mark.index)
            return at, at, f", {said}"
        at = int(node.start_mark.index) + self.text[node.start_mark.index :].index("{") + 1
        return at, at, said

    def _block(self, tree: Tree, column: int, beside: Any) -> list[str]:
        """The lines of missing keys: mappings of values in flow style where their neighbours are, or nothing says."""
        siblings = [value for _, value in beside.value] if beside is not None else []
        blocks = [one for one in siblings if isinstance(one, yaml.MappingNode) and not one.flow_style]
        flows = [one for one in siblings if isinstance(one, yaml.MappingNode) and one.flow_style]
        step = blocks[0].value[0][0].start_mark.column - column if blocks else STEP
        out = []
        for key, below in tree.items():
            head = " " * column + _key(key) + ":"
            if isinstance(below, str):
                out.append(f"{head} {below}")
            elif all(isinstance(one, str) for one in below.values()) and (flows or not blocks):
                out.append(f"{head} {_flow(below)}")
            else:
                out += [head, *self._block(below, column + step, None)]
        return out


def _flow(below: Tree | str) -> str:
    if isinstance(below, str):
        return below
    return "{" + ", ".join(f"{_key(key)}: {_flow(value)}" for key, value in below.items()) + "}"


def _key(name: str) -> str:
    """A key as it stands in YAML, in quotes where it has to."""
    if _BARE.fullmatch(name) and not _NOT_BARE.search(name) and name == name.strip():
        return name
    return "'" + name.replace("'", "''") + "'"


def _children(node: Any) -> list[Any]:
    if isinstance(node, yaml.MappingNode):
        return [one for pair in node.value for one in pair]
    return list(node.value) if isinstance(node, yaml.SequenceNode) else []


def _child(node: Any, key: str | int) -> Any:
    """The value under a key; None where there is none."""
    if isinstance(node, yaml.SequenceNode):
        return node.value[key] if isinstance(key, int) and key < len(node.value) else None
    if not isinstance(node, yaml.MappingNode):
        return None
    return next((value for one, value in node.value if unicodedata.normalize("NFC", one.value) == key), None)


def proved(old: bytes, new: bytes, changes: Mapping[Path, str], file: str) -> bool:
    """Whether a text says what another one does, but for these values. Reads both by the events of libyaml, where it is
    there, and not by the marks that the new one was made with."""
    before, after = read_text(old, file), read_text(new, file)
    if before.faults or after.faults:
        return False
    data = before.data
    for path, value in changes.items():
        data = _with(data, path, value)
    return bool(data == _with_units(after.data, changes))


def _with(data: Any, path: Path, value: str) -> Any:
    """The data with a value at a path; mappings that are missing are made."""
    if not path:
        return value
    key, *rest = path
    if isinstance(data, list) and isinstance(key, int):
        return [_with(one, tuple(rest), value) if at == key else one for at, one in enumerate(data)]
    some = dict(data) if isinstance(data, dict) else {}
    some[str(key)] = _with(some.get(str(key)), tuple(rest), value)
    return some


def _with_units(data: Any, changes: Mapping[Path, str]) -> Any:
    """The data without the units behind the changed values."""
    for path in changes:
        value = _at(data, path)
        if isinstance(value, str):
            data = _with(data, path, _UNIT.sub("", value))
    return data


def _at(data: Any, path: Path) -> Any:
    for key in path:
        if isinstance(data, list) and isinstance(key, int):
            data = data[key] if key < len(data) else None
        else:
            data = data.get(key) if isinstance(data, dict) else None
    return data
