"""What the virtual desk's process says: a line for each level that it was told, and all levels as a table."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from stagectl.core.levels import as_db, text
from stagectl.desk.virtual import Heard, VirtualDesk
from stagectl.wire.midi import hex_text


class Sayer:
    """Says what a desk hears, for people or (`as_json`) one JSON object a line."""

    def __init__(self, desk: VirtualDesk, as_json: bool) -> None:
        self.desk = desk
        self.as_json = as_json

    def ready(self, where: str) -> str:
        """The first line."""
        desk = self.desk
        return f"ready: {desk.profile.name}, {len(desk.inputs)} inputs, {len(desk.mixes)} mixes, {where}"

    def heard(self, heard: Sequence[Heard], packet: bytes) -> list[str]:
        """A line for each level that a packet told."""
        if self.as_json:
            return [json.dumps(_fields(one) | {"bytes": hex_text(packet)}) for one in heard]
        return [f"mix {one.mix}, {_input(one)}: {text(one.level)}" for one in heard]

    def note(self, words: str, **fields: Any) -> list[str]:
        """A line about something else."""
        return [json.dumps({"note": words} | fields)] if self.as_json else [words]

    def levels(self) -> list[str]:
        """Every level, and what was not understood."""
        missed = self.desk.not_understood
        if self.as_json:
            return [json.dumps({"levels": [_fields(one) for one in self.desk.levels()], "not_understood": missed})]
        return [*self._table(), *(f"not understood: {count} × {why}" for why, count in missed.most_common())]

    def _table(self) -> list[str]:
        """A row an input, a column a mix."""
        levels = {(one.mix, one.socket): text(one.level) for one in self.desk.levels()}
        rows: list[int | None] = list(self.desk.inputs)
        if (self.desk.mixes[0], None) in levels:
            rows.append(None)
        lines = [["", *(f"mix {mix}" for mix in self.desk.mixes)]]
        lines += [[_input_name(row), *(levels[mix, row] for mix in self.desk.mixes)] for row in rows]
        widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
        return [
            "  ".join(
                [first.ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(cells, widths[1:], strict=True))]
            )
            for first, *cells in lines
        ]


def _fields(heard: Heard) -> dict[str, Any]:
    return {"mix": heard.mix, "input": heard.socket, "level_db": as_db(heard.level)}


def _input(heard: Heard) -> str:
    return _input_name(heard.socket)


def _input_name(socket: int | None) -> str:
    return "whole mix" if socket is None else f"input {socket}"
