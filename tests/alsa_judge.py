"""ALSA's own reader of MIDI bytes (`snd_midi_event_encode_byte` of libasound2), as a judge of ours.

It needs no sound hardware: bytes go in, sequencer events come out, and its `snd_midi_event_decode` says them as bytes
again, each with its status byte.
"""

from __future__ import annotations

import ctypes
import ctypes.util

from needs import unavailable

EVENT_BYTES = 64
"""More than the 28 bytes of snd_seq_event_t."""

BUFFER_BYTES = 4_096
"""SysEx messages longer than this come in pieces."""


class Judge:
    """One reader, from a stream's first byte on."""

    def __init__(self) -> None:
        self._lib = _library()
        self._in, self._out = ctypes.c_void_p(), ctypes.c_void_p()
        for made in (self._in, self._out):
            if self._lib.snd_midi_event_new(ctypes.c_size_t(BUFFER_BYTES), ctypes.byref(made)) < 0:
                raise MemoryError
        self._lib.snd_midi_event_no_status(self._out, 1)

    def feed(self, data: bytes) -> list[bytes]:
        """The messages that these bytes complete."""
        out = []
        event = (ctypes.c_ubyte * EVENT_BYTES)()
        text = (ctypes.c_ubyte * BUFFER_BYTES)()
        for byte in data:
            if self._lib.snd_midi_event_encode_byte(self._in, byte, event) == 1:
                size = self._lib.snd_midi_event_decode(self._out, text, ctypes.c_long(BUFFER_BYTES), event)
                if size > 0:
                    out.append(bytes(text[:size]))
        return out

    def close(self) -> None:
        """Give back its memory."""
        for made in (self._in, self._out):
            self._lib.snd_midi_event_free(made)


def _library() -> ctypes.CDLL:
    try:
        lib = ctypes.CDLL(ctypes.util.find_library("asound") or "libasound.so.2")
    except OSError:
        unavailable("libasound2 is not installed here")
    lib.snd_midi_event_encode_byte.restype = ctypes.c_long
    lib.snd_midi_event_decode.restype = ctypes.c_long
    return lib


def judged(data: bytes) -> list[bytes]:
    """What the judge makes of a whole stream."""
    judge = Judge()
    try:
        return judge.feed(data)
    finally:
        judge.close()
