"""Processes of our own, kept apart from the night: what hangs or falls in one of them holds up no press.

`kept` is the program's end of one, which keeps it alive; `pipes` is the lines between the two, and what a process does
with its own standard input and output.
"""
