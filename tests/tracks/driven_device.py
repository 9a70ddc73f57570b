"""A sound device that asks for sound when the test says so: rtmixer's own callback in C, its queues and its ring
buffers, without PortAudio and without a clock. What comes out can be looked at frame by frame, for any order of things.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from _rtmixer import ffi, lib  # type: ignore[import-not-found]  # a library in C
from numpy.typing import NDArray
from pa_ringbuffer import init  # type: ignore[import-untyped]

from stagectl.tracks.sound.mixer import ACTIONS_MAX, Device

RingBuffer: Any = init(ffi, lib)


class _Mixer:
    """What `rtmixer.Mixer` is for a `Device`: actions in, what they became out."""

    def __init__(self, outputs: int, rate: int) -> None:
        self.time = 0.0
        self._rate = rate
        self._outputs = outputs
        size = ffi.sizeof("struct action*")
        self._asked, self._results = RingBuffer(size, ACTIONS_MAX), RingBuffer(size, ACTIONS_MAX)
        self._state = ffi.new(
            "struct state*",
            {
                "input_channels": 0,
                "output_channels": outputs,
                "samplerate": rate,
                "action_q": self._asked._ptr,
                "result_q": self._results._ptr,
                "actions": ffi.NULL,
            },
        )
        self._actions: dict[Any, Any] = {}

    def _ask(self, kept: Any, **fields: Any) -> Any:
        action = ffi.new("struct action*", {"actual_time": -1.0, "requested_time": 0.0, **fields})
        assert self._asked.write(ffi.new("struct action**", action)) == 1
        self._actions[action] = kept
        return action

    def play_ringbuffer(self, ring: Any, channels: list[int], start: float = 0.0) -> Any:
        fields = {"type": lib.PLAY_RINGBUFFER, "ringbuffer": ring._ptr, "total_frames": lib.ULONG_MAX}
        return self._ask(ring, **fields, requested_time=start, channels=len(channels), mapping=channels)

    def cancel(self, action: Any) -> Any:
        return self._ask(action, type=lib.CANCEL, action=action)

    @property
    def actions(self) -> Any:
        done = ffi.new("struct action**")
        while self._results.readinto(done):
            del self._actions[done[0]]
        return self._actions.keys()

    def call(self, frames: int) -> NDArray[np.float32]:
        """One callback: what it gives out."""
        out = np.full((frames, self._outputs), np.nan, np.float32)
        # portaudio.h: inputBufferAdcTime, currentTime, outputBufferDacTime.
        times = ffi.new("double[3]", [0, self.time, self.time])
        info = ffi.cast("struct PaStreamCallbackTimeInfo*", times)
        assert lib.callback(ffi.NULL, ffi.from_buffer(out), frames, info, 0, self._state) == 0
        self.time += frames / self._rate
        return out


class DrivenDevice(Device):
    """The device; `call` is what the sound card would do."""

    def __init__(self, *, rate: int = 8_000, frames: int = 64, outputs: int = 2) -> None:
        self.name = "driven"
        self.rate, self.frames, self.outputs = rate, frames, outputs
        self.latency = self.lost = 0
        self.note = None
        self._all = list(range(1, outputs + 1))
        self._mixer: Any = _Mixer(outputs, rate)

    def ring(self, memory: Any) -> Any:
        """See `Device`."""
        return RingBuffer(4 * self.outputs, buffer=memory)

    def call(self, times: int = 1) -> NDArray[np.float32]:
        """So many callbacks."""
        nothing = np.zeros((0, self.outputs), np.float32)
        return np.concatenate([nothing, *(self._mixer.call(self.frames) for _ in range(times))])
