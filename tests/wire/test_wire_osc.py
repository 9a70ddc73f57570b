"""OSC packets against the examples page of OSC 1.0, against python-osc, and against anything at all."""

from __future__ import annotations

import math
import struct

import pytest
from depth import examples
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message import OscMessage as Reference
from pythonosc.osc_message_builder import OscMessageBuilder

from stagectl.errors import WireError
from stagectl.wire.osc import (
    BUNDLES_MAX,
    PACKET_MAX,
    Argument,
    OscMessage,
    OscPacket,
    build,
    check_address,
    osc_text,
    parse,
    read,
)

# The OSC 1.0 specification, examples page.
FREQUENCY = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
FIVE = bytes.fromhex("2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d")

ADDRESSES = st.from_regex(r"/[a-z0-9]{1,9}(/[a-z0-9]{1,9}){0,4}", fullmatch=True)
FLOATS = st.floats(allow_nan=False, allow_infinity=False, width=32)
ARGUMENTS = st.one_of(
    st.integers(-(2**31), 2**31 - 1),
    FLOATS,
    st.booleans(),
    st.text(st.characters(min_codepoint=1, max_codepoint=0x2FF), max_size=20),
    st.binary(min_size=1, max_size=20),
)


def _bundle(*elements: bytes) -> bytes:
    """A bundle by the specification's text: `#bundle`, a time tag (0…01 is at once), then size and element."""
    return b"#bundle\0" + bytes(7) + b"\1" + b"".join(struct.pack(">i", len(one)) + one for one in elements)


def test_the_examples_page_is_built() -> None:
    assert build("/oscillator/4/frequency", (440.0,)) == FREQUENCY
    assert build("/foo", (1000, -1, "hello", 1.234, 5.678)) == FIVE
    assert build("/foo", (1000, -1, "hello", 1.234, 5.678), "iisff") == FIVE


def test_the_examples_page_is_read() -> None:
    assert parse(FREQUENCY) == [OscMessage("/oscillator/4/frequency", (440.0,))]
    ((address, arguments),) = parse(FIVE)
    assert address == "/foo"
    assert arguments[:3] == (1000, -1, "hello")
    assert arguments[3:] == pytest.approx((1.234, 5.678), rel=1e-6)


@given(ADDRESSES, st.lists(ARGUMENTS, max_size=6))
def test_there_and_back(address: str, arguments: list[Argument]) -> None:
    packet = build(address, tuple(arguments))
    assert len(packet) % 4 == 0
    assert parse(packet) == [OscMessage(address, tuple(arguments))]


@given(ADDRESSES, st.lists(ARGUMENTS, max_size=6))
def test_the_library_reads_the_same(address: str, arguments: list[Argument]) -> None:
    builder = OscMessageBuilder(address)
    for argument in arguments:
        builder.add_arg(argument)
    packet = builder.build().dgram
    (message,) = parse(packet)
    reference = Reference(packet)
    assert message == OscMessage(reference.address, tuple(reference.params))


# Type tags beyond the four of OSC 1.0 that the specification lists as in use, read with their right length.
@pytest.mark.parametrize(
    ("tags", "data", "arguments"),
    [
        ("T", "", (True,)),
        ("F", "", (False,)),
        ("N", "", (None,)),
        ("I", "", (True,)),
        ("h", "ffffffffffffffff", (-1,)),
        ("d", "3ff8000000000000", (1.5,)),
        ("t", "0000000000000001", (1,)),
        ("c", "00000041", (0x41,)),
        ("r", "ff00ff80", (b"\xff\x00\xff\x80",)),
        ("m", "00b00764", (b"\x00\xb0\x07\x64",)),
        ("S", "61626300", ("abc",)),
        ("b", "00000003aabbcc00", (b"\xaa\xbb\xcc",)),
        ("b", "00000000", (b"",)),
        ("iTf", "000000073f800000", (7, True, 1.0)),
        ("cci", "0000004100000042ffffffff", (0x41, 0x42, -1)),
    ],
)
def test_each_type_tag(tags: str, data: str, arguments: tuple[Argument, ...]) -> None:
    packet = b"/a\0\0" + _padded("," + tags) + bytes.fromhex(data)
    assert parse(packet) == [OscMessage("/a", arguments)]
    for end in range(len(packet) - 1, 3, -1):
        if data and end > 4:
            with pytest.raises(WireError):
                parse(packet[:end])


