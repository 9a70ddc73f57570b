"""MIDI ports by python-rtmidi, used straight: a callback that only stamps the time and hands the bytes on.

The systems: ALSA and JACK on Linux, CoreMIDI on macOS, MultiMedia on Windows. Ports are found by part of their
name, and our own ports are never found.
"""

from __future__ import annotations

import gc
import os
import re
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any, Final, Protocol, TypeAlias

from stagectl.errors import DeviceError, nearest
from stagectl.ports.jack import is_there, server_socket, which_server, why_silent

CLIENT: Final = "stagectl"
"""The name that other programs see; ports of clients that begin with it are ours."""

LIST_TRIES: Final = 5
"""How often the list of ports is asked for before it is given up."""

WHY_NONE: Final = {
    "linux": (
        "No MIDI system answers. ALSA needs its sequencer (`sudo modprobe snd-seq`, and the user in the group "
        "`audio`); or start a JACK server, for example `jackd -d dummy` to try things without any hardware."
    ),
    "darwin": "No MIDI system answers. CoreMIDI is part of macOS: is python-rtmidi installed for this Python?",
    "win32": "No MIDI system answers. It is part of Windows: is python-rtmidi installed for this Python?",
}

RING_SAFE: Final = 8_192
"""Bytes that one JACK port is given between two signs of life of its server. The driver's ring holds 16 KiB, and who
writes into a full one waits until the server has read from it: a period, or for ever."""

IN_FLIGHT_S: Final = 0.005
"""How long a call of the driver's that has begun may still take, s."""

PAIRS_MAX: Final = 1_000
"""Closed ports of which a pair is kept. To open and close as many takes a driver 20 s at least, and a call that has
begun ends within milliseconds; they are some 400 kB. A cable with a loose contact closes more in a night."""

_PAIRS: Final[deque[object]] = deque(maxlen=PAIRS_MAX)
"""What drivers may still point at."""

Heard: TypeAlias = Callable[[bytes, int], None]
"""Takes a message's bytes and the monotonic time of its arrival, ns. Called on the driver's thread."""


class OutPort(Protocol):
    """Somewhere that bytes go."""

    name: str

    def send(self, packet: bytes) -> None:
        """Send one message. Raises DeviceError where it cannot leave."""
        ...

    def relax(self) -> None:
        """The system on the other side answers: what was handed over has left."""
        ...

    def close(self) -> None:
        """Let go of the port."""
        ...


