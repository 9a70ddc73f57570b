"""What is promised, by the number under which it is told where it does not hold: the ten rules of "What always holds",
and what else the world looks at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from .clock_rules import CLOCK
from .feet_rules import ADVANCING
from .meaning import CHANGES, LEVELS
from .page_rules import PAGE

CHAPTERS: Final = {
    LEVELS: "Levels: undo is exact; a nudge does not wind up beyond its limit; no level jumps to where a treadle is.",
    CHANGES: "Scene changes: all that goes down goes first; nothing is queued behind an old fade.",
    ADVANCING: "Advancing: two presses too close count once; back, undo, hush and fall back do what they say.",
}
"""Promises of the design beside its ten rules, by the number under which they are told."""

RULES: Final[Mapping[int, str]] = {
    1: "No message ever asks for a send above its ceiling, whatever was pressed, configured, replayed or received.",
    2: "The desk is right about the present: read before written; a hand on it is adopted, never fought.",
    3: "Never the desk's mute or input gain for one listener's wish: a send is turned down, or off.",
    4: "A change is in the journal before its first byte leaves; no kill loses one that reached the desk.",
    5: "Replaying a journal gives the same states, byte for byte. Same inputs and seed, same effects.",
    6: "A refused event changes nothing and is recorded with its reason. Nothing is dropped silently.",
    7: "A pedal that goes away mid-press is treated as released, without firing. Coming back fires nothing by itself.",
    8: "Everything is bounded, and the bound has a name.",
    9: "A fault in one part never stops presses from reaching the desk.",
    10: "After a crash: the same song, section and nudges, and no level moves because of the restart.",
    **CHAPTERS,
    PAGE: "The stage page: it shows what is, and what is asked of it is done soon, or not at all.",
    CLOCK: "By the clock on the wall: each reminder comes once, when that clock says so, or is told as missed.",
}
