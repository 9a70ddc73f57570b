"""Bytes from wires: MIDI streams, a pedal's messages, OSC packets, a desk's answers, a player's clock and time code.

Outside judges: the mido library's parser for MIDI, the python-osc library for OSC.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Final

from mido.parser import Parser
from pythonosc.osc_packet import OscPacket, ParseError

from fuzz.drawn import Drawn
from fuzz.texts import sentence
from stagectl.core.events import Moved, Unmapped
from stagectl.core.levels import Off
from stagectl.core.tempo import BarChange, Metre, by_bars
from stagectl.desk.talk import DeskTalk
from stagectl.desk.virtual import VirtualDesk
from stagectl.errors import WireError
from stagectl.learn.analyse import analyse
from stagectl.learn.desk_analyse import analyse as analyse_desk
from stagectl.learn.desk_moves import Part, parse_move
from stagectl.pedals.hear import SAID_MAX, MidiEar, OscEar
from stagectl.show.hearing import OSC_TOP
from stagectl.show.load import load_profile
from stagectl.show.mapping import MappingModel
from stagectl.show.profile import ProfileModel
from stagectl.tracks.follow import Follower
from stagectl.where import shipped
from stagectl.wire.midi import SYSEX_MAX
from stagectl.wire.osc import Argument, osc_text, parse
from stagectl.wire.stream import REALTIME_FIRST, MidiStream, data_bytes

VALUE_TOP: Final = 16_383
"""The highest value that MIDI can say: 14 bits."""

SOCKETS: Final = (5, 1, 2, 24, 9)
MIXES: Final = (3, 1, 16)

_CONTROLS: Final[tuple[dict[str, Any], ...]] = (
    {"note": 60},
    {"control change": 80, "channel": 3},
    {"control change pair": 1},
    {"program": 5},
    {"program": 9, "bank": 4},
    {"pitch bend": None, "channel": 3},
    {"channel pressure": None},
    {"key pressure": 60, "channel": 3},
    {"sysex": "F0 7D 55 {value} F7"},
    {"song select": 9},
    {"nrpn": 1288, "channel": 3},
    {"rpn": 2, "channel": 4},
)


def midi_stream(data: bytes) -> None:
    """However a stream is cut, the messages are the same, each is whole, and the library reads them as we do."""
    counted: Counter[str] = Counter()
    messages = MidiStream(counted).feed(data)
    cut_counted: Counter[str] = Counter()
    cut = MidiStream(cut_counted)
    assert [message for at in range(len(data)) for message in cut.feed(data[at : at + 1])] == messages
    assert cut_counted == counted
    for message in messages:
        assert message[0] >= 0x80 and len(message) <= SYSEX_MAX
        inside = message[1:-1] if message[0] == 0xF0 else message[1:]
        assert all(byte < 0x80 for byte in inside)
        assert message[0] == 0xF0 or message[0] >= REALTIME_FIRST or len(inside) == data_bytes(message[0])
    known = [message for message in messages if message not in (b"\xf9", b"\xfd")]
    assert _by_mido(b"".join(known)) == known
    # The library knows no running status and gives up a message at a real-time byte within; where the wire has
    # neither, and no status is undefined, both hear the same.
    if _is_plain(data):
        assert _by_mido(data) == known


def _by_mido(data: bytes) -> list[bytes]:
    parser = Parser()
    parser.feed(data)
    return [bytes(message.bytes()) for message in parser]


def _is_plain(data: bytes) -> bool:
    """Whether a stream has no running status, nothing undefined, no SysEx that is too long and no real-time bytes."""
    status, missing, inside = 0, 0, 0
    for byte in data:
        if byte >= REALTIME_FIRST or byte in (0xF4, 0xF5):
            return False
        if byte >= 0x80:
            status, inside = byte, 0
            missing = 0 if byte in (0xF0, 0xF7) else data_bytes(byte) or 0
        elif status == 0xF0:
            inside += 1
            if inside > SYSEX_MAX - 2:
                return False
        elif missing:
            missing -= 1
        elif status not in (0, 0xF7):
            return False
    return True


@cache
def _mapping(*sends: int) -> MappingModel:
    controls = {f"c{at}": {"sends": _CONTROLS[at]} for at in sends}
    return MappingModel.model_validate({"name": "under test", "controls": controls})


@cache
def _osc_mapping() -> MappingModel:
    controls = {f"c{at}": {"sends": {"osc": f"/pedal/{at}"}} for at in range(3)}
    return MappingModel.model_validate({"name": "under test", "controls": controls})


def pedal_midi(data: bytes) -> None:
    """An ear for every kind of message hears any bytes in any packets; what it makes of them is within bounds."""
    drawn = Drawn(data)
    ear = MidiEar(0, _mapping(*range(len(_CONTROLS))))
    while drawn.left:
        does = drawn.below(16)
        if does == 0:
            events = ear.settle()
            assert not ear.waiting
        elif does == 1:
            ear.reset()
            assert not ear.waiting
            continue
        else:
            packet = drawn.raw(12)
            events = ear.hear(packet)
            # A packet ends at most one message that began before it, and has one for every byte; each settles one more.
            assert len(events) <= 2 * len(packet) + 2
        for event in events:
            _bounded(event, VALUE_TOP)


def _bounded(event: object, top: int, bottom: int = 0) -> None:
    if isinstance(event, Moved):
        assert bottom <= event.value <= top and isinstance(event.value, int)
    else:
        assert isinstance(event, Unmapped) and len(event.said) <= SAID_MAX and event.said.isprintable()


def pedal_osc(data: bytes) -> None:
    """A pedal's packets, whatever they are."""
    for event in OscEar(0, _osc_mapping()).hear(data):
        _bounded(event, 2 * OSC_TOP, -OSC_TOP)


