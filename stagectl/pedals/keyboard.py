"""Keyboard-type pedals on Linux: a small reader of evdev, and the ear for its keys.

Sources: Linux, Documentation/input/input.rst (an event is a C struct `llHHi`: seconds, microseconds, type, code,
value), event-codes.rst (EV_KEY: 1 down, 0 up, 2 auto-repeat; after SYN_DROPPED everything up to the next SYN_REPORT is
void) and include/uapi/linux/input.h for the ioctls, whose numbers are those of x86 and ARM.

A device is grabbed: while a pedal is heard its keys reach no other program. Closing it lets go.
"""

from __future__ import annotations

import array
import errno
import os
import re
import struct
import sys
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.core.events import Event, Moved, Unmapped
from stagectl.errors import DeviceError, nearest
from stagectl.show.hearing import HearKey
from stagectl.show.key_names import KEY_NAMES
from stagectl.show.mapping import MappingModel

INPUTS: Final = Path("/dev/input")
EVENT: Final = struct.Struct("llHHi")
READ_MAX: Final = 64
"""Events that one `read` takes; more wait for the next."""

EV_SYN, EV_KEY = 0, 1
SYN_REPORT, SYN_DROPPED = 0, 3
UP, DOWN, REPEAT = 0, 1, 2

NAME_BYTES: Final = 256
KEY_BYTES: Final = 96
"""A bit for each of the 768 keys (KEY_CNT)."""

_READ, _WRITE = 2, 1


def _request(way: int, number: int, size: int) -> int:
    """The number of an ioctl of the group `E` (asm-generic/ioctl.h)."""
    return way << 30 | size << 16 | ord("E") << 8 | number


EVIOCGNAME: Final = _request(_READ, 0x06, NAME_BYTES)
EVIOCGKEY: Final = _request(_READ, 0x18, KEY_BYTES)
EVIOCGBIT_KEY: Final = _request(_READ, 0x20 + EV_KEY, KEY_BYTES)
EVIOCGRAB: Final = _request(_WRITE, 0x90, 4)

WHY_NOT_ALLOWED: Final = "the user has to be in the group `input` (`sudo usermod -aG input NAME`, then log in again)"


class Keyboard(NamedTuple):
    """A device with keys."""

    path: Path
    name: str


def _ask(fd: int, request: int, size: int) -> bytes:
    """What the driver answers. Raises OSError."""
    import fcntl

    answer = array.array("B", bytes(size))
    fcntl.ioctl(fd, request, answer)
    return answer.tobytes()


def _grab(fd: int) -> None:
    """Keep the device for us alone. Raises OSError."""
    import fcntl

    fcntl.ioctl(fd, EVIOCGRAB, 1)


def _bits(answer: bytes) -> set[int]:
    return {at * 8 + bit for at, byte in enumerate(answer) for bit in range(8) if byte >> bit & 1}


def _check_system() -> None:
    if not sys.platform.startswith("linux"):
        raise DeviceError("keyboard-type pedals are heard on Linux only")


def keyboards(folder: Path = INPUTS) -> list[Keyboard]:
    """The devices that have a key of ours and that we may read, in the order of their numbers. Raises DeviceError where
    the system has none of this kind, or lets us read none."""
    _check_system()
    paths = [path for path in folder.glob("event*") if re.fullmatch("event[0-9]+", path.name)]
    found, closed = [], 0
    for path in sorted(paths, key=lambda path: int(path.name.removeprefix("event"))):
        try:
            fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            closed += error.errno in (errno.EACCES, errno.EPERM)
            continue
        try:
            # A device may go away while it is asked.
            with suppress(OSError):
                name = _ask(fd, EVIOCGNAME, NAME_BYTES).split(b"\0")[0].decode("utf-8", "replace")
                if _bits(_ask(fd, EVIOCGBIT_KEY, KEY_BYTES)) & KEY_NAMES.keys():
                    found.append(Keyboard(path, name))
        finally:
            os.close(fd)
    if closed and not found:
        raise DeviceError(f"the devices in {folder} may not be read: {WHY_NOT_ALLOWED}")
    return found


def find_keyboards(part: str, found: Iterable[Keyboard]) -> list[Keyboard]:
    """The devices that `part` may mean, in their order: those of that very name if there are any, else every one that
    holds it, whatever its case."""
    held = [one for one in found if part.lower() in one.name.lower()]
    return [one for one in held if one.name == part] or held


def find_keyboard(part: str, found: Iterable[Keyboard]) -> Keyboard | None:
    """The first device that `part` may mean."""
    return next(iter(find_keyboards(part, found)), None)