@contextmanager
def quiet() -> Iterator[None]:
    """Keep the drivers' C libraries from writing to stderr; what matters is raised."""
    try:
        saved, sink = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        sys.stderr.flush()
        os.dup2(sink, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(sink)


def _rtmidi() -> Any:
    try:
        import rtmidi
    except ModuleNotFoundError as error:
        raise DeviceError(
            "python-rtmidi is not installed for this Python; `pip install 'stagectl[midi]'` builds it "
            "(on Linux it needs a C++ compiler and the ALSA headers, libasound2-dev)"
        ) from error
    except ImportError as error:
        # It is there, and a library of the system that it loads is not.
        raise DeviceError(
            f"python-rtmidi needs a library of the system that is missing ({error}); on Linux it is ALSA's (Debian: "
            "libasound2)"
        ) from error
    return rtmidi


def systems() -> dict[str, int]:
    """The MIDI systems that this python-rtmidi was built for, by our names, in the order in which they are tried."""
    rtmidi = _rtmidi()
    numbers = {
        "alsa": rtmidi.API_LINUX_ALSA,
        "jack": rtmidi.API_UNIX_JACK,
        "core": rtmidi.API_MACOSX_CORE,
        "windows": rtmidi.API_WINDOWS_MM,
    }
    built = rtmidi.get_compiled_api()
    return {name: number for name, number in numbers.items() if number in built}


class MidiSystem:
    """One MIDI system. `name`: `alsa`, `jack`, `core` or `windows`. Raises DeviceError where it does not answer."""

    _reached = 0

    def __init__(self, name: str) -> None:
        known = systems()
        if name not in known:
            raise DeviceError(f"this machine has no MIDI system `{name}`{nearest(name, known)}")
        self.name = name
        self._rtmidi = _rtmidi()
        self._api = known[name]
        # Clients of a JACK server that died live on, and share the semaphores of their name with new ones of that name,
        # which would lose every other period: each time the system is reached anew, our clients have another name.
        MidiSystem._reached += 1
        self._name = CLIENT if MidiSystem._reached == 1 else f"{CLIENT} {MidiSystem._reached}"
        self._server = server_socket() if name == "jack" else None
        if self._server is not None and os.path.exists(self._server) and (why := why_silent(self._server)) is not None:
            raise DeviceError(f"the MIDI system `jack` does not answer: {why}")
        self._in: Any = None
        self._out = self._client(self._rtmidi.MidiOut, self._name)
        # Only now: a server that began just then had no socket before.
        self._which = which_server(self._server)
        self._early: dict[str, MidiOut] = {}

    def _client(self, kind: Any, name: str) -> Any:
        os.environ.setdefault("JACK_NO_START_SERVER", "1")
        with quiet():
            try:
                return kind(self._api, name=name)
            except (self._rtmidi.RtMidiError, SystemError, OSError) as error:
                raise DeviceError(f"the MIDI system `{self.name}` does not answer: {_plain(error)}") from error

    def inputs(self) -> list[str]:
        """The ports that can be listened to, without our own. Raises DeviceError."""
        if self._in is None:
            self._in = self._client(self._rtmidi.MidiIn, self._name)
        return self._names(self._in)

    def outputs(self) -> list[str]:
        """The ports that can be sent to, without our own. Raises DeviceError."""
        return self._names(self._out)

    def _names(self, client: Any) -> list[str]:
        """The names of the ports. One that goes away while they are counted makes the driver stumble: it is asked
        again."""
        for _ in range(LIST_TRIES):
            try:
                return _others(client.get_ports())
            except (self._rtmidi.RtMidiError, SystemError) as error:
                why = _plain(error)
        raise DeviceError(f"the MIDI system `{self.name}` cannot list its ports: {why}")

    @property
    def answers(self) -> bool:
        """Whether the system still lives, and is the one that was reached. Where a JACK server had no socket that we
        know in the beginning (another implementation of JACK), it counts as living."""
        if self._server is None or self._which is None:
            return True
        return which_server(self._server) == self._which and is_there(self._server)

    def _lives(self) -> bool:
        """Whether the system takes what is sent now: it is there, and was not stopped."""
        return self._server is None or self._which is None or why_silent(self._server) is None

    def open_in(self, full_name: str, heard: Heard) -> InPort:
        """Listen to a port by its full name. Raises DeviceError where it is gone."""
        client = self._client(self._rtmidi.MidiIn, self._name)
        port = InPort(client, full_name, heard)
        self._open(client, full_name)
        return port

    def open_out(self, full_name: str) -> MidiOut:
        """A port to send to, by its full name: one that was opened early, if there is one. Raises DeviceError where it
        is gone."""
        early = self._early.pop(full_name, None)
        if early is not None:
            return early
        client = self._client(self._rtmidi.MidiOut, self._name)
        self._open(client, full_name)
        return MidiOut(client, full_name, self._lives if self.name == "jack" else None)

    def open_early(self, parts: Iterable[str]) -> None:
        """Open what will be sent to, each by part of its name, before it is asked for. What cannot be opened is left to
        whoever asks. Raises DeviceError where the system cannot list its ports."""
        names = self.outputs()
        for name in dict.fromkeys(name for part in parts for name in find_all(part, names)[:1]):
            with suppress(DeviceError):
                self._early[name] = self.open_out(name)

    def close_early(self) -> None:
        """Let go of what was opened early and not asked for."""
        while self._early:
            self._early.popitem()[1].close()

    def virtual_in(self, client_name: str, port: str, heard: Heard) -> InPort:
        """A port of our own that others send to (not on Windows)."""
        client = self._client(self._rtmidi.MidiIn, client_name)
        made = InPort(client, port, heard)
        self._virtual(client, port)
        return made

    def virtual_out(self, client_name: str, port: str) -> MidiOut:
        """A port of our own that others listen to (not on Windows)."""
        client = self._client(self._rtmidi.MidiOut, client_name)
        self._virtual(client, port)
        return MidiOut(client, port)

    def _open(self, client: Any, full_name: str) -> None:
        try:
            client.open_port(client.get_ports().index(full_name), name=full_name.rpartition(":")[2] or "port")
        except (ValueError, self._rtmidi.RtMidiError, SystemError) as error:
            client.delete()
            raise DeviceError(f"the MIDI port `{full_name}` cannot be opened: {_plain(error)}") from error

    def _virtual(self, client: Any, port: str) -> None:
        try:
            client.open_virtual_port(port)
        except (NotImplementedError, self._rtmidi.RtMidiError, SystemError) as error:
            client.delete()
            raise DeviceError(f"a virtual MIDI port cannot be made on `{self.name}`: {_plain(error)}") from error

    def close(self) -> None:
        """Let go of the system."""
        self.close_early()
        for client in (self._in, self._out):
            if client is not None:
                client.delete()


class InPort:
    """A port that is listened to.

    The driver's thread calls by a pointer to the pair of our function and its data, and waits for Python before it
    looks there (from python-rtmidi's source, 1.5). Who takes the function back frees the pair at once, under a call
    that has begun; and who closes the port then ends the thread while it waits for Python, which never gets its lock
    back. So the pair outlives the port by PAIRS_MAX others, and a call that has begun may end first. It is looked for
    while it is new: what a night has frozen (`gc.freeze`) is not looked through.
    """

    def __init__(self, client: Any, name: str, heard: Heard) -> None:
        self.name = name
        self._client = client

        def callback(event: tuple[list[int], float], _: object) -> None:
            heard(bytes(event[0]), time.monotonic_ns())

        client.ignore_types(sysex=False, timing=False, active_sense=False)
        client.set_callback(callback)
        self._pairs = [one for one in gc.get_referrers(callback) if type(one) is tuple]

    def close(self) -> None:
        """Stop listening."""
        _PAIRS.extend(self._pairs)
        self._client.cancel_callback()
        time.sleep(IN_FLIGHT_S)
        self._client.close_port()
        self._client.delete()


class MidiOut:
    """A port that is sent to. `lives`: whether the system takes what is sent, asked every so many bytes; None where
    that needs no asking. `since`: when it was opened, monotonic s."""

    def __init__(self, client: Any, name: str, lives: Callable[[], bool] | None = None) -> None:
        self.name = name
        self._client = client
        self._lives = lives
        self._given = 0
        self.since = time.monotonic()

    def relax(self) -> None:
        """See `OutPort`."""
        self._given = 0

    def send(self, packet: bytes) -> None:
        """Send one message."""
        if self._lives is not None:
            # In the driver's ring each message stands with its length, four bytes.
            takes = len(packet) + 4
            if self._given + takes > RING_SAFE and not self._lives():
                raise DeviceError(f"the MIDI port `{self.name}` takes no more bytes")
            self._given = takes if self._given + takes > RING_SAFE else self._given + takes
        try:
            self._client.send_message(packet)
        except Exception as error:
            raise DeviceError(f"the MIDI port `{self.name}` takes no bytes: {_plain(error)}") from error

    def close(self) -> None:
        """Let go of the port."""
        with suppress(Exception):
            self._client.close_port()
            self._client.delete()


def open_system(name: str = "auto") -> MidiSystem:
    """The MIDI system of that name, or the first that answers. Raises DeviceError, saying what to do, if none does."""
    if name != "auto":
        return MidiSystem(name)
    for known in systems():
        with suppress(DeviceError):
            return MidiSystem(known)
    raise DeviceError(WHY_NONE.get(sys.platform, WHY_NONE["linux"]))


def find_all(part: str, names: Sequence[str]) -> list[str]:
    """The full names of the ports that `part` may mean, in their order: those of that very name if there are any (the
    whole name, or the client's or the port's in `client:port`), else every one that holds it, whatever its case."""
    low = part.lower()
    held = [name for name in names if low in name.lower()]
    exact = [name for name in held if name.lower() == low] or [name for name in held if low in _parts(name)]
    return exact or held


def _parts(name: str) -> list[str]:
    """The client's and the port's name of `client:port`, without the numbers that ALSA puts behind them."""
    bare = re.sub(r"\s+\d+:\d+$", "", name.lower())
    return [part.strip() for part in bare.split(":")]


def _others(names: list[str]) -> list[str]:
    return [name for name in names if not name.lower().startswith(CLIENT)]


def _plain(error: BaseException) -> str:
    return str(error).rstrip(".") or type(error).__name__
