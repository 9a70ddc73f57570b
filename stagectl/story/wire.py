"""Messages as they are told: hexadecimal MIDI, or OSC in words."""

from __future__ import annotations

from typing import Any, NamedTuple

from stagectl.errors import WireError
from stagectl.story.times import clock
from stagectl.wire.midi import hex_text
from stagectl.wire.osc import osc_text, parse


class Sent(NamedTuple):
    """Bytes that go to something. `at`: ns since the night began; `press`: the press that caused them, None where they
    tell a pedal what its lamps show; `to`: the desk, a player, a device or a pedal."""

    at: int
    press: int | None
    to: str
    packet: bytes

    def json(self) -> dict[str, Any]:
        """One JSON object: the bytes in hexadecimal, and what they mean where they are OSC."""
        out: dict[str, Any] = {"kind": "message", "at": round(self.at / 1e9, 6)}
        if self.press is not None:
            out["press"] = self.press
        out["to"] = self.to
        said = osc_words(self.packet)
        if said is not None:
            out["osc"] = said
        return out | {"bytes": hex_text(self.packet)}

    def line(self) -> str:
        """One line for people."""
        return f"{clock(self.at):>10}      {self.to} ← {osc_words(self.packet) or hex_text(self.packet)}"


def osc_words(packet: bytes) -> str | None:
    """What an OSC packet says; None where it is MIDI."""
    if packet[:1] != b"/":
        return None
    try:
        return "; ".join(osc_text(message) for message in parse(packet))
    except WireError:
        return None
