"""The sound device: one stream, open as long as the process runs, mixed by rtmixer in PortAudio's callback, which
Python never holds up.

JACK is taken where a server runs. That the device still plays is seen from its callback: it is asked for its counts
again and again, and one that does not answer for `SILENT_S` is gone.

When something is heard: PortAudio says for each callback what time it is and when its first frame reaches the
converter (PaStreamCallbackTimeInfo: currentTime, outputBufferDacTime). The difference is the latency. For JACK it is
the playback latency of the ports that the stream feeds, counted from the cycle in which the frames are written; a
driver says that of itself, and what converters, wireless packs and air add on top nobody knows here.
"""

from __future__ import annotations

import os
import time
from typing import Any, Final, NamedTuple

from stagectl.errors import DeviceError, nearest
from stagectl.tracks.song import SoundDevice
from stagectl.tracks.sound.needed import library

SILENT_S: Final = 0.5
"""How long a device may ask for no sound before it counts as gone, s."""

BEAT_S: Final = 0.1
"""How often the callback is asked for its counts, s."""

OPENS_S: Final = 2.0
"""How long a device that was opened may take until it asks for sound, s."""

TRIES: Final = 5
"""How often the latency is asked for; the least is right (see `_latency`)."""

ACTIONS_MAX: Final = 64
"""What the callback may be asked for between two calls; a power of two."""

JACK: Final = "JACK Audio Connection Kit"
"""PortAudio's name for it."""


class _Found(NamedTuple):
    number: int
    name: str
    outputs: int
    rate: int
    jack: bool


class Device:
    """An open sound device. `name`, `rate` (frames a second), `outputs`, `frames` (of a callback) and `latency` (ns)
    are what it has. Raises DeviceError with a sentence where it cannot be had."""

    def __init__(self, wants: SoundDevice) -> None:
        # An ordinary client starts no server; PortAudio would not either, but says less.
        os.environ.setdefault("JACK_NO_START_SERVER", "1")
        sound = library("sounddevice")
        self._rtmixer = library("rtmixer")
        found = _find(sound, wants)
        self.name = found.name
        self.outputs = wants.outputs
        self.lost = 0
        """Callbacks that came too late since it was opened, as PortAudio tells."""
        try:
            self._mixer = self._rtmixer.Mixer(
                device=found.number,
                channels=wants.outputs,
                samplerate=wants.rate or found.rate,
                blocksize=0 if found.jack else wants.frames or 0,
                latency="low",
                qsize=ACTIONS_MAX,
            )
            self._mixer.start()
        except sound.PortAudioError as error:
            raise DeviceError(_refused(found, wants, error)) from error
        self.rate = round(self._mixer.samplerate)
        self._all = list(range(1, wants.outputs + 1))
        self._silence = bytes(4)
        self._beat: Any = None
        self._beaten = time.monotonic()
        self.latency = self._latency()
        self.note = None
        if found.jack and wants.frames not in (None, self.frames):
            self.note = f"the buffer has {self.frames} frames, not {wants.frames}: on JACK its server decides that"

    def _latency(self) -> int:
        """Ask a callback for its time, and for the time at which a silent frame will be heard. Where the two questions
        come to two callbacks, one right after the other, the difference is larger by a buffer: the least is right."""
        least = float("inf")
        for _ in range(TRIES):
            counts = self._mixer.fetch_and_reset_stats()
            frame = self._mixer.play_buffer(self._silence, [1])
            limit = time.monotonic() + OPENS_S
            while {counts, frame} & set(self._mixer.actions):
                if time.monotonic() > limit:
                    raise DeviceError(f"the sound device `{self.name}` was opened and asks for no sound")
                time.sleep(0.001)
            self.frames = int(counts.stats.max_blocksize)
            least = min(least, frame.actual_time - counts.actual_time)
        return round(least * 1e9)

    # -- what is played ---------------------------------------------------------------------------------------

    def ring(self, memory: Any) -> Any:
        """rtmixer's ring buffer on memory of frames × outputs; their number is a power of two."""
        return self._rtmixer.RingBuffer(4 * self.outputs, buffer=memory)

    def play(self, ring: Any, at: int | None = None) -> Any:
        """Play a ring buffer until it is empty: from the frame on that is handed over at a monotonic time, ns, or from
        the next callback on, where that is past or None. Raises DeviceError where the callback takes no more."""
        start = 0.0
        if at is not None:
            # The callback goes by when a frame is heard.
            start = max(0.0, self._mixer.time + (at + self.latency - time.monotonic_ns()) / 1e9)
        try:
            return self._mixer.play_ringbuffer(ring, channels=self._all, start=start)
        except RuntimeError as error:
            raise DeviceError(f"the sound device `{self.name}` is asked for too much at once") from error

    def cancel(self, action: Any) -> None:
        """Stop playing; what is left of it should be silence."""
        if action in self._mixer.actions:
            self._mixer.cancel(action)

    def plays(self, action: Any) -> bool:
        """Whether it is still being played, or still to be."""
        return action in self._mixer.actions

    def monotonic(self, stream_s: float) -> int:
        """A time of the stream's clock, s, in monotonic ns."""
        best, out = 1 << 62, 0
        for _ in range(3):
            before = time.monotonic_ns()
            now = self._mixer.time
            took = time.monotonic_ns() - before
            if took < best:
                best, out = took, before + took // 2 + round((stream_s - now) * 1e9)
        return out

    # -- whether it lives -------------------------------------------------------------------------------------

    def beat(self) -> None:
        """To be called again and again. Raises DeviceError when the device has asked for no sound for too long."""
        now = time.monotonic()
        if self._beat is not None and self._beat not in self._mixer.actions:
            self.lost += int(self._beat.stats.output_underflows)
            self._beat, self._beaten = None, now
        if self._beat is None and now - self._beaten >= BEAT_S:
            self._beat, self._beaten = self._mixer.fetch_and_reset_stats(), now
        elif self._beat is not None and now - self._beaten > SILENT_S:
            raise DeviceError(f"the sound device `{self.name}` has gone: it asks for no sound any more")


