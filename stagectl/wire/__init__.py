"""Bytes and values on the wire: MIDI 1.0, OSC 1.0 and the value laws between codes and dB. Pure."""
