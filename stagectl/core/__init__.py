"""The pure part: events in, effects out. No I/O, no clock, no logging, no threads.

Everything that moves a level on the night passes through `step`; live running, rehearsal and the
tests drive the same function, so what was rehearsed is what happens.
"""
