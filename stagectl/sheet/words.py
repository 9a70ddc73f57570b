"""Actions, times and levels as the paper says them. Plain text: whoever puts it on the page makes it safe."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from stagectl.core.levels import Shown, change_text, plain_text
from stagectl.core.players import Then
from stagectl.show import feet_words
from stagectl.show.clock_values import span_text
from stagectl.show.timing import AtBar, AtTime
from stagectl.story.times import clock

if TYPE_CHECKING:
    from stagectl.core.gestures import Gesture
    from stagectl.core.plan import Plan, Stop
    from stagectl.show.gestures import ActionModel
    from stagectl.show.load import Show
    from stagectl.show.setlist import SongModel


def apart(name: str) -> str:
    """A name within a sentence, set apart so that one that is written from right to left leaves the rest in order
    (Unicode Standard Annex 9: FSI and PDI)."""
    return name if name.isascii() else f"\u2068{name}\u2069"


def action_words(action: ActionModel) -> str:
    """An action on paper: see `show/feet_words.py`."""
    return feet_words.action_words(action, apart)


def gesture_words(does: Mapping[Gesture, ActionModel]) -> list[str]:
    """What each gesture of a control does: `press: next`."""
    return [f"{gesture.value}: {action_words(action)}" for gesture, action in does.items()]


def time_words(ns: int) -> str:
    """A position or a length in a track: `0:40`, `0:32.7`, `1:02:03`."""
    whole, _, rest = clock(ns).partition(".")
    rest = rest.rstrip("0")
    return f"{whole}.{rest}" if rest else whole


def place_words(place: AtTime | AtBar) -> str:
    """Where in a song's track a section comes: `at 1:12`, `at bar 33 beat 3`."""
    if isinstance(place, AtTime):
        return f"at {time_words(place.position)}"
    return f"at bar {place.bar}" + (f" beat {place.beat}" if place.beat > 1 else "")


def track_words(show: Show, at: int, song: SongModel) -> list[str]:
    """What plays in a song, one thing a line: its cue, tempo, length, and what comes after it."""
    out: list[str] = []
    cue = song.cue
    if cue is not None:
        what = ", ".join(map(apart, cue.stems)) if cue.stems else "" if cue.number is None else f"number {cue.number}"
        out.append(f"{apart(cue.player)}: {what}" if what else cue.player)
        out.append("starts by `start cue`" if cue.starts == "by press" else "starts with the song")
    if song.tempo is not None:
        metre = f", {song.metre.beats}/{song.metre.unit}" if song.metre is not None else ""
        changes = ", changes on the way" if song.tempo_changes else ""
        out.append(f"tempo {float(song.tempo):g}{metre}{changes}")
    elif song.tempo_file is not None:
        out.append(f"tempo from {song.tempo_file}")
    if song.count_in:
        out.append(f"count in: {song.count_in} {'bar' if song.count_in == 1 else 'bars'}")
    length = song.length if song.length is not None else show.lengths.get(at)
    if length is not None:
        out.append(f"length {time_words(length)}")
    if song.then.then is Then.NEXT:
        out.append("then the next song")
    elif song.then.then is Then.START:
        out.append(f"then the next song, which starts after {span_text(song.then.pause)}")
    return out


def told_words(plan: Plan, stop: Stop) -> list[str]:
    """What devices, and the desk itself, are told at a stop."""
    messages = [plan.messages[one] for one in stop.messages]
    out = [f"{apart(plan.devices[one.device])}: {apart(one.name)}" for one in messages]
    return out if stop.stored is None else [f"the desk recalls its scene {stop.stored}", *out]


def fade_words(ns: int) -> str:
    """How long a change takes: `fade 1.5 s`, `at once`."""
    return f"fade {span_text(ns)}" if ns else "at once"


def cell_words(level: Shown) -> str:
    """A level in a narrow cell, in dB: `-6`, `+1.5`, `off`; a dot where the show does not drive it."""
    if level is None:
        return "·"
    return level if isinstance(level, str) else change_text(level)


def moved_words(before: Shown, after: Shown) -> str:
    """What became of a level, in dB: `-11 (down 6)`, `on at -5`, `off`."""
    if isinstance(after, int) and isinstance(before, int):
        way = "up" if after > before else "down"
        return f"{change_text(after)} ({way} {plain_text(abs(after - before))})"
    return f"on at {change_text(after)}" if isinstance(after, int) else cell_words(after)
