"""Keyboard-type pedals: the bytes of Linux's event devices, played through a pipe.

Source: Linux, Documentation/input/input.rst, event-codes.rst and include/uapi/linux/input-event-codes.h.
"""

from __future__ import annotations

import errno
import os
import re
import selectors
import struct
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from ears import mapping, moves
from hypothesis import given
from hypothesis import strategies as st
from needs import unavailable

from stagectl.core.events import Moved, Unmapped
from stagectl.errors import DeviceError
from stagectl.pedals import keyboard
from stagectl.pedals.hear import KeyEar
from stagectl.pedals.keyboard import EVENT, KeyboardPort, keyboards, open_keyboard
from stagectl.show.key_names import KEY_CODES

PAGE_UP, PAGE_DOWN, LEFT = 104, 109, 105
SYN = (0, 0, 0)


def raw(*events: tuple[int, int, int]) -> bytes:
    """Type, code and value of each event, as the driver writes them."""
    return b"".join(struct.pack("llHHi", 1, 2, *event) for event in events)


def key(code: int, value: int) -> bytes:
    """One key with the scan code before it (EV_MSC, MSC_SCAN) and the report after it, as drivers send it."""
    return raw((4, 4, 0x7004E), (1, code, value), SYN)


class Device:
    """A device played through a pipe."""

    def __init__(self) -> None:
        reads, self.writes = os.pipe()
        os.set_blocking(reads, False)
        self.port = KeyboardPort(reads, "page turner")

    def send(self, data: bytes) -> None:
        os.write(self.writes, data)


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device()
    yield made
    made.port.close()
    os.close(made.writes)


def test_keys_come_as_code_and_value(device: Device) -> None:
    assert device.port.read() == []
    device.send(key(PAGE_DOWN, 1) + key(PAGE_DOWN, 2) + key(PAGE_DOWN, 0))
    assert device.port.read() == [(PAGE_DOWN, 1), (PAGE_DOWN, 2), (PAGE_DOWN, 0)]
    assert device.port.read() == []


def test_a_loop_can_wait_for_it(device: Device) -> None:
    with selectors.DefaultSelector() as selector:
        selector.register(device.port, selectors.EVENT_READ)
        assert selector.select(0) == []
        device.send(key(PAGE_DOWN, 1))
        assert len(selector.select(1)) == 1


@given(st.lists(st.tuples(st.integers(0, 767), st.integers(0, 2)), max_size=20), st.data())
def test_where_the_bytes_are_cut_makes_no_difference(pressed: list[tuple[int, int]], data: st.DataObject) -> None:
    device = Device()
    whole = b"".join(key(code, value) for code, value in pressed)
    told, at = [], 0
    while at < len(whole):
        size = data.draw(st.integers(1, 200))
        device.send(whole[at : at + size])
        told += device.port.read()
        at += size
    device.port.close()
    os.close(device.writes)
    assert told == pressed


def test_a_flood_is_read_in_bounded_pieces(device: Device) -> None:
    device.send(raw(*[(1, PAGE_DOWN, at % 2) for at in range(keyboard.READ_MAX * 2 + 1)]))
    sizes = [len(device.port.read()) for _ in range(4)]
    assert sizes == [keyboard.READ_MAX, keyboard.READ_MAX, 1, 0]


def test_a_device_that_goes_away_says_so(device: Device) -> None:
    os.close(device.writes)
    with pytest.raises(DeviceError, match=r"page turner.*gone"):
        device.port.read()
    device.writes = os.open(os.devnull, os.O_WRONLY)
    device.port.close()
    assert device.port.fileno() == -1
    device.port.close()


def test_after_lost_events_what_is_held_comes_up(device: Device) -> None:
    device.send(key(PAGE_DOWN, 1) + raw((0, 3, 0), (1, PAGE_UP, 1), SYN) + key(LEFT, 1))
    # Everything up to the report is void; a pipe cannot say which keys are down.
    assert device.port.read() == [(PAGE_DOWN, 1), (PAGE_DOWN, 0), (LEFT, 1)]


