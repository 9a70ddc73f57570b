"""From the core's effects to rows with names in them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from stagectl.core.effects import (
    Arrived,
    Ask,
    Changed,
    Connected,
    Cue,
    Effect,
    Layered,
    Lit,
    Pressed,
    Question,
    RecallStored,
    Refused,
    Tells,
    Told,
    Track,
    Tracked,
)
from stagectl.core.levels import Level, as_db
from stagectl.story.times import clock

if TYPE_CHECKING:
    from stagectl.core.plan import Plan


class Row(NamedTuple):
    """One line of the story. `at`: ns since the night began. `before` and `after`: levels of a change;
    `before` None is a level that was not known; `sent`: the desk's step for it, or what a hand at the desk counts as
    where that is not what it has put (then the reason is the detail). What a kind does not use is None."""

    at: int
    kind: str
    press: int | None = None
    who: str | None = None
    what: str | None = None
    pedal: str | None = None
    control: str | None = None
    gesture: str | None = None
    song: str | None = None
    section: str | None = None
    listener: str | None = None
    input: str | None = None
    before: Level | None = None
    after: Level | None = None
    sent: Level | None = None
    number: int | None = None
    detail: str | None = None


KINDS: Final = (
    "press",
    "track",
    "arrival",
    "change",
    "refusal",
    "link",
    "cue",
    "stored scene",
    "told",
    "layer",
    "resumed",
    "reminder",
    "trouble",
    "count",
    "end",
)
"""Every kind of row, in the order in which a press tells them."""


BY_DESK: Final = ("hand", "read")
"""Causes of changes that the desk itself told: their levels are those that it has, above a ceiling too, and nothing was
sent for them."""

BY_EDIT: Final = "edit"
"""The cause of changes that came with edited files, when a night goes on by them."""

PAGE: Final = "page"
PAGE_FOR: Final = "page for "
"""Who acts from the stage page: for all, or, with the name behind it, for one listener."""

BASE: Final = "the base"
"""What lies over a song when the levels have fallen back."""


UNTOLD: Final = frozenset((Ask, Lit, Question))
"""Effects of which there are no rows."""


class Teller:
    """Tells effects as rows. `zero`: the time that counts as the night's beginning, ns."""

    def __init__(self, plan: Plan, zero: int = 0) -> None:
        self.plan = plan
        self.zero = zero
        self._now: int | None = None
        self._tell: Mapping[type, Callable[[Any], Row]] = {
            Tracked: self._tracked,
            Pressed: self._pressed,
            Arrived: self._arrived,
            Refused: self._refused,
            Connected: self._connected,
            Cue: self._cue,
            RecallStored: self._stored,
            Told: self._told,
            Layered: self._layered,
        }

    def rows(self, effects: Iterable[Effect], now: int | None = None) -> list[Row]:
        """The rows of some effects. `now`: the time at which they are really done, which says how late a track's
        section is; None where that is the same. What the desk is asked for, or asked, is told by its messages; so is
        what lamps show: it follows from these rows, and a journal of the night needs it no more than it needs each
        message of a fade."""
        self._now = now
        rows: list[Row] = []
        for effect in effects:
            kind = type(effect)
            if isinstance(effect, Changed):
                rows += self._changed(effect)
            elif kind not in UNTOLD:
                rows.append(self._tell[kind](effect))
        return rows

    def _names(self, pedal: int | None, control: int | None) -> tuple[str | None, str | None]:
        if pedal is None:
            return None, None
        whole = self.plan.pedals[pedal]
        return whole.name, None if control is None else whole.controls[control].name

    def _pressed(self, effect: Pressed) -> Row:
        pedal, control = self._names(effect.pedal, effect.control)
        return Row(
            effect.at - self.zero,
            "press",
            effect.press,
            who=effect.who,
            what=effect.what,
            pedal=pedal,
            control=control,
            gesture=effect.gesture,
        )

    def _arrived(self, effect: Arrived) -> Row:
        song, section = stop_names(self.plan, effect.stop)
        scene = None if effect.scene is None else self.plan.scenes[effect.scene].name
        if effect.base:
            scene = BASE if scene is None else f"{BASE}, {scene}"
        return Row(effect.at - self.zero, "arrival", effect.press, song=song, section=section, detail=scene)

    def _changed(self, effect: Changed) -> list[Row]:
        names, in_steps, by_desk = self.plan.send_names, self.plan.in_steps, effect.cause in BY_DESK
        why = None if effect.why is None else effect.why.value
        # A change of song has hundreds of these before its first byte leaves, so what they share is put together once.
        nobody = (None,) * 5
        shared = (effect.at - self.zero, "change", effect.press, effect.who, effect.cause, *nobody)
        rows = []
        for send, before, after in effect.moves:
            sent = effect.counts if by_desk else in_steps(send, after)
            rows.append(Row(*shared, *names[send], before, after, sent, None, why))
        return rows

    def _refused(self, effect: Refused) -> Row:
        pedal, control = self._names(effect.pedal, effect.control)
        return Row(
            effect.at - self.zero,
            "refusal",
            effect.press,
            who=effect.who,
            what=effect.what,
            pedal=pedal,
            control=control,
            detail=effect.reason.value,
        )

    def _connected(self, effect: Connected) -> Row:
        name = "desk" if effect.pedal is None else self.plan.pedals[effect.pedal].name
        if effect.player is not None:
            name = self.plan.players[effect.player].name
        return Row(effect.at - self.zero, "link", who=name, what="here" if effect.here else "gone")

    def _cue(self, effect: Cue) -> Row:
        player = self.plan.players[effect.player]
        return Row(
            effect.at - self.zero,
            "cue",
            effect.press,
            who=player.name,
            what=effect.tells.value,
            number=None if player.is_ours else effect.number,
            detail=None if effect.begins or effect.tells is Tells.STOP else clock(effect.position),
        )

    def _tracked(self, effect: Tracked) -> Row:
        late = None if self._now is None else max(0, self._now - effect.due) // 1_000
        nowhere = effect.what in (Track.MISSED, Track.WAITS)
        return Row(
            effect.at - self.zero,
            "track",
            effect.press,
            who=self.plan.players[effect.player].name,
            what=effect.what.value,
            number=None if nowhere else late,
            detail=None if nowhere else clock(effect.position),
        )

    def _stored(self, effect: RecallStored) -> Row:
        return Row(effect.at - self.zero, "stored scene", effect.press, who="desk", number=effect.number)

    def _told(self, effect: Told) -> Row:
        message = self.plan.messages[effect.message]
        device = self.plan.devices[message.device]
        return Row(effect.at - self.zero, "told", effect.press, who=device, what=message.name)

    def _layered(self, effect: Layered) -> Row:
        pedal = self.plan.pedals[effect.pedal]
        name = None if effect.layer is None else pedal.layers[effect.layer].name
        return Row(effect.at - self.zero, "layer", effect.press, who=pedal.name, what=name)