# Type tags that the library knows by the same meaning; the others it skips, or reads in a way of its own.
_SAME: Final = frozenset(b"ifsbhdTF")
_TAGS: Final = re.compile(rb",([^\0]*)")


def osc_packet(data: bytes) -> None:
    """What we take, the library takes too, and reads the same from it; nothing is longer than the packet."""
    try:
        messages = parse(data)
    except WireError as error:
        sentence(error, 200)
        return
    assert sum(1 + len(message.arguments) for message in messages) <= len(data)
    assert all(osc_text(message).isprintable() for message in messages)
    if messages and all(message.arguments for message in messages) and set(b"".join(_TAGS.findall(data))) <= _SAME:
        assert _by_library(data) == [(message.address, list(message.arguments)) for message in messages]


def _by_library(data: bytes) -> list[tuple[str, list[Argument]]]:
    try:
        return [(one.message.address, list(one.message.params)) for one in OscPacket(data).messages]
    except ParseError as error:
        raise AssertionError(f"the library refuses what we take: {error}") from error


@cache
def _profiles() -> tuple[ProfileModel, ...]:
    invented = Path(__file__).parents[1] / "desk" / "profiles"
    names = sorted(path.stem for path in (shipped("mappings") / "desks").glob("*.yaml"))
    return tuple(load_profile(name) for name in (*names, *map(str, sorted(invented.glob("*.yaml")))))


def desk_says(data: bytes) -> None:
    """A desk's end and the rig's end of the wire hear any packets by any profile: levels are those of the law."""
    drawn = Drawn(data)
    profile = drawn.pick(_profiles())
    talk = DeskTalk(profile, SOCKETS, MIXES)
    desk = VirtualDesk(profile, SOCKETS, MIXES)
    while drawn.left:
        if drawn.below(16) == 0:
            talk.forget()
        packet = drawn.raw(40)
        for said in talk.hear(packet):
            assert 0 <= said.send < talk.sends
            law = talk._laws[talk._spots[said.send]]
            assert isinstance(said.level, Off) or said.level in law.grid.steps
        for heard in desk.hear(packet):
            assert heard.mix in MIXES and heard.socket in (*SOCKETS, None)
    assert sum(talk.counted.values()) <= 2 * len(data) + 1


_TEMPO: Final = by_bars([BarChange(1, tempo=Fraction(120)), BarChange(3, metre=Metre(3, 4), tempo=Fraction(91))])

