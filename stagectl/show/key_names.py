"""The keys of keyboard-type pedals by name.

Source: Linux, include/uapi/linux/input-event-codes.h. A name is that of the header without `KEY_`, in plain words:
`page down` is KEY_PAGEDOWN, `keypad 1` is KEY_KP1.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

_ROWS: Final = (
    (2, "1 2 3 4 5 6 7 8 9 0 minus equal backspace tab"),
    (16, "q w e r t y u i o p left_brace right_brace enter left_ctrl"),
    (30, "a s d f g h j k l semicolon apostrophe grave left_shift backslash"),
    (44, "z x c v b n m comma dot slash right_shift keypad_asterisk left_alt space caps_lock"),
    (59, "f1 f2 f3 f4 f5 f6 f7 f8 f9 f10 num_lock scroll_lock"),
    (71, "keypad_7 keypad_8 keypad_9 keypad_minus keypad_4 keypad_5 keypad_6 keypad_plus"),
    (79, "keypad_1 keypad_2 keypad_3 keypad_0 keypad_dot"),
    (87, "f11 f12"),
    (96, "keypad_enter right_ctrl keypad_slash"),
    (102, "home up page_up left right end down page_down insert delete"),
    (113, "mute volume_down volume_up"),
    (125, "left_meta right_meta compose"),
    (163, "next_song play_pause previous_song stop_cd"),
    (183, "f13 f14 f15 f16 f17 f18 f19 f20 f21 f22 f23 f24"),
)
"""Codes that follow each other: the first one, and the names."""

_ALONE: Final = {"escape": 1, "right alt": 100, "back": 158, "forward": 159}


def _codes() -> Iterator[tuple[str, int]]:
    for first, names in _ROWS:
        for code, name in enumerate(names.split(), first):
            yield name.replace("_", " "), code
    yield from _ALONE.items()


KEY_CODES: Final[Mapping[str, int]] = dict(_codes())
"""The code of each key."""

KEY_NAMES: Final[Mapping[int, str]] = {code: name for name, code in KEY_CODES.items()}
"""The name of each code."""