def _padded(text: str) -> bytes:
    raw = text.encode()
    return raw + bytes(4 - len(raw) % 4)


@pytest.mark.parametrize("tag", ["x", "[", "]", "*", "1"])
def test_an_unknown_type_tag_discards_the_whole_message(tag: str) -> None:
    # The OSC 1.0 specification: a message with a type tag that is not recognised is discarded.
    packet = b"/a\0\0" + _padded(f",f{tag}f") + struct.pack(">ff", 1, 2)
    with pytest.raises(WireError, match="is not known"):
        parse(packet)
    with pytest.raises(WireError, match="is not known"):
        parse(_bundle(build("/b", (1.0,)), packet))
    # The message is; the others of its bundle are not.
    (why,) = read(packet).discarded
    assert read(packet) == OscPacket([], [why])
    some = _bundle(build("/b", (1.0,)), packet, _bundle(packet, build("/c")))
    assert read(some) == OscPacket([OscMessage("/b", (1.0,)), OscMessage("/c")], [why, why])
    with pytest.raises(WireError, match="not an OSC packet"):
        read(_bundle(build("/b", (1.0,)), packet, b"/c\0\0,f\0\0"))


def test_a_number_that_was_cut_off_is_no_zero() -> None:
    """0.0 dB is a loud level."""
    packet = build("/mix/2/from/5", (-60.0,))
    for short in (packet[:-4], packet[:-3], packet[:-1]):
        with pytest.raises(WireError, match="not an OSC packet"):
            parse(short)


def test_bytes_behind_the_last_argument_are_refused() -> None:
    with pytest.raises(WireError, match="more bytes"):
        parse(build("/a", (1.0,)) + bytes(4))


def test_a_message_without_type_tags_has_no_arguments() -> None:
    # The OSC 1.0 specification asks receivers to be robust about older senders that leave them out.
    assert parse(b"/a\0\0") == [OscMessage("/a")]
    assert parse(build("/a")) == [OscMessage("/a")]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(("tag", "shape"), [("f", ">f"), ("d", ">d")])
def test_what_is_not_finite_is_refused(value: float, tag: str, shape: str) -> None:
    with pytest.raises(WireError, match="which is no number"):
        parse(b"/a\0\0" + _padded("," + tag) + struct.pack(shape, value))
    found = read(_bundle(b"/a\0\0" + _padded("," + tag) + struct.pack(shape, value), build("/b", (1.0,))))
    assert found.messages == [OscMessage("/b", (1.0,))] and len(found.discarded) == 1


def test_a_bundle_is_flattened_in_its_order() -> None:
    builder = OscBundleBuilder(IMMEDIATELY)
    for at in range(3):
        message = OscMessageBuilder(f"/{at}")
        message.add_arg(at)
        builder.add_content(message.build())
    packet = builder.build().dgram
    assert packet == _bundle(*(build(f"/{at}", (at,)) for at in range(3)))
    assert parse(packet) == [OscMessage(f"/{at}", (at,)) for at in range(3)]
    assert parse(_bundle(packet, build("/last"))) == [*parse(packet), OscMessage("/last")]
    assert parse(_bundle()) == []