def test_other_events_are_no_keys(device: Device) -> None:
    device.send(raw((2, 0, 1), (3, 1, 5), (17, 1, 1), (1, PAGE_DOWN, 7), (1, PAGE_DOWN, -1)))
    assert device.port.read() == []


# -- the ear --


def test_keys_move_controls() -> None:
    ear = KeyEar(3, mapping({"key": "page up"}, {"key": "page down"}))
    told = ear.hear([(PAGE_DOWN, 1), (PAGE_DOWN, 2), (PAGE_DOWN, 2), (PAGE_DOWN, 0), (PAGE_UP, 1)])
    assert moves(told) == [(1, 1), (1, 0), (0, 1)]
    assert [event.pedal for event in told if isinstance(event, Moved)] == [3, 3, 3]
    assert ear.counted == {"auto-repeat": 2}


def test_a_key_of_no_control_is_told_once() -> None:
    ear = KeyEar(0, mapping({"key": "page up"}))
    told = ear.hear([(LEFT, 1), (LEFT, 0), (700, 1), (700, 0)])
    assert [event.said for event in told if isinstance(event, Unmapped)] == ["key left", "key 700"]
    assert len(told) == 2


def test_the_names_are_those_of_the_header() -> None:
    header = Path("/usr/include/linux/input-event-codes.h")
    if not header.exists():
        unavailable("the header input-event-codes.h (linux-libc-dev) is not here")
    known = {name: int(code) for name, code in re.findall(r"#define KEY_(\w+)\s+(\d+)\b", header.read_text())}
    short = {"escape": "ESC"}
    for name, code in KEY_CODES.items():
        written = short.get(name, name.replace("keypad ", "KP").replace(" ", "").upper())
        assert known[written] == code, name


# -- finding and opening --


