"""Recordings of a desk: a text of our own for MIDI and OSC, or a Standard MIDI File whose markers say the moves.

The text has a line for each packet, its time in seconds and its bytes in hexadecimal, and a comment line for each move,
which says what the packets below it are:

    # move: input 1 mix 1 bottom to top
    0.000 B0 10 00
    0.021 B0 10 01

Other comment lines and empty lines are left alone. In a MIDI file each move is a marker, a cue point or a text event:
`move: input 1 mix 1 bottom to top` (Standard MIDI Files 1.0, RP-001, meta events 01, 06 and 07).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Final

from stagectl.errors import Fault, FileFaults
from stagectl.learn.desk_moves import Move, Part, Way, parse_move
from stagectl.learn.series import MESSAGES_MAX, Packet
from stagectl.regular import open_regular
from stagectl.rehearse.take import open_take
from stagectl.show.faults import FAULTS_MAX
from stagectl.show.yamltext import shown

TAKE_BYTES_MAX: Final = 64_000_000
"""The longest text of a recording, bytes."""

MIDI_SUFFIXES: Final = (".mid", ".midi")
"""The ends of the names of Standard MIDI Files; all else is text."""

_LINE = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?)\s+((?:[0-9A-Fa-f]{2}\s*)+)")
_MOVE = re.compile(r"\s*move:\s*(.+)", re.IGNORECASE)
_SECOND: Final = 1_000_000_000


def links_of(path: Path) -> list[tuple[str, list[Part]]]:
    """The links of a recording: their names and their moves. Raises FileFaults, all faults at once."""
    return _midi_file(path) if path.suffix.lower() in MIDI_SUFFIXES else [(path.stem, _text_file(path))]


def take_text(parts: Iterable[Part]) -> Iterator[str]:
    """The lines of a recording. A packet without a byte has none."""
    for move, packets in parts:
        yield f"# move: {move}"
        yield from (f"{at // _SECOND}.{at % _SECOND:09d} {data.hex(' ').upper()}" for at, data in packets if data)


# -- text -------------------------------------------------------------------------------------------------


def _text_file(path: Path) -> list[Part]:
    try:
        with open_regular(path) as file:
            raw = file.read(TAKE_BYTES_MAX + 1)
        if len(raw) > TAKE_BYTES_MAX:
            raise FileFaults([Fault(str(path), 0, f"a recording of more than {TAKE_BYTES_MAX:,} bytes")])
        lines = raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    except (OSError, UnicodeDecodeError) as error:
        missing = isinstance(error, FileNotFoundError)
        reason = "there is no such file" if missing else f"no recording: {getattr(error, 'strerror', None) or error}"
        raise FileFaults([Fault(str(path), 0, reason)]) from error
    reader = _Reader(path)
    for number, line in enumerate(lines, 1):
        reader.take(number, line.strip())
    return reader.end()


class _Reader:
    """Reads the lines of a recording."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.parts: list[tuple[Move, list[Packet]]] = []
        self.faults: list[Fault] = []
        self.last = 0
        self.packets = 0

    def take(self, number: int, line: str) -> None:
        """One line, without space around it."""
        if line.startswith("#"):
            said = _MOVE.fullmatch(line.removeprefix("#"))
            if said is not None:
                self._move(number, said[1])
        elif line:
            self._packet(number, line)

    def _fault(self, number: int, text: str) -> None:
        self.faults.append(Fault(str(self.path), number, text))
        if len(self.faults) > FAULTS_MAX:
            self.faults[-1] = Fault(str(self.path), number, "there are more faults; mend these first")
            raise FileFaults(self.faults)

    def _move(self, number: int, typed: str) -> None:
        try:
            self.parts.append((parse_move(typed), []))
        except ValueError as error:
            self._fault(number, str(error))

    def _packet(self, number: int, line: str) -> None:
        found = _LINE.fullmatch(line)
        if found is None:
            self._fault(number, f"`{shown(line)}` is not a time in seconds and bytes in hexadecimal: `0.021 B0 10 01`")
            return
        at = int(Decimal(found[1]) * _SECOND)
        if at < self.last:
            self._fault(number, f"the time {found[1]} s is before the line above, {self.last / _SECOND:.9g} s")
            return
        self.last = at
        self.packets += 1
        if self.packets > MESSAGES_MAX:
            self._fault(number, f"more than {MESSAGES_MAX:,} packets")
            raise FileFaults(self.faults)
        if not self.parts:
            # What stands above the first move was said before any.
            self.parts.append((Move(Way.NOTHING), []))
        self.parts[-1][1].append((at, bytes.fromhex("".join(found[2].split()))))

    def end(self) -> list[Part]:
        """The moves. Raises FileFaults."""
        if not any(move.spot for move, _ in self.parts):
            self._fault(0, "no move is named: a line such as `# move: input 1 mix 1 bottom to top` is needed")
        if self.faults:
            raise FileFaults(self.faults)
        return list(self.parts)


# -- a Standard MIDI File ---------------------------------------------------------------------------------


def _midi_file(path: Path) -> list[tuple[str, list[Part]]]:
    take = open_take(path)
    moves: list[tuple[int, Move]] = []
    faults = []
    texts = (text for track in take.tracks for text in track.texts)
    for tick, typed in sorted(texts, key=lambda one: one[0]):
        said = _MOVE.fullmatch(typed)
        if said is None:
            continue
        try:
            moves.append((tick, parse_move(said[1])))
        except ValueError as error:
            faults.append(Fault(str(path), 0, f"the marker at tick {tick}: {error}"))
    if not faults and not any(move.spot for _, move in moves):
        faults.append(Fault(str(path), 0, "no marker names a move, such as `move: input 1 mix 1 bottom to top`"))
    if faults:
        raise FileFaults(faults[:FAULTS_MAX])
    return [
        (track.name or path.stem, _cut([(tick, take.times.ns(tick), data) for tick, data in track.messages], moves))
        for track in take.tracks
        if track.messages
    ]


def _cut(messages: Sequence[tuple[int, int, bytes]], moves: Sequence[tuple[int, Move]]) -> list[Part]:
    """The messages of each move; what was said before the first is heard with no move."""
    ticks = [tick for tick, _ in moves]
    cut: list[list[Packet]] = [[] for _ in range(len(moves) + 1)]
    for tick, at, data in messages:
        cut[bisect_right(ticks, tick)].append((at, data))
    named: list[Part] = [(move, packets) for (_, move), packets in zip(moves, cut[1:], strict=True)]
    return [(Move(Way.NOTHING), cut[0]), *named] if cut[0] else named