def stop_names(plan: Plan, stop: int) -> tuple[str, str | None]:
    """The song and the section of a stop; before the first song it is `base`."""
    at = plan.stops[stop]
    if at.section < 0:
        return at.name, None
    return plan.song_name(stop), at.name


def as_json(row: Row) -> dict[str, Any]:
    """The row as one JSON object: seconds and dB, only what the row's kind uses."""
    out: dict[str, Any] = {"kind": row.kind, "at": round(row.at / 1e9, 6)}
    for name in ("press", "who", "pedal", "control", "gesture", "song", "section", "listener", "input", "number"):
        value = getattr(row, name)
        if value is not None:
            out[name] = value
    if row.kind == "change":
        out |= {
            "from_db": None if row.before is None else as_db(row.before),
            "to_db": None if row.after is None else as_db(row.after),
            "sent_db": None if row.sent is None or row.what in BY_DESK else as_db(row.sent),
            "cause": row.what,
        }
        if row.sent is not None and row.what in BY_DESK and row.detail is not None:
            out["counts_db"] = as_db(row.sent)
    elif row.what is not None:
        out["what"] = row.what
    if row.detail is not None:
        out[_DETAIL.get(row.kind, "detail")] = row.detail
    if row.kind in _TOOK and row.number is not None:
        out[_TOOK[row.kind]] = out.pop("number") / 1_000
    return out


_TOOK: Final = {"track": "late_ms", "press": "first_byte_ms"}
"""What a row's number is called where it says how long something took: how late a track's section came; how long after
a press the first byte for it left."""

_DETAIL: Final = {"refusal": "reason", "arrival": "scene", "track": "position", "cue": "position", "resumed": "after"}
"""What a row's detail is called, by its kind."""
