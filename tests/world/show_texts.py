"""The mappings of the pedals that nights are played with, and what the world knows of them."""

from __future__ import annotations

from typing import Final

QUICK: Final = """\
name: quick feet
controls:
  on: {sends: {control change: 20}, press: next}
  back: {sends: {control change: 21}, press: back}
  more: {sends: {control change: 22}, press: {nudge: own, by: +1}}
  less: {sends: {control change: 23}, press: {nudge: own, by: -1}}
  hush: {sends: {control change: 24}, press: hush}
  undo: {sends: {control change: 25}, press: undo}
  talk: {sends: {control change: 26}, press: {recall: talking}}
  all: {sends: {control change: 27}, press: recall}
  treadle: {sends: {control change: 11}, turn: {ride: {RIDES}, from: -6, to: +3}}
lamps:
  - shows: song number
    say: {program: song, channel: 1}
  - shows: hushed
    on: {control change: 110, value: 127, channel: 1}
    off: {control change: 110, value: 0, channel: 1}
  - shows: desk here
    on: {control change: 111, value: 127, channel: 1}
    off: {control change: 111, value: 0, channel: 1}
"""

SLOW: Final = """\
name: slow feet
controls:
  one: {sends: {control change: 20}, press: {nudge: own, by: +2, rest: makes room}, hold: undo}
  two: {sends: {control change: 21}, press: next, double press: back, hold: {hush: everyone}}
  three: {sends: {control change: 22}, press: start cue, hold: fall back}
  four: {sends: {control change: 23}, press: {nudge rest: own, by: -2}, hold: clear nudges, bounce: 30 ms}
  five: {sends: {control change: 24}, press: {nudge: {RIDES}, by: +3, lasts: song}, repeat: {nudge: {RIDES}, by: +1}}
  six: {sends: {control change: 25}, latching: yes, press: {layer: solo}}
together:
  - {controls: [three, four], press: stop cue}
layers:
  solo:
    one: {press: {nudge: whole mix, by: -1}, hold: layer}
"""

OVER_OSC: Final = """\
name: feet over OSC
controls:
  on: {sends: {osc: /foot/on}, press: next}
  back: {sends: {osc: /foot/back}, press: back, hold: fall back}
  more: {sends: {osc: /foot/more}, press: {nudge: own, by: +1}}
  less: {sends: {osc: /foot/less}, press: {nudge: own, by: -1}}
  hush: {sends: {osc: /foot/hush}, press: hush}
  undo: {sends: {osc: /foot/undo}, press: undo}
"""

KEYS: Final = """\
name: keys
controls:
  left: {sends: {key: page up}, press: back}
  right: {sends: {key: page down}, press: next, hold: undo}
  enter: {sends: {key: enter}, press: {nudge: own, by: +1}}
"""

CONTROLS: Final = {
    "quick": {"on": 20, "back": 21, "more": 22, "less": 23, "hush": 24, "undo": 25, "talk": 26, "all": 27},
    "slow": {"one": 20, "two": 21, "three": 22, "four": 23, "five": 24, "six": 25},
    "keys": dict.fromkeys(("left", "right", "enter"), 0),
    "osc": dict.fromkeys(("on", "back", "more", "less", "hush", "undo"), 0),
}
"""The switches of each mapping, and their controllers."""

TREADLE: Final = 11

ENDS: Final = {"quick": "foot", "slow": "foot", "osc": "network", "keys": "keyboard"}
"""What each kind of pedal hangs on."""
