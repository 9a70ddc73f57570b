"""Sorting what a port said into controls: which messages belong to one switch or treadle, and the values it took.

Pure. Sources: MIDI 1.0 Detailed Specification 4.2.1, for pairs of controllers (the most significant half comes first,
and sets the other to 0). Parameters and banks are told apart as the ear does that hears the pedal on stage.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple, TypeAlias

from stagectl.learn.values import places_of_values
from stagectl.pedals.parameters import NO_MSB, SELECTING, Bank, Selection
from stagectl.pedals.unknown import BACKGROUND as ALONG
from stagectl.wire import midi
from stagectl.wire.stream import COMMON_DATA, data_bytes

TOGETHER_NS: Final = 20_000_000
"""The halves of a pair come within this; on a DIN link they are about 2 ms apart."""

MESSAGES_MAX: Final = 200_000
"""Messages of one port that are looked at; a treadle that never rests takes half an hour to send as many."""

BACKGROUND: Final = {**ALONG, 0xF6: "tune request", 0xFF: "reset"}
"""What is sent without a foot, and what no mapping hears, whoever sends it."""

REALTIME: Final = {byte: word for word, byte in midi.REALTIME.items()}

_STEPS: Final = (96, 97)
_POLY, _PRESSURE, _BEND, _SONG = 0xA0, 0xD0, 0xE0, 0xF3

Packet: TypeAlias = tuple[int, bytes]
"""The time of a message, ns, and its bytes."""


class Sender(NamedTuple):
    """What a control says, less the value. `kind` is one of `note`, `control change`, `control change pair`, `program`,
    `pitch bend`, `channel pressure`, `key pressure`, `nrpn`, `rpn`, `sysex`, `realtime`, `song select`; `channel` is 1
    to 16, 0 where the kind has none; `number` is the note, controller, program, parameter or song; `bank` stands before
    a program; `text` is a SysEx message in hexadecimal, with `{value}` where its value stands, or a real-time message's
    word. `top` is the largest value, 1 where it says none."""

    kind: str
    channel: int = 0
    number: int = 0
    bank: int | None = None
    text: str = ""
    top: int = 127

    @property
    def press_only(self) -> bool:
        """Whether the message itself is the press, with no value and nothing for letting go."""
        return self.top == 1

    def __str__(self) -> str:
        on = f" on channel {self.channel}" if self.channel else ""
        if self.kind in ("pitch bend", "channel pressure"):
            return self.kind + on
        if self.text:
            return f"{self.kind} {self.text}"
        names = {"control change": "controller", "control change pair": "controllers"}
        number = f"{self.number} with {self.number + 32}" if self.kind == "control change pair" else f"{self.number}"
        bank = "" if self.bank is None else f" of bank {self.bank}"
        return f"{names.get(self.kind, self.kind)} {number}{bank}{on}"


class Point(NamedTuple):
    """A value that a control took. `at`: ns."""

    at: int
    value: int


class Sorted(NamedTuple):
    """What a port said: the values of each sender in the order in which they first spoke; what nobody's foot said and
    what could not be understood, counted by its name."""

    series: dict[Sender, list[Point]]
    background: Counter[str]
    odd: Counter[str]


def is_background(packet: bytes) -> bool:
    """Whether a message is sent without a foot."""
    return bool(packet) and packet[0] in BACKGROUND


def sort(packets: Sequence[Packet]) -> Sorted:
    """Sort the whole messages of one port, in the order of their times."""
    background: Counter[str] = Counter()
    odd: Counter[str] = Counter()
    kept: list[Packet] = []
    for at, packet in packets:
        if is_background(packet):
            background[BACKGROUND[packet[0]]] += 1
        elif not _whole(packet):
            odd["not a whole message"] += 1
        elif len(kept) >= MESSAGES_MAX:
            odd["beyond the first messages"] += 1
        else:
            kept.append((at, packet))
    sorter = _Sorter(kept, odd)
    for at, packet in kept:
        sorter.take(at, packet)
    return Sorted(sorter.series, background, odd)


def _whole(packet: bytes) -> bool:
    if not packet or packet[0] < 0x80:
        return False
    if packet[0] == midi.SYSEX:
        return 2 < len(packet) <= midi.SYSEX_MAX and packet[-1] == midi.SYSEX_END and max(packet[1:-1]) < 0x80
    if packet[0] in REALTIME:
        return len(packet) == 1
    if packet[0] >= midi.SYSEX and packet[0] not in COMMON_DATA:
        return False
    return len(packet) - 1 == data_bytes(packet[0]) and all(byte < 0x80 for byte in packet[1:])


def _controls(packets: Iterable[Packet]) -> Iterable[tuple[int, int, int, int]]:
    """Time, channel, number and value of each control change."""
    for at, packet in packets:
        if packet[0] & 0xF0 == midi.CONTROL:
            yield at, (packet[0] & 0x0F) + 1, packet[1], packet[2]


def _pairs(packets: Sequence[Packet]) -> set[tuple[int, int]]:
    """Channel and number of the controllers 0 to 31 whose every value is followed at once by one of the controller 32
    above. That one may come alone too: a fine change."""
    waiting: dict[tuple[int, int], int] = {}
    paired: set[tuple[int, int]] = set()
    broken: set[tuple[int, int]] = set()
    for at, channel, number, _ in _controls(packets):
        if number < 32:
            if (channel, number) in waiting:
                broken.add((channel, number))
            waiting[channel, number] = at
        elif number < 64:
            coarse = (channel, number - 32)
            since = waiting.pop(coarse, None)
            if since is not None and at - since <= TOGETHER_NS:
                paired.add(coarse)
            elif since is not None or coarse not in paired:
                broken.add(coarse)
    # The last coarse half may have been cut off by the end of listening.
    return paired - broken


def _banked(packets: Sequence[Packet]) -> set[int]:
    """Channels on which bank select was followed at once by a program change, and by nothing else."""
    found: set[int] = set()
    alone: set[int] = set()
    last: dict[int, int] = {}
    for at, packet in packets:
        kind, channel = packet[0] & 0xF0, (packet[0] & 0x0F) + 1
        if kind == midi.CONTROL and packet[1] in (midi.BANK_MSB, midi.BANK_LSB):
            if channel in last and at - last[channel] > TOGETHER_NS:
                alone.add(channel)
            last[channel] = at
        elif kind == midi.PROGRAM and channel in last:
            (found if at - last.pop(channel) <= TOGETHER_NS else alone).add(channel)
    return found - alone


def _programs(packets: Sequence[Packet], banked: set[int]) -> Iterator[tuple[int, int, int | None, bool]]:
    """Channel and number of each program change of these channels, its bank (None before one was said), and whether it
    was said with it."""
    banks: dict[int, Bank] = {}
    said: set[int] = set()
    for _, packet in packets:
        kind, channel = packet[0] & 0xF0, (packet[0] & 0x0F) + 1
        if channel in banked and kind == midi.CONTROL and packet[1] in midi.BANK_SELECT:
            banks.setdefault(channel, Bank()).select(packet[1], packet[2])
            said.add(channel)
        elif channel in banked and kind == midi.PROGRAM:
            yield channel, packet[1], banks[channel].use() if channel in banks else None, channel in said
            said.discard(channel)


class _Banks(NamedTuple):
    """What is to be made of banks. `told`: channels where a program is of its bank; not those where a single bank was
    said, and not with each program, so that on another night it may never be; `of_one`: channel and number of the
    programs that came of a bank."""

    told: set[int]
    of_one: set[tuple[int, int]]


def _banks(packets: Sequence[Packet], banked: set[int]) -> _Banks:
    """What is to be made of the banks of these channels."""
    programs = list(_programs(packets, banked))
    several = {channel: {bank for at, _, bank, _ in programs if at == channel} - {None} for channel in banked}
    alone = {channel for channel, _, _, said in programs if not said}
    return _Banks(
        told={channel for channel, banks in several.items() if len(banks) > 1 or channel not in alone},
        of_one={(channel, number) for channel, number, bank, _ in programs if bank is not None},
    )


def _parametric(packets: Sequence[Packet]) -> set[int]:
    """Channels on which a parameter's number is followed by data entry; elsewhere these are controllers as any."""
    chosen: set[int] = set()
    found: set[int] = set()
    for _, channel, number, _ in _controls(packets):
        if number in SELECTING:
            chosen.add(channel)
        elif number in (midi.DATA_MSB, midi.DATA_LSB, *_STEPS) and channel in chosen:
            found.add(channel)
    return found


