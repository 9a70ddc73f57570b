"""Setlists in every hand, by seed: block and flow, quotes, comments, line ends, a mark at the beginning, no line end at
the end, tabs between tokens, names in many letters."""

from __future__ import annotations

import random
from typing import Any, Final

NAMES: Final = (
    "lead vox",
    "Gitarre",
    "clé",
    "808",
    "chœur 2",
    "бас",
    "fiddle (left)",
    "no",
    "it's",
    "keys: left",
    "a, b",
)
PEOPLE: Final = ("singer", "Bärbel", "keys player", "ドラム")
VALUES: Final = ("-6", "-12.5", "off", "up 3", "down 1.5", "-3 dB", "0")
COMMENTS: Final = ("  # as on the record", " # {not: this}", "   # 'quoted: -4'", "\t# by\tear\t")


class Hand:
    """Writes data as YAML the way one person does."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.comments = self.chance.random() < 0.7
        self.flow = self.chance.choice((0.0, 0.3, 0.6, 1.0))
        self.step = self.chance.choice((2, 2, 4))
        self.newline = self.chance.choice(("\n", "\n", "\r\n"))
        self.mark = self.chance.random() < 0.2
        self.final = self.chance.random() < 0.7
        self.space = self.chance.choice((" ", " ", "\t"))

    def text(self, data: dict[str, Any]) -> bytes:
        """The file."""
        rows = ["# A setlist."] if self.comments else []
        rows += self._mapping(data, 0, top=True)
        text = self.newline.join(rows) + (self.newline if self.final else "")
        return (b"\xef\xbb\xbf" if self.mark else b"") + text.encode("utf-8")

    def _comment(self) -> str:
        return self.chance.choice(COMMENTS) if self.comments and self.chance.random() < 0.2 else ""

    def _scalar(self, text: str) -> str:
        needs = any(one in text for one in (": ", ",", "'", "#", "(")) or self.chance.random() < 0.15
        if not needs:
            return text
        if self.chance.random() < 0.5:
            return "'" + text.replace("'", "''") + "'"
        return '"' + text + '"'

    def _flow(self, value: Any) -> str:
        if isinstance(value, dict):
            inside = f",{self.space}".join(f"{self._scalar(key)}: {self._flow(one)}" for key, one in value.items())
            space = " " if inside and self.chance.random() < 0.2 else ""
            return "{" + space + inside + space + "}"
        if isinstance(value, list):
            return "[" + ", ".join(map(self._flow, value)) + "]"
        return self._scalar(str(value))

    def _mapping(self, data: dict[str, Any], column: int, *, top: bool = False) -> list[str]:
        rows = []
        for key, value in data.items():
            if self.comments and self.chance.random() < 0.1:
                rows += ["", " " * column + "# and then"]
            head = " " * column + self._scalar(key) + ":"
            if not isinstance(value, dict | list):
                rows.append(f"{head}{self.space}{self._scalar(str(value))}{self._comment()}")
            elif not value or (not top and self.chance.random() < self.flow):
                rows.append(f"{head} {self._flow(value)}{self._comment()}")
            elif isinstance(value, dict):
                rows += [head + self._comment(), *self._mapping(value, column + self.step)]
            else:
                rows += [head + self._comment(), *self._list(value, column + self.chance.choice((0, 2)))]
        return rows

    def _list(self, data: list[dict[str, Any]], column: int) -> list[str]:
        rows = []
        for one in data:
            if self.chance.random() < self.flow / 2:
                rows.append(" " * column + "- " + self._flow(one))
                continue
            first, *rest = self._mapping(one, column + 2, top=True)
            while not first.strip() or first.strip().startswith("#"):
                first, *rest = rest
            rows += [" " * column + "- " + first.lstrip(), *rest]
        return rows


def data_of(seed: int) -> dict[str, Any]:
    """What a setlist says."""
    chance = random.Random(seed * 7 + 1)

    def levels(some: int, values: tuple[str, ...] = VALUES) -> dict[str, str]:
        return {name: chance.choice(values) for name in chance.sample(NAMES, some)}

    def layer() -> dict[str, Any]:
        return {who: levels(chance.randint(1, 3)) for who in chance.sample(PEOPLE, chance.randint(1, 3))}

    songs: list[dict[str, Any]] = []
    for number in range(chance.randint(2, 5)):
        song: dict[str, Any] = {"name": f"Song № {number}"}
        if chance.random() < 0.5:
            song["fade"] = "2 s"
        if chance.random() < 0.6:
            song["levels"] = layer()
        if chance.random() < 0.5:
            song["sections"] = [{"name": "bridge"} | ({"levels": layer()} if chance.random() < 0.6 else {})]
        songs.append(song)
    base = {who: levels(chance.randint(1, 6), ("-6", "-12.5", "off", "-3 dB")) for who in PEOPLE}
    venues = {"The Shed": layer(), "L’Étable": {} if chance.random() < 0.4 else layer()}
    return {"title": "a test", "rig": "rig.yaml", "base": base, "venues": venues, "songs": songs}


def changes_of(data: dict[str, Any], seed: int) -> dict[tuple[str | int, ...], str]:
    """Values to change or to add, by their paths."""
    chance = random.Random(seed * 11 + 5)
    out: dict[tuple[str | int, ...], str] = {}
    for _ in range(chance.randint(1, 5)):
        who, name = chance.choice(PEOPLE), chance.choice(NAMES)
        song = chance.randrange(len(data["songs"]))
        places: list[tuple[str | int, ...]] = [
            ("base", who, name),
            ("venues", chance.choice(list(data["venues"])), who, name),
            ("songs", song, "levels", who, name),
        ]
        if "sections" in data["songs"][song]:
            places.append(("songs", song, "sections", 0, "levels", who, name))
        place = chance.choice(places)
        if chance.random() < 0.6:
            place = _standing(data, place, chance)
        out[place] = chance.choice(("-7", "off", "up 2", "down 0.5"))
    return out


def _standing(data: dict[str, Any], place: tuple[str | int, ...], chance: random.Random) -> tuple[str | int, ...]:
    """A value that stands in the same layer; the place itself where there is none."""
    *way, _, _ = place
    layer: Any = data
    for key in way:
        layer = layer.get(key, {}) if isinstance(layer, dict) else layer[key]
    known = [(who, name) for who, some in layer.items() for name in some]
    return (*way, *chance.choice(known)) if known else place
