"""Which controls cannot be told apart, because one message could be of either.

A message is known by what it takes for itself: its kind, its number, its channel. Parameters and banks also use
controllers that they share among themselves but with nothing else: 98 to 101 select a parameter, 6, 38, 96 and 97 enter
its data, 0 and 32 select a bank (MIDI 1.0 Detailed Specification 4.2.1).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from stagectl.show.hearing import (
    Hear,
    HearControl,
    HearControlPair,
    HearNrpn,
    HearOnChannel,
    HearOsc,
    HearProgram,
    HearRpn,
    HearSysEx,
    Pattern,
)
from stagectl.wire import midi

PARAMETERS_USE: Final = frozenset(
    (
        midi.DATA_MSB,
        midi.DATA_LSB,
        midi.INCREMENT,
        midi.DECREMENT,
        midi.NRPN_LSB,
        midi.NRPN_MSB,
        midi.RPN_LSB,
        midi.RPN_MSB,
    )
)
BANKS_USE: Final = frozenset((midi.BANK_MSB, midi.BANK_LSB))


def overlap(one: Hear, other: Hear) -> str | None:
    """What both could send: empty where they say the very same, None where they can be told apart."""
    if isinstance(one, HearOnChannel) and isinstance(other, HearOnChannel):
        return _on_channels(one, other)
    if isinstance(one, HearSysEx) and isinstance(other, HearSysEx):
        return _patterns(one.sysex, other.sysex)
    if isinstance(one, HearOsc) and isinstance(other, HearOsc):
        return "" if one.osc == other.osc else None
    return "" if one == other else None


def _on_channels(one: HearOnChannel, other: HearOnChannel) -> str | None:
    if one.channel and other.channel and one.channel != other.channel:
        return None
    where = "" if one.channel == other.channel else f" on channel {one.channel or other.channel}"
    controllers = (_takes(one) & (_takes(other) | _uses(other))) | (_uses(one) & _takes(other))
    if controllers:
        same = type(one) is type(other) and not where
        return "" if same else f"{_controllers(controllers)}{where}"
    if type(one) is not type(other) or _takes(one):
        return None
    if isinstance(one, HearProgram) and isinstance(other, HearProgram):
        if one.program != other.program or (None not in (one.bank, other.bank) and one.bank != other.bank):
            return None
        bank = "" if one.bank == other.bank else f" of bank {other.bank if one.bank is None else one.bank}"
        return f"program {one.program}{bank}{where}" if bank or where else ""
    alone = {"channel"}
    if one.model_dump(exclude=alone) != other.model_dump(exclude=alone):
        return None
    return f"a message{where}" if where else ""


def _takes(sends: Hear) -> frozenset[int]:
    """The controllers that it has for itself."""
    if isinstance(sends, HearControl):
        return frozenset((sends.control_change,))
    if isinstance(sends, HearControlPair):
        return frozenset((sends.control_change_pair, sends.control_change_pair + 32))
    return frozenset()


def _uses(sends: Hear) -> frozenset[int]:
    """The controllers that it shares with its like."""
    if isinstance(sends, HearNrpn | HearRpn):
        return PARAMETERS_USE
    if isinstance(sends, HearProgram) and sends.bank is not None:
        return BANKS_USE
    return frozenset()


def _controllers(numbers: Iterable[int]) -> str:
    *first, last = map(str, sorted(numbers))
    return f"controllers {', '.join(first)} and {last}" if first else f"controller {last}"


def _patterns(one: Pattern, other: Pattern) -> str | None:
    if len(one) != len(other):
        return None
    both = [a if isinstance(a, int) else b for a, b in zip(one, other, strict=True)]
    if any(isinstance(a, int) and isinstance(b, int) and a != b for a, b in zip(one, other, strict=True)):
        return None
    if one == other:
        return ""
    return "SysEx " + " ".join(f"{part:02X}" if isinstance(part, int) else "??" for part in both)


def overlaps(sends: Sequence[Hear]) -> Iterator[tuple[int, int, str]]:
    """The controls that cannot be told from an earlier one: its place, the first such earlier place, what both send."""
    for at, one in enumerate(sends):
        for before, other in enumerate(sends[:at]):
            both = overlap(other, one)
            if both is not None:
                yield at, before, both
                break