def open_keyboard(part: str, folder: Path = INPUTS) -> KeyboardPort:
    """The first device whose name holds `part` and that nobody keeps, grabbed: of two of one name the second pedal has
    the second. Raises DeviceError where none is there, may be read, or is free."""
    found = keyboards(folder)
    fit = find_keyboards(part, found)
    if not fit:
        raise DeviceError(f"no keyboard is called `{part}`{nearest(part, (one.name for one in found))}")
    for device in fit[:-1]:
        with suppress(DeviceError):
            return _opened(device)
    return _opened(fit[-1])


def _opened(device: Keyboard) -> KeyboardPort:
    """A device, grabbed. Raises DeviceError."""
    try:
        fd = os.open(device.path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise DeviceError(f"the keyboard `{device.name}` cannot be opened: {os.strerror(error.errno or 0)}") from error
    try:
        _grab(fd)
    except OSError as error:
        os.close(fd)
        busy = "another program keeps it to itself, or another pedal has it"
        why = busy if error.errno == errno.EBUSY else os.strerror(error.errno or 0)
        raise DeviceError(f"the keyboard `{device.name}` cannot be grabbed: {why}") from error
    return KeyboardPort(fd, device.name, device.path)


class KeyboardPort:
    """A keyboard that is listened to. `fd` must not block; the port owns it from now on."""

    def __init__(self, fd: int, name: str, path: Path | None = None) -> None:
        self.name = name
        self.path = path
        self._fd = fd
        self._half = b""
        self._down: set[int] = set()
        self._void = False

    def fileno(self) -> int:
        """The file descriptor, for a loop's `add_reader`; -1 once it is closed."""
        return self._fd

    def read(self) -> list[tuple[int, int]]:
        """The keys that have moved since: code, and 1 down, 0 up or 2 auto-repeat. Never blocks. Raises DeviceError
        where the device is gone."""
        try:
            data = os.read(self._fd, EVENT.size * READ_MAX)
        except BlockingIOError:
            return []
        except OSError as error:
            raise DeviceError(f"the keyboard `{self.name}` is gone") from error
        if not data:
            raise DeviceError(f"the keyboard `{self.name}` is gone")
        data = self._half + data
        whole = len(data) - len(data) % EVENT.size
        self._half = data[whole:]
        moves: list[tuple[int, int]] = []
        for _, _, kind, code, value in EVENT.iter_unpack(data[:whole]):
            if kind == EV_SYN:
                moves += self._sync(code)
            elif kind == EV_KEY and not self._void and value in (UP, DOWN, REPEAT):
                self._keep(code, value)
                moves.append((code, value))
        return moves

    def _keep(self, code: int, value: int) -> None:
        if value == UP:
            self._down.discard(code)
        else:
            self._down.add(code)

    def _sync(self, code: int) -> list[tuple[int, int]]:
        """After events were lost, the keys that are no longer down have come up. (A key that went down meanwhile is
        left alone: nobody knows when that was.)"""
        if code == SYN_DROPPED:
            self._void = True
        elif code == SYN_REPORT and self._void:
            self._void = False
            down: set[int] = set()
            with suppress(OSError, ImportError):
                down = _bits(_ask(self._fd, EVIOCGKEY, KEY_BYTES))
            up = sorted(self._down - down)
            self._down &= down
            return [(code, UP) for code in up]
        return []

    def close(self) -> None:
        """Let go of the device: other programs hear it again."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


AUTO_REPEAT: Final = "auto-repeat"


class KeyEar:
    """Hears one pedal of keyboard type. `counted`: auto-repeat."""

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._controls = {
            control.sends.code: at
            for at, control in enumerate(mapping.controls.values())
            if isinstance(control.sends, HearKey)
        }

    def reset(self) -> None:
        """A key is one event: there is nothing to forget."""

    def hear(self, moves: Iterable[tuple[int, int]]) -> list[Event]:
        """The events of some keys: code and value, as `KeyboardPort.read` gives them."""
        return [event for code, value in moves for event in self._move(code, value)]

    def _move(self, code: int, value: int) -> list[Event]:
        if value == REPEAT:
            self.counted[AUTO_REPEAT] += 1
            return []
        at = self._controls.get(code)
        if at is not None:
            return [Moved(pedal=self.pedal, control=at, value=value)]
        # A key says twice that it moved; once is enough to know which.
        return [Unmapped(pedal=self.pedal, said=f"key {KEY_NAMES.get(code, code)}")] if value == DOWN else []