class _Sorter:
    """Takes messages one by one, after having looked at all of them (`packets`) for what belongs together: channel and
    number of the pairs, channels where bank select belongs to the program change that follows, channels that speak of
    parameters, SysEx messages that say a value."""

    def __init__(self, packets: Sequence[Packet], odd: Counter[str]) -> None:
        self.series: dict[Sender, list[Point]] = {}
        self.odd = odd
        self._pairs, self._banked, self._parametric = _pairs(packets), _banked(packets), _parametric(packets)
        self._of_banks = _banks(packets, self._banked)
        self._places = places_of_values(packets)
        self._coarse: dict[tuple[int, int], int] = {}
        self._banks: dict[int, Bank] = {}
        self._selections: dict[int, Selection] = {}

    def _add(self, sender: Sender, at: int, value: int) -> None:
        self.series.setdefault(sender, []).append(Point(at, value))

    def take(self, at: int, packet: bytes) -> None:
        """Sort one whole message."""
        kind, channel = packet[0] & 0xF0, (packet[0] & 0x0F) + 1
        if packet[0] in REALTIME:
            self._add(Sender("realtime", text=REALTIME[packet[0]], top=1), at, 1)
        elif packet[0] == midi.SYSEX:
            self._sysex(at, packet)
        elif packet[0] == _SONG:
            self._add(Sender("song select", number=packet[1], top=1), at, 1)
        elif kind == midi.NOTE_ON:
            self._add(Sender("note", channel, packet[1]), at, packet[2])
        elif kind == midi.NOTE_OFF:
            self._add(Sender("note", channel, packet[1]), at, 0)
        elif kind == midi.CONTROL:
            self._control(at, channel, packet[1], packet[2])
        elif kind == midi.PROGRAM:
            self._program(at, channel, packet[1])
        elif kind == _POLY:
            self._add(Sender("key pressure", channel, packet[1]), at, packet[2])
        elif kind == _PRESSURE:
            self._add(Sender("channel pressure", channel), at, packet[1])
        elif kind == _BEND:
            self._add(Sender("pitch bend", channel, top=16_383), at, packet[2] * 128 + packet[1])

    def _sysex(self, at: int, packet: bytes) -> None:
        place = self._places.get(packet)
        if place is None:
            self._add(Sender("sysex", text=midi.hex_text(packet), top=1), at, 1)
        else:
            text = f"{midi.hex_text(packet[:place])} {{value}} {midi.hex_text(packet[place + 1 :])}"
            self._add(Sender("sysex", text=text), at, packet[place])

    def _program(self, at: int, channel: int, number: int) -> None:
        bank = self._banks[channel].use() if channel in self._banks else None
        if channel not in self._of_banks.told:
            bank = None
        elif bank is None and (channel, number) in self._of_banks.of_one:
            self.odd["program before its bank"] += 1
            return
        self._add(Sender("program", channel, number, bank, top=1), at, 1)

    def _control(self, at: int, channel: int, number: int, value: int) -> None:
        if number in (midi.BANK_MSB, midi.BANK_LSB) and channel in self._banked:
            self._banks.setdefault(channel, Bank()).select(number, value)
        elif number in SELECTING and channel in self._parametric:
            self._selections.setdefault(channel, Selection()).select(number, value)
        elif number in (midi.DATA_MSB, midi.DATA_LSB) and channel in self._parametric:
            self._data(at, channel, number, value)
        elif number in _STEPS and channel in self._parametric:
            self.odd["data increment or decrement"] += 1
        else:
            self._plain(at, channel, number, value)

    def _data(self, at: int, channel: int, number: int, value: int) -> None:
        selection = self._selections.get(channel)
        parameter = None if selection is None else selection.use()
        if parameter is None:
            self.odd["data entry for no parameter"] += 1
            return
        kind = "rpn" if parameter.registered else "nrpn"
        sender = Sender(kind, channel, parameter.number, top=16_383)
        if number == midi.DATA_LSB and sender not in self.series:
            self.odd[NO_MSB] += 1
            return
        points = self.series.setdefault(sender, [])
        if number == midi.DATA_MSB:
            points.append(Point(at, value * 128))
        elif at - points[-1].at <= TOGETHER_NS and points[-1].value % 128 == 0:
            points[-1] = Point(points[-1].at, points[-1].value + value)
        else:
            points.append(Point(at, points[-1].value // 128 * 128 + value))

    def _plain(self, at: int, channel: int, number: int, value: int) -> None:
        coarse = (channel, number % 32)
        if number >= 64 or coarse not in self._pairs:
            self._add(Sender("control change", channel, number), at, value)
            return
        if number < 32:
            self._coarse[coarse] = value * 128
        elif coarse not in self._coarse:
            self.odd[NO_MSB] += 1
        else:
            sender = Sender("control change pair", channel, number - 32, top=16_383)
            self._add(sender, at, self._coarse[coarse] + value)
