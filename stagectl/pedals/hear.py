"""From what a pedal sends to events for the core: an ear for each kind of wire.

What means nothing to a foot (clock, time code, active sensing, auto-repeat) and what did not arrive whole is counted by
its reason in `counted`; every whole message that no control stands for is an event too, so that it can be refused with
its reason.
"""

from __future__ import annotations

from stagectl.pedals.keyboard import KeyEar
from stagectl.pedals.midi import MidiEar
from stagectl.pedals.osc import OscEar, hear_by
from stagectl.pedals.unknown import BACKGROUND, SAID_MAX

__all__ = ["BACKGROUND", "SAID_MAX", "KeyEar", "MidiEar", "OscEar", "hear_by"]
