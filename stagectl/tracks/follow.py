"""Where a track is, from what its player says while it plays: MIDI clock or MIDI time code.

Sources: MIDI 1.0 Detailed Specification 4.2.1 (system real time messages, song position pointer) and MIDI Time Code
(RP-004/008).

*Clock* counts: 24 to a quarter note, from a song position on. Start (from the beginning) and continue take effect with
the next clock, which is the first one, or the one after the last that was heard. The song's tempo map says where that
is in the track. A clock that gets lost puts the track back by one, until a start or a song position says it anew; where
the port was away in mid-song, nothing is known until then, and a continue alone says nothing.

*Time code* names a frame in eight pieces, each a quarter of a frame after the one before: when the last has come, the
frame that they name is seven quarters old. From then on each piece counts one quarter further, and every eighth says
again where the track is. If that is somewhere else, it has to be said twice: where the track jumps within a name, the
pieces are of two. Time code that runs backwards only says where the track is, as full frames do; and it has no stop: it
has stopped when it is silent.

Both are smoothed by the earliest arrival of the last second (`line.py`).
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple, TypeAlias

from stagectl.core.tempo import CLOCKS_A_UNIT, TempoMap
from stagectl.tracks.line import Line
from stagectl.wire.midi import REALTIME
from stagectl.wire.time_code import (
    FRAMES_A_NAME,
    PIECES,
    QUARTER_FRAME,
    Heard,
    Rate,
    frame_begins,
    quarter_begins,
    read_full_frame,
    read_pieces,
    read_song_position,
)

Kind: TypeAlias = Literal["clock", "time code"]

CLOCK: Final = 0xF8
START: Final = REALTIME["start"]
CONTINUE: Final = REALTIME["continue"]
STOP: Final = REALTIME["stop"]

SAY_NS: Final = 100_000_000
"""While a track runs, it is said no more often where it is."""

CODE_SILENCE_NS: Final = 200_000_000
"""Time code that is silent for longer has stopped: that is some five frames without a piece."""

CLOCK_SILENCE_NS: Final = 1_000_000_000
"""A clock that is silent for longer has stopped, though nothing said so: the slowest tempo has four in a second."""

QUARTERS: Final = 4
"""Quarters of a frame."""


class Said(NamedTuple):
    """The track was at `position` (ns since its beginning) at the moment `at` (monotonic ns), and `runs` or stands. Not
    `heard`: it stands where it got to unheard, and the position says nothing."""

    position: int
    at: int
    runs: bool
    heard: bool = True


class Follower:
    """Follows one player. `tempo`: of the song that it plays; a clock says nothing without it. Time code says positions
    since 00:00:00:00, and needs none."""

    def __init__(self, kind: Kind, tempo: TempoMap | None = None) -> None:
        self.kind = kind
        self.reset(tempo)

    def reset(self, tempo: TempoMap | None = None) -> None:
        """Another song, or the player went away: nothing is known, and the track stands."""
        self._track = _Track()
        self._ear: _Clock | _Code = _Code(self._track) if self.kind == "time code" else _Clock(self._track, tempo)
        self._now: int | None = None

    def hear(self, packet: bytes, at: int) -> tuple[Said, ...]:
        """What a message that came at a time says of the track: nothing, for most. Any bytes may come."""
        # A time before the last one can only be a fault of whoever stamps it.
        self._now = at if self._now is None else max(self._now, at)
        return self.silent(self._now) + self._ear.hear(packet, self._now)

    def play(self, tempo: TempoMap | None) -> None:
        """Another song is up: a clock counts by its tempo. What runs, runs on, until the player says something else."""
        if isinstance(self._ear, _Clock):
            self._ear.play(tempo)

    @property
    def rate(self) -> Rate | None:
        """The rate of the time code that was heard last; None for a clock, and while nothing is known."""
        return self._ear.rate

    @property
    def runs(self) -> bool:
        """Whether the track runs, as far as was said."""
        return self._track.runs

    @property
    def due(self) -> int | None:
        """When the silence will have been too long; None where the track stands."""
        return self._track.heard + self._ear.silence_ns + 1 if self._track.runs else None

    def silent(self, now: int) -> tuple[Said, ...]:
        """What the silence says, where it was too long: that the track stands."""
        due = self.due
        return () if due is None or now < due else self._ear.lost(now)


class _Track:
    """What is known of the track, and what was said of it. `heard`: when the last message came while it ran."""

    def __init__(self) -> None:
        self.line = Line()
        self.runs = False
        self.heard = 0
        self._said: Said | None = None
        self._leapt = False

    def passes(self, position: int, at: int, top: int | None = None) -> tuple[Said, ...]:
        """It runs, and was at a position no later than this. `top`: the position that it has not come to yet."""
        starts, self.runs, self.heard = not self.runs, True, at
        jumped = self.line.add(position, at) or self._leapt
        self._leapt = False
        due = self._said is None or at - self._said.at >= SAY_NS
        if not (starts or jumped or due):
            return ()
        return self._say(self.at(at) if top is None else min(self.at(at), top), at)

    def leaps(self) -> None:
        """It runs on from somewhere else: the next message says where."""
        self.line.clear()
        self._leapt = True

    def stands_somewhere(self, at: int) -> tuple[Said, ...]:
        """It does not run: that is news where nothing was known of it."""
        if self._said is not None:
            return ()
        self._said = Said(0, at, runs=False, heard=False)
        return (self._said,)

    def stands(self, position: int, at: int) -> tuple[Said, ...]:
        """It does not run, and is at a position."""
        self.runs = self._leapt = False
        self.line.clear()
        known = self._said is not None and self._said[::2] == (position, False)
        return () if known else self._say(position, at)

    def at(self, time: int) -> int:
        """Where it is, if it runs."""
        return time - (self.line.zero or 0)

    def _say(self, position: int, at: int) -> tuple[Said, ...]:
        self._said = Said(position, at, self.runs)
        return (self._said,)


class _Clock:
    """MIDI clock."""

    silence_ns = CLOCK_SILENCE_NS
    rate: Rate | None = None

    def __init__(self, track: _Track, tempo: TempoMap | None) -> None:
        self._track, self._tempo = track, tempo
        self._started = False
        # The number of the clock that comes next; None until a start, a song position or another song says it.
        self._next: int | None = None
        self._last = self._top = 0 if tempo is None else tempo.at_clock(0)  # Where the last one was, and the next is.

    def hear(self, packet: bytes, at: int) -> tuple[Said, ...]:
        tempo, word = self._tempo, packet[0] if len(packet) == 1 else 0
        if tempo is None:
            return self._stops(at) if word == STOP else ()
        if word == CLOCK and self._started:
            if self._next is None:
                return ()
            self._go(self._next + 1, tempo)
            return self._track.passes(self._last, at, self._top)
        if word == STOP:
            return self._stops(at)
        if word in (START, CONTINUE):
            self._started = True
        unit = 0 if word == START else read_song_position(packet)
        if unit is None:
            return ()
        self._go(unit * CLOCKS_A_UNIT, tempo)
        if self._track.runs:
            # It goes on from there with the next clock, which says so.
            self._track.leaps()
            return ()
        return self._track.stands(self._top, at)

    def _stops(self, at: int) -> tuple[Said, ...]:
        self._started = False
        if self._track.runs:
            return self._stands(at, at)
        # Without a tempo, nothing would say that it goes on.
        return () if self._tempo is None else self._track.stands_somewhere(at)

    def play(self, tempo: TempoMap | None) -> None:
        """Another song, by whose tempo the clocks count from now on. One that nobody knows the place of begins it."""
        if self._next is None:
            self._next, self._started = 0, False
        self._tempo = tempo
        self._track.line.clear()
        self._last = self._top = 0 if tempo is None else tempo.at_clock(self._next)

    def lost(self, now: int) -> tuple[Said, ...]:
        """It is silent. A clock that comes later counts on, for nobody said that it stopped."""
        return self._stands(self._track.heard, now)

    def _go(self, clock: int, tempo: TempoMap) -> None:
        """The next clock is this one."""
        self._next, self._last, self._top = clock, self._top, tempo.at_clock(clock)

    def _stands(self, since: int, at: int) -> tuple[Said, ...]:
        """It stopped between the last clock and the next one, with which it would go on."""
        if self._track.line.zero is None:
            return self._track.stands(self._top, at)
        return self._track.stands(min(max(self._track.at(since), self._last), self._top), at)


class _Code:
    """MIDI time code."""

    silence_ns = CODE_SILENCE_NS

    def __init__(self, track: _Track) -> None:
        self._track = track
        self.rate: Rate | None = None
        self._last: int | None = None  # The piece before.
        self._turned = 0  # Steps back, in a row.
        self._pieces: list[tuple[int, int]] = []  # The nibbles of a name so far, and when they came.
        self._back: list[int] = []  # The nibbles of a name that comes backwards.
        self._forget()

    def _forget(self) -> None:
        self._pieces.clear()
        self._rate: Rate | None = None
        self._quarter: int | None = None  # That of the last piece, where the pieces count on.
        self._doubted: Heard | None = None  # The name that has to come next.

    def hear(self, packet: bytes, at: int) -> tuple[Said, ...]:
        if len(packet) == 2 and packet[0] == QUARTER_FRAME and packet[1] < 0x80:
            return self._piece(packet[1] >> 4, packet[1] & 0x0F, at)
        full = read_full_frame(packet)
        if full is None:
            return ()
        # The track only goes there; it runs when pieces come.
        self._forget()
        self.rate = full.rate
        return self._track.stands(frame_begins(full.frame, full.rate), at)

    def lost(self, now: int) -> tuple[Said, ...]:
        """It is silent: it has stopped."""
        self._forget()
        return self._track.stands(self._track.at(self._track.heard), now)

    def _piece(self, piece: int, nibble: int, at: int) -> tuple[Said, ...]:
        step = None if self._last is None else (piece - self._last) % PIECES
        self._last = piece
        # A single step back may be a jump to the beginning of a name.
        self._turned = self._turned + 1 if step == PIECES - 1 else 0
        if self._turned > 1:
            return self._backwards(piece, nibble, at)
        self._track.heard = at
        self._back.clear()
        if step != 1:
            # A piece got lost, or the track is somewhere else: the next name says where.
            self._quarter = self._doubted = None
            self._pieces.clear()
        elif self._quarter is not None and self._rate is not None:
            self._quarter = (self._quarter + 1) % (self._rate.day * QUARTERS)
        if piece == 0:
            self._pieces.clear()
        if len(self._pieces) == piece:
            self._pieces.append((nibble, at))
        if len(self._pieces) == PIECES and not self._named(at):
            self._quarter = None
        if self._quarter is None or self._rate is None:
            return ()
        return self._track.passes(quarter_begins(self._quarter, self._rate), at)

    def _named(self, at: int) -> bool:
        """A whole name has come. Whether it is believed; if so, the pieces count on from there."""
        name = read_pieces(tuple(nibble for nibble, _ in self._pieces))
        if name is None:
            return False
        first = name.frame * QUARTERS
        last = first + PIECES - 1
        if (last, name.rate) != (self._quarter, self._rate):
            goes_on = self._track.line.near(quarter_begins(last, name.rate), at)
            counted = self._quarter is not None or self._doubted is not None
            if self._track.runs and not goes_on and counted and name != self._doubted:
                self._doubted = Heard((name.frame + FRAMES_A_NAME) % name.rate.day, name.rate)
                return False
            if self._track.runs and not goes_on:
                self._track.leaps()
            for number, (_, came) in enumerate(self._pieces[:-1], first):
                self._track.line.add(quarter_begins(number, name.rate), came)
            self._quarter, self._rate, self.rate = last, name.rate, name.rate
        self._doubted = None
        return True

    def _backwards(self, piece: int, nibble: int, at: int) -> tuple[Said, ...]:
        """Pieces come in the opposite order, the last of a name first; it names the frame in which that goes, as in the
        forward direction (from memory of RP-004/008)."""
        said = self._track.stands(self._track.at(at), at) if self._track.runs else ()
        self._forget()
        if piece == PIECES - 1:
            self._back.clear()
        if len(self._back) == PIECES - 1 - piece:
            self._back.append(nibble)
        if len(self._back) < PIECES:
            return said
        name = read_pieces(tuple(reversed(self._back)))
        self._back.clear()
        if name is None:
            return said
        self.rate = name.rate
        behind = (name.frame * QUARTERS - PIECES + 1) % (name.rate.day * QUARTERS)
        return said + self._track.stands(quarter_begins(behind, name.rate), at)
