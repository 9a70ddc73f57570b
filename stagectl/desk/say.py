"""What the virtual desk's process says: a line for each level that it was told, and all levels as a table."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from stagectl.core.levels import as_db, text
from stagectl.desk.meaning import Part
from stagectl.desk.virtual import Brought, Happening, Heard, VirtualDesk
from stagectl.wire.midi import hex_text


class Sayer:
    """Says what a desk hears, for people or (`as_json`) one JSON object a line."""

    def __init__(self, desk: VirtualDesk, as_json: bool) -> None:
        self.desk = desk
        self.as_json = as_json
        self.waiting: tuple[Heard, bytes] | None = None
        """A coarse part that waits for its fine part, and its packet."""

    def ready(self, where: str) -> str:
        """The first line."""
        desk = self.desk
        return f"ready: {desk.profile.name}, {len(desk.inputs)} inputs, {len(desk.mixes)} mixes, {where}"

    def hear(self, packet: bytes) -> list[str]:
        """The desk hears a packet: a line for each level that it told. The coarse part of a value waits for its fine
        part, so that both make one line; `coarse` says one that waits no longer."""
        return self.happened(self.desk.happenings(packet), packet)

    def happened(self, happenings: Iterable[Happening], packet: bytes) -> list[str]:
        """The lines for what a packet did."""
        lines = []
        for one in happenings:
            if not isinstance(one, Brought):
                continue
            heard, part = one.heard, one.part
            told, waiting, self.waiting = packet, self.waiting, None
            if waiting is not None:
                before, its_packet = waiting
                if part is Part.FINE and before[:2] == heard[:2]:
                    told = packet if its_packet is packet else its_packet + packet
                else:
                    lines.append(self._line(before, its_packet))
            if part is Part.COARSE:
                self.waiting = heard, told
            else:
                lines.append(self._line(heard, told))
        return lines

    def coarse(self) -> list[str]:
        """The line of a coarse part that waits for its fine part, if one does."""
        waiting, self.waiting = self.waiting, None
        return [] if waiting is None else [self._line(*waiting)]

    def _line(self, heard: Heard, packet: bytes) -> str:
        if self.as_json:
            return json.dumps(_fields(heard) | {"bytes": hex_text(packet)})
        return f"mix {heard.mix}, {_input(heard)}: {text(heard.level)}"

    def by_hand(self, heard: Heard) -> list[str]:
        """The lines for a level that a hand at the desk moved."""
        before = self.coarse()
        if self.as_json:
            return [*before, json.dumps(_fields(heard) | {"by": "hand"})]
        return [*before, f"mix {heard.mix}, {_input(heard)}: {text(heard.level)}, by hand"]

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