def _find(sound: Any, wants: SoundDevice) -> _Found:
    """The device that is wanted: on JACK where a server runs, else as the system orders them."""
    apis = sound.query_hostapis()
    there = [
        _Found(at, str(one["name"]), one["max_output_channels"], round(one["default_samplerate"]), _is_jack(apis, one))
        for at, one in enumerate(sound.query_devices())
        if one["max_output_channels"] > 0
    ]
    default = next((api["default_output_device"] for api in apis if api["name"] == JACK), -1)
    if default < 0:
        default = sound.default.device[1]
    there.sort(key=lambda one: (one.number != default, not one.jack))
    if not there:
        raise DeviceError("there is no sound device to play on: no JACK server runs, and the system names none")
    if wants.name is None:
        found = there[0]
    else:
        part = wants.name.casefold()
        fits = [one for one in there if part in one.name.casefold()]
        if not fits:
            raise DeviceError(f"no sound device `{wants.name}`{nearest(wants.name, (one.name for one in there))}")
        found = fits[0]
    if found.outputs < wants.outputs:
        raise DeviceError(f"the sound device `{found.name}` has {found.outputs} outputs; {wants.outputs} are wanted")
    return found


def _is_jack(apis: Any, device: Any) -> bool:
    return bool(apis[device["hostapi"]]["name"] == JACK)


def _refused(found: _Found, wants: SoundDevice, error: Exception) -> str:
    if wants.rate is not None and wants.rate != found.rate:
        return (
            f"the sound device `{found.name}` does not play {wants.rate:,} frames a second: it says {found.rate:,} "
            f"({error})"
        )
    return f"the sound device `{found.name}` cannot be opened: {error}"
