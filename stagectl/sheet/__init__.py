"""The show on paper: cue sheet, input list, each listener's card, scene map. All but `write.py` is pure."""
