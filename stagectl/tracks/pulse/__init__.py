"""MIDI clock and MIDI time code that follow the running track. All but `process` and `lookout` is pure."""