class Kernel:
    """Plays the ioctls: what the devices in a folder say of themselves."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.names: dict[str, str] = {}
        self.keys: dict[str, set[int]] = {}
        self.grabbed: list[str] = []
        self.busy: set[str] = set()

    def add(self, file: str, name: str, *keys: int) -> None:
        (self.folder / file).touch()
        self.names[file], self.keys[file] = name, set(keys)

    def _file(self, fd: int) -> str:
        return Path(os.readlink(f"/proc/self/fd/{fd}")).name

    def ask(self, fd: int, request: int, size: int) -> bytes:
        if request == keyboard.EVIOCGNAME:
            return self.names[self._file(fd)].encode().ljust(size, b"\0")
        bits = bytearray(size)
        for code in self.keys[self._file(fd)]:
            bits[code // 8] |= 1 << code % 8
        return bytes(bits)

    def grab(self, fd: int) -> None:
        if self._file(fd) in self.busy:
            raise OSError(errno.EBUSY, "busy")
        self.grabbed.append(self._file(fd))

    def keep(self) -> None:
        """What was grabbed stays so."""
        self.busy.update(self.grabbed)


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Kernel:
    if not sys.platform.startswith("linux"):
        pytest.skip("event devices are Linux's")
    made = Kernel(tmp_path)
    monkeypatch.setattr(keyboard, "_ask", made.ask)
    monkeypatch.setattr(keyboard, "_grab", made.grab)
    made.add("event0", "Power Button", 116)
    made.add("event2", "Turner Mouse", 272)
    made.add("event3", "Turner Keyboard", PAGE_UP, PAGE_DOWN)
    made.add("event10", "Another Keyboard", LEFT)
    (tmp_path / "mouse0").touch()
    return made


def test_only_devices_with_keys_of_ours_are_found(kernel: Kernel) -> None:
    assert [one.name for one in keyboards(kernel.folder)] == ["Turner Keyboard", "Another Keyboard"]


def test_a_device_is_found_by_part_of_its_name_and_grabbed(kernel: Kernel) -> None:
    port = open_keyboard("turner", kernel.folder)
    assert (port.name, kernel.grabbed) == ("Turner Keyboard", ["event3"])
    port.close()


def test_what_is_not_there_or_kept_by_others_is_said(kernel: Kernel) -> None:
    with pytest.raises(DeviceError, match="no keyboard is called `piano`; known: `Turner Keyboard`"):
        open_keyboard("piano", kernel.folder)
    kernel.busy.add("event3")
    with pytest.raises(DeviceError, match="cannot be grabbed: another program keeps it"):
        open_keyboard("turner", kernel.folder)


def test_of_two_of_one_name_each_pedal_has_its_own(kernel: Kernel) -> None:
    kernel.add("event4", "Turner Keyboard", PAGE_UP, PAGE_DOWN)
    first = open_keyboard("turner", kernel.folder)
    kernel.keep()
    second = open_keyboard("turner", kernel.folder)
    kernel.keep()
    assert kernel.grabbed == ["event3", "event4"]
    with pytest.raises(DeviceError, match=r"`Turner Keyboard` cannot be grabbed: .* another pedal has it"):
        open_keyboard("turner", kernel.folder)
    # Another name is no way round one that is kept.
    kernel.add("event11", "Turner Keyboard of somebody", LEFT)
    with pytest.raises(DeviceError, match="`Turner Keyboard` cannot be grabbed"):
        open_keyboard("Turner Keyboard", kernel.folder)
    for port in (first, second):
        port.close()


def test_missing_permission_names_the_group(kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> int:
        raise PermissionError(errno.EACCES, "no")

    monkeypatch.setattr("stagectl.pedals.keyboard.os.open", refused)
    with pytest.raises(DeviceError, match="group `input`"):
        keyboards(kernel.folder)


def test_other_systems_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stagectl.pedals.keyboard.sys.platform", "darwin")
    with pytest.raises(DeviceError, match="Linux only"):
        open_keyboard("turner")


# The numbers that the C macros of linux/input.h make on x86 and ARM.
def test_the_ioctls_have_the_numbers_of_the_header() -> None:
    assert keyboard.EVIOCGRAB == 0x40044590
    assert keyboard.EVIOCGNAME == 0x81004506
    assert EVENT.size == (24 if struct.calcsize("l") == 8 else 16)


@pytest.mark.ports
def test_a_real_device_of_the_kernel() -> None:
    """A keyboard made with uinput (Documentation/input/uinput.rst), found by its name, grabbed and heard."""
    if not os.access("/dev/uinput", os.W_OK):
        pytest.skip("/dev/uinput cannot be used here")
    import fcntl

    name = f"stagectl test keyboard {os.getpid()}"
    made = os.open("/dev/uinput", os.O_WRONLY | os.O_NONBLOCK)
    try:
        fcntl.ioctl(made, 0x40045564, 1)  # UI_SET_EVBIT, EV_KEY
        fcntl.ioctl(made, 0x40045565, PAGE_DOWN)  # UI_SET_KEYBIT
        fcntl.ioctl(made, 0x405C5503, struct.pack("HHHH80sI", 3, 0, 0, 0, name.encode(), 0))  # UI_DEV_SETUP
        fcntl.ioctl(made, 0x5501)  # UI_DEV_CREATE
        try:
            port = open_keyboard(name)
        except DeviceError as error:
            pytest.skip(f"the kernel's new keyboard does not appear here: {error}")
        with selectors.DefaultSelector() as selector:
            selector.register(port, selectors.EVENT_READ)
            os.write(made, raw((1, PAGE_DOWN, 1), SYN, (1, PAGE_DOWN, 0), SYN))
            told: list[tuple[int, int]] = []
            while len(told) < 2 and selector.select(5):
                told += port.read()
        port.close()
        assert told == [(PAGE_DOWN, 1), (PAGE_DOWN, 0)]
    finally:
        os.close(made)
