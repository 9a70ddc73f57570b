"""From journals and a show to what is kept: nights are read, put together, decided on, and become changes of a text.

A text is proved before it is written: read by another reader, it says what the old one did but for the accepted values;
as a show it has no faults and passes the same proof as `check`; and at every place of every venue each level is what
the accepted changes come to.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

from stagectl.errors import Fault, FileFaults, first_of
from stagectl.keep.again import Record, played_again
from stagectl.keep.decide import Passed, decide
from stagectl.keep.evidence import Asking, Night
from stagectl.keep.offers import Desk, Offer, offers
from stagectl.keep.splice import SpliceError, Splicer, proved
from stagectl.keep.told import Told
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_kept
from stagectl.show.proof import proof_of
from stagectl.story.rows import stop_names

WRONG_MAX: Final = 3
"""Places with a level other than meant that are told."""


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """What some nights taught. `notes`: what people should know of how it was found."""

    offers: tuple[Offer, ...]
    passed: tuple[Passed, ...]
    notes: tuple[str, ...]


def night_of(show: Show, name: str, venue: str | None, record: Record) -> Night:
    """A night of the show, played again. Raises ValueError where the show has no such venue any more, and one of
    `read.NONSENSE` where an event is none."""
    now, told = compile_show(show, venue).plan, played_again(record)
    played = {stop_names(now, at)[0] for at in range(len(now.stops))}
    told.strangers = {f"`{visit.song}`" for visit in told.visits if visit.song not in played}
    return Night(name, venue, told, record.chapters[-1].plan, now, len(record.chapters) == 1)


def lesson_of(show: Show, nights: Sequence[Night]) -> Lesson:
    """What the nights taught."""
    kept, passed = decide(show, Asking(tuple(nights)))
    splicer = Splicer(raw_of(show))
    found = [_by_itself(splicer, offer) for offer in offers(show, kept)]
    return Lesson(offers=tuple(found), passed=tuple(passed), notes=tuple(_notes(nights)))


def _notes(nights: Sequence[Night]) -> Iterable[str]:
    for night in nights:
        told: Told = night.told
        if not told.ended:
            yield f"{night.name}: the journal has no end yet, so this goes up to its last line"
        if told.strays is not None:
            says = f"played again, it goes another way than its journal after {told.strays}"
            yield f"{night.name}: {says}: left out from there"
        unlike = len({send for visit in told.visits for send in visit.unlike})
        if unlike:
            which = f"{unlike} level{'s' * (unlike > 1)}"
            yield f"{night.name}: played again, {which} would not be what the journal says: left out where that is so"
        edited = _edited(night)
        if edited:
            yield f"{night.name}: the setlist was edited since: {edited}; what it gives now is counted in"
        if told.strangers:
            which = first_of(sorted(told.strangers))
            yield f"{night.name}: {which}: not in this show any more, and left out"


def _edited(night: Night) -> str:
    """What is different in the present text; empty where nothing is."""
    if (night.then.inputs, night.then.listeners) != (night.now.inputs, night.now.listeners):
        return "inputs or listeners are others"
    then = {(stop.song, stop.section, stop.name): stop.levels for stop in night.then.stops}
    now = {(stop.song, stop.section, stop.name): stop.levels for stop in night.now.stops}
    if then.keys() != now.keys():
        return "songs or sections are others"
    some = sum(one != other for key in now for one, other in zip(then[key], now[key], strict=True))
    return f"{some} level{'s' * (some > 1)}, counted at each place" if some else ""


def _by_itself(splicer: Splicer, offer: Offer) -> Offer:
    """The offer, to be written by hand where the text does not let it be changed."""
    if not offer.can_be_written:
        return offer
    try:
        spliced(splicer, [offer])
    except SpliceError as error:
        return replace(offer, hand=f"line {error.line}: {error}")
    return offer


def raw_of(show: Show) -> bytes:
    """What the setlist's file held when the show was read."""
    return next(iter(show.files.values()))


def spliced(splicer: Splicer, accepted: Iterable[Offer]) -> bytes:
    """The setlist's text with these changes. Raises SpliceError."""
    return splicer.spliced({offer.path: offer.written for offer in accepted})


def proved_text(show: Show, accepted: Sequence[Offer]) -> bytes:
    """The setlist's new text, proved. Raises FileFaults where it is not what is meant, or `check` would not pass it,
    and SpliceError where it cannot be made."""
    file = str(show.sources["setlist"].path)
    new = spliced(Splicer(raw_of(show)), accepted)
    if not proved(raw_of(show), new, {offer.path: offer.written for offer in accepted}, file):
        raise FileFaults([Fault(file, 0, "the changes would change something else, too; write them by hand")])
    then = replace(load_kept({**show.files, file: new}), lengths=show.lengths)
    wrong = _wrong_levels(show, then, accepted)
    if wrong:
        raise FileFaults([Fault(file, 0, says) for says in islice(wrong, WRONG_MAX)])
    faults = proof_of(then).faults
    if faults:
        says = "nothing was written: with these changes `check` would find what follows; accept fewer of them"
        raise FileFaults([Fault(file, 0, says), *faults])
    return new


def _wrong_levels(show: Show, then: Show, accepted: Sequence[Offer]) -> list[str]:
    """Where the new text does not give the levels that the changes come to."""
    desk = Desk(show)
    for offer in accepted:
        desk.changes.setdefault(offer.key, {})[offer.kept.send] = offer.after
    out = []
    for venue in desk.venues:
        plan = compile_show(then, venue).plan
        for stop, meant in zip(plan.stops, desk.levels(venue), strict=True):
            for send, (level, should) in enumerate(zip(stop.levels, meant, strict=True)):
                if level != should:
                    out.append(f"{plan.send_name(send)} would not get the level that is meant in {stop.name}")
    return out
