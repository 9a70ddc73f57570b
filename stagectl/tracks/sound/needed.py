"""The libraries of the built-in player, which not everybody has: imported where they are used, and only there."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from stagectl.errors import DeviceError

HOW = "pip install 'stagectl[player]'"


def library(name: str) -> Any:
    """The library. Raises DeviceError, with what to install, where it is missing."""
    try:
        return import_module(name)
    except ImportError as error:
        raise DeviceError(f"the built-in player needs `{error.name or name}`: {HOW}") from error
    except OSError as error:
        # sounddevice and soundfile load a library of the system.
        raise DeviceError(
            f"the built-in player needs a library of the system that is missing ({error}); for sound devices on Linux "
            "it is PortAudio (Debian: libportaudio2)"
        ) from error
