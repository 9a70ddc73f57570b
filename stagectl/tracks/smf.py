"""A song's tempo map from a Standard MIDI File.

Source: Standard MIDI Files 1.0 (RP-001). Tempo is in microseconds a quarter note (FF 51), 500,000 where the file says
nothing; the metre (FF 58) is 4/4 where it says nothing. In format 1 both are meant for all tracks, and are taken from
whichever track they stand in. A tempo may change at any tick; a metre only where a bar begins, since what is left of a
bar that is cut short could be counted in two ways.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from stagectl.core.tempo import UNITS, Bars, Metre, Tempo, TempoMap, checked, lasting
from stagectl.wire.midi_file import META, read_midi_file

SET_TEMPO: Final = bytes((META, 0x51))
TIME_SIGNATURE: Final = bytes((META, 0x58))

LASTS_DEFAULT: Final = lasting(120)
"""500,000 µs a quarter note, ns."""

MICROSECOND_NS: Final = 1_000


def tempo_of(data: bytes, begins: int = 0) -> TempoMap:
    """The tempo map of a file, whole. `begins`: the position of its first tick in the track, ns. Raises ValueError, in
    one sentence, where the file is none, is too long, cut short or damaged, has no common time (format 2) or counts in
    frames, and where its tempo or metre cannot be had."""
    file = read_midi_file(data)
    if file.format == 2:
        raise ValueError("its tracks are independent songs (format 2), so they have no common time")
    if file.division is None:
        raise ValueError("it counts in frames of a second; a tempo map counts in ticks of a quarter note")
    tempos, metres = {0: LASTS_DEFAULT}, {0: Metre()}
    changes = [event for track in file.tracks for event in track if event.packet[:2] in (SET_TEMPO, TIME_SIGNATURE)]
    for tick, packet in sorted(changes, key=lambda event: event.tick):
        # Of those at one tick the last counts.
        if packet.startswith(SET_TEMPO):
            tempos[tick] = _lasts(packet[2:])
        else:
            metres[tick] = _metre(packet[2:])
    return TempoMap(
        tempos=tuple(_tempos(tempos, file.division)), bars=tuple(_bars(metres, file.division)), begins=begins
    )


def _lasts(data: bytes) -> Fraction:
    if len(data) < 3:
        raise ValueError(f"it is damaged: a tempo has {len(data)} bytes, and not 3")
    return Fraction(int.from_bytes(data[:3], "big") * MICROSECOND_NS)


def _metre(data: bytes) -> Metre:
    if len(data) < 2:
        raise ValueError(f"it is damaged: a metre has {len(data)} bytes, and not 4")
    beats, power = data[:2]
    if power >= len(UNITS):
        raise ValueError(f"it has a metre of {beats}/2^{power}: its beat is shorter than 1/{UNITS[-1]}")
    return checked(Metre(beats, UNITS[power]))


def _tempos(tempos: dict[int, Fraction], division: int) -> Iterator[Tempo]:
    """The changes of tempo, what changes nothing left out."""
    before = None
    for tick, lasts in tempos.items():
        if lasts != before:
            yield Tempo(Fraction(tick, division), lasts)
        before = lasts


def _bars(metres: dict[int, Metre], division: int) -> Iterator[Bars]:
    """The changes of metre by bars, what changes nothing left out."""
    here = Bars(1, Fraction(0), metres[0])
    yield here
    for tick, metre in metres.items():
        if metre == here.metre:
            continue
        quarter = Fraction(tick, division)
        gone = (quarter - here.quarter) / here.metre.bar
        if gone.denominator != 1:
            raise ValueError(
                f"the metre changes to {metre.beats}/{metre.unit} within bar {here.bar + int(gone)}, "
                f"{float(quarter):g} quarter notes after the beginning; a metre changes where a bar begins"
            )
        here = Bars(here.bar + int(gone), quarter, metre)
        yield here
