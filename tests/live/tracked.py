"""A show whose sections follow a track of pulses: one pulse where each section begins, and one level of the desk that
moves there. So whoever hears both hears how far apart they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np

RATE = 48_000
PULSE_S = 0.01

RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: control-change, port: 'judge:desk', link: usb}
pedals: [{name: foot, port: 'test foot', mapping: switches, listener: singer}]
players: [{name: laptop, sound: {outputs: {all: 1}}}]
limits: {settle time: 0, rise: 1000}
"""
MAPPING = """
name: switches
controls:
  next: {sends: {control change: 80}, bounce: 0 ms, press: next}
  pause: {sends: {control change: 81}, bounce: 0 ms, press: pause cue}
  here: {sends: {control change: 82}, bounce: 0 ms, press: {start cue: here}}
"""


def write_show(folder: Path, positions: list[float], length: float) -> Path:
    """The show, with a track of that length, s, and its pulses at these positions."""
    import soundfile

    track = np.zeros(round(length * RATE), np.float32)
    for position in positions:
        begin = round(position * RATE)
        track[begin : begin + round(PULSE_S * RATE)] = 0.9
    soundfile.write(folder / "pulses.wav", track, RATE, subtype="FLOAT")
    (folder / "rig.yaml").write_text(RIG)
    (folder / "switches.yaml").write_text(MAPPING)
    sections = "".join(
        f"      - {{name: part {at}, at: {position}, levels: {{singer: {{voice: {-10 - at % 2}}}}}}}\n"
        for at, position in enumerate(positions)
    )
    (folder / "setlist.yaml").write_text(
        "title: pulses\nrig: rig.yaml\nbase: {singer: {voice: -20}}\nsongs:\n"
        f"  - name: one\n    cue: {{player: laptop, stems: {{pulses.wav: all}}}}\n    sections:\n{sections}"
        "  - name: two\n"
    )
    return folder