_MESSAGES: Final = (
    *(b"\xf8", b"\xfa", b"\xfb", b"\xfc", b"\xff"),
    *(bytes((0xF1, byte)) for byte in range(0x80)),
)

FAR_NS: Final = 10**15
"""Beyond every position that clock or time code can name within these messages, ns."""


def follows(data: bytes) -> None:
    """What a player says, at any times: positions are whole, near the times that have passed, and rise while it runs
    by no more than jumps do; what is kept is bounded."""
    drawn = Drawn(data)
    follower = Follower("clock" if drawn.below(2) else "time code", _TEMPO)
    now = 0
    while drawn.left:
        now += drawn.pick((0, 1, 10_000_000, 20_833_333, 300_000_000, 2_000_000_000, -5_000_000))
        does = drawn.below(8)
        if does == 0:
            said = follower.silent(max(0, now))
        elif does == 1:
            follower.play(drawn.pick((None, _TEMPO)))
            continue
        elif does == 2:
            said = follower.hear(drawn.raw(12), now)
        elif does == 3:
            said = follower.hear(bytes((0xF2, drawn.below(128), drawn.below(128))), now)
        else:
            said = follower.hear(drawn.pick(_MESSAGES), now)
        for one in said:
            assert isinstance(one.position, int) and isinstance(one.at, int)
            assert -FAR_NS < one.position < FAR_NS
            assert one.runs == follower.runs or not one.runs
        assert (follower.due is not None) == follower.runs


def learns_pedal(data: bytes) -> None:
    """What a pedal sent while it was learnt: any packets at any times are sorted and judged."""
    drawn = Drawn(data)
    packets, now = [], 0
    while drawn.left:
        now += drawn.below(65_536) * 20_000
        packets.append((now, drawn.pick(_WHOLE) if drawn.below(3) else drawn.raw(12)))
    analyse(packets)


_WHOLE: Final = (
    *(b"\x90\x40\0", b"\x90\x40\x7f", b"\x80\x40\x40", b"\xb0\x50\0", b"\xb0\x50\x7f", b"\xb0\1\x40", b"\xb0\x21\1"),
    *(b"\xc0\5", b"\xb0\x63\1", b"\xb0\x62\x09", b"\xb0\6\x7f", b"\xb0\x26\0", b"\xe0\0\x40", b"\xd0\x7f", b"\xf3\x09"),
    *(b"\xf0\x7d\1\xf7", b"\xf0\x7d\2\xf7", b"\xfa", b"\xf8", b"\xb0\0\3", b"\xb0\x20\0"),
)
"""Whole messages that pedals send: notes, controllers, pairs, numbers of parameters, programs and banks."""


def learns_desk(data: bytes) -> None:
    """What a desk sent while it was learnt, over either kind of wire: any packets for any moves are judged."""
    drawn = Drawn(data)
    parts: list[Part] = []
    now, over_osc = 0, drawn.below(2)
    while drawn.left and len(parts) < 8:
        move = parse_move(drawn.pick(_MOVES))
        packets = []
        for _ in range(drawn.below(12)):
            now += drawn.below(256) * 1_000_000
            packets.append((now, _osc_of(drawn) if over_osc and drawn.below(8) else drawn.raw(12)))
        parts.append((move, packets))
    analyse_desk(parts)


def _osc_of(drawn: Drawn) -> bytes:
    address = drawn.pick(("/in/1/to/1", "/in/2/to/1", "/in/1/to/2", "/ch/01/mix", "/x"))
    padded = address.encode() + b"\0" * (4 - len(address) % 4)
    return padded + drawn.pick((b",f\0\0", b",i\0\0", b",if\0", b",s\0\0")) + drawn.raw(8)


_MOVES: Final[Sequence[str]] = (
    "input 1 mix 1 bottom to top",
    "input 2 mix 1 bottom to top",
    "input 1 mix 2 bottom to top",
    "input 1 mix 1 at -10",
    "input 1 mix 1 at off",
    "whole mix 1 bottom to top",
    "nothing",
)