@pytest.mark.parametrize(("depth", "fits"), [(0, True), (BUNDLES_MAX, True), (BUNDLES_MAX + 1, False), (1_000, False)])
def test_how_deep_bundles_may_stand(depth: int, fits: bool) -> None:
    packet = build("/a", (1,))
    for _ in range(depth):
        packet = _bundle(packet)
    if fits:
        assert parse(packet) == [OscMessage("/a", (1,))]
    else:
        with pytest.raises(WireError, match="deep"):
            parse(packet)


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"\0\0\0\0",
        b"foo\0",
        b"/foo",
        b"/a\0\0,f\0",
        b"/a\0\0foo\0",
        b"/a\0\0,s\0\0abcd",
        b"/\xff\0\0",
        b"/a\0\0,\xff\0\0",
        b"/a\0\0,s\0\0\xff\xff\xff\0",
        b"/a\0\0,b\0\0\xff\xff\xff\xfc",
        b"/a\0\0,b\0\0\x7f\xff\xff\xff",
        b"#bundle\0",
        b"#bundle\0" + bytes(4),
        b"#bundle\0" + bytes(8) + b"\0\0\0\x08/a\0\0",
        b"#bundle\0" + bytes(8) + b"\0\0\0\0",
        b"#bundle\0" + bytes(8) + b"\xff\xff\xff\xfc/a\0\0",
        b"#bundle\0" + bytes(8) + b"\0\0\0\x03/a\0\0",
    ],
)
def test_what_is_no_packet_is_refused(packet: bytes) -> None:
    with pytest.raises(WireError):
        parse(packet)


@given(st.binary(max_size=200))
@example(b"/a\0\0" + _padded("," + "[" * 2_000 + "]" * 2_000))
@example(b"/a\0\0" + _padded("," + "T" * (PACKET_MAX - 12)))
@example(b"#bundle\0" + bytes(8) + b"\0\0\0\x04/\0\0\0" * 5_000)
@settings(max_examples=examples(250))
def test_any_bytes_give_messages_or_a_wire_error(packet: bytes) -> None:
    _parse_or_refuse(packet)


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A sound packet with some bytes changed, cut out or put in."""
    messages = draw(st.lists(st.builds(build, ADDRESSES, st.lists(ARGUMENTS, max_size=4).map(tuple)), max_size=3))
    packet = bytearray(messages[0] if len(messages) == 1 else _bundle(*messages))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(packet)))
        cut = draw(st.integers(0, 8))
        packet[at : at + cut] = draw(st.binary(max_size=8))
    return bytes(packet)


@given(mutated())
@settings(max_examples=examples(250))
def test_mutated_packets_give_messages_or_a_wire_error(packet: bytes) -> None:
    _parse_or_refuse(packet)


def _parse_or_refuse(packet: bytes) -> None:
    try:
        messages = parse(packet)
    except WireError:
        return
    for message in messages:
        assert message.address.startswith("/")
        assert all(math.isfinite(one) for one in message.arguments if isinstance(one, float))
        assert osc_text(message).startswith(message.address)


@pytest.mark.parametrize("address", ["/a", "/mix/2/from/5", "/A-z_0.9~", "/a//b"])
def test_addresses(address: str) -> None:
    assert check_address(address) == address


# The OSC 1.0 specification: names hold printable ASCII without space # * , / ? [ ] { }.
@pytest.mark.parametrize("address", ["", "/", "a", " /a", *(f"/a{bad}" for bad in " #*,?[]{}\t\n\0\x7fé")])
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(WireError, match="OSC address"):
        check_address(address)


@pytest.mark.parametrize(
    ("arguments", "types"),
    [((2**31,), "i"), ((2**63,), None), ((1e39,), "f"), (("a",), "f"), ((1,), "q"), ((None,), "i")],
)
def test_what_cannot_be_said_is_a_wire_error(arguments: tuple[Argument, ...], types: str | None) -> None:
    with pytest.raises(WireError, match="cannot be said"):
        build("/a", arguments, types)


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (OscMessage("/mix/2/from/5", (-12.5,)), "/mix/2/from/5 -12.5"),
        (OscMessage("/a"), "/a"),
        (OscMessage("/a", (1, "x y", True, None)), "/a 1 'x y' True None"),
    ],
)
def test_messages_as_people_read_them(message: OscMessage, said: str) -> None:
    assert osc_text(message) == said
