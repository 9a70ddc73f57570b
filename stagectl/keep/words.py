"""What is kept, told: each change as a diff of its lines, with the reason behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from difflib import unified_diff
from pathlib import Path

from stagectl.core.levels import plain_text, text
from stagectl.core.plan import Plan
from stagectl.keep.decide import Grounds, Kept, Passed
from stagectl.keep.evidence import SILENT
from stagectl.keep.nights import Lesson, raw_of, spliced
from stagectl.keep.offers import Offer, value_text
from stagectl.keep.splice import Splicer
from stagectl.show.ears import setting_of
from stagectl.show.load import Show

CAUTION = (
    "Levels that were fine on those stages need not be fine for your ears: ceilings bound what is asked of the desk, "
    "and cannot know how loud that is. Local rules and a hearing professional decide."
)


class Teller:
    """Tells the changes of a show."""

    def __init__(self, show: Show, plan: Plan) -> None:
        self.show, self.plan = show, plan
        self._file = Path(show.sources["setlist"].path).name
        self._splicer = Splicer(raw_of(show))

    def offer(self, offer: Offer) -> Iterator[str]:
        """One change: where, what, why, and its lines."""
        line = self._splicer.line(offer.path)
        yield f"{self._file}:{line}: {self._where(offer.kept)}: {offer.listener}: {offer.input}, {_way(offer.kept)}"
        yield f"    {grounds_words(offer.kept.grounds)}"
        if offer.held:
            yield f"    not offered: {offer.bounded}"
            return
        if offer.hand:
            yield f"    by hand: {offer.hand}. It would be `{offer.input}: {value_text(offer.after)}`"
            return
        if offer.bounded:
            yield f"    less than that: {offer.bounded}"
        yield from (f"    {one}" for one in self.diff([offer]))

    def diff(self, accepted: Sequence[Offer]) -> Iterator[str]:
        """The lines that changes change."""
        old = raw_of(self.show).decode("utf-8-sig").splitlines()
        new = spliced(self._splicer, accepted).decode("utf-8-sig").splitlines()
        # The first two lines name the files.
        for line in list(unified_diff(old, new, lineterm="", n=0))[2:]:
            if not line.startswith("@@"):
                yield f"{line[0]} {line[1:]}"

    def _where(self, kept: Kept) -> str:
        songs = self.show.setlist.songs
        if kept.layer == "base":
            return "base"
        if kept.layer == "venue":
            return str(kept.venue)
        song = songs[kept.song]
        return song.name if kept.section < 0 else f"{song.name}, {song.sections[kept.section].name}"

    def passed(self, one: Passed) -> str:
        """A send that nothing is kept of."""
        listener, column = divmod(one.send, self.plan.width)
        return f"{self.plan.listeners[listener]}: {self.plan.column_name(column)}: {one.why}"


def _way(kept: Kept) -> str:
    if kept.by == SILENT:
        return "off"
    if kept.sets:
        return text(kept.by)
    return f"{'up' if kept.by > 0 else 'down'} {plain_text(abs(kept.by))} dB"


def grounds_words(grounds: Grounds) -> str:
    """`on 5 of 6 nights, in 41 songs: median +2 dB, from +1.5 to +2.5 (2026-11-20, …)`."""
    nights = f"on {len(grounds.nights)} of {grounds.of_nights} night{'s' * (grounds.of_nights != 1)}"
    songs = f", in {grounds.songs} songs" if grounds.songs > 1 else ""
    if SILENT in (grounds.middle, grounds.low):
        return f"{nights}{songs}: off ({', '.join(grounds.nights)})"
    spread = "" if grounds.low == grounds.high else f", from {text(grounds.low)} to {text(grounds.high)}"
    return f"{nights}{songs}: median {text(grounds.middle)}{spread} ({', '.join(grounds.nights)})"


def measured_before(show: Show, accepted: Sequence[Offer]) -> Iterator[str]:
    """Whose level at the ear was measured with the desk at a base that changes now: the sum that it was measured at has
    to be said, or the estimates of exposure go by the new one. `show`: with the base as it was."""
    changed = {offer.listener for offer in accepted if offer.key.layer == "base"}
    for at, (model, one) in enumerate(zip(show.rig.listeners, setting_of(show).listeners, strict=True)):
        if one.name in changed and one.measured is not None and model.measured and model.measured.mix_sum is None:
            line = show.sources["rig"].text.line(("listeners", at, "measured"))
            place = f"{Path(show.sources['rig'].path).name}:{line}"
            says = f"{place}: `{one.name}` was measured at the base as it was: add"
            yield f"{says} `mix sum: {plain_text(one.measured.mix_sum)}` there, or the estimates go wrong"


def lines(teller: Teller, lesson: Lesson) -> Iterator[str]:
    """Everything, where nothing is asked."""
    for offer in lesson.offers:
        yield from teller.offer(offer)
    yield from ends(teller, lesson)


def ends(teller: Teller, lesson: Lesson) -> Iterator[str]:
    """What comes behind the changes."""
    if not lesson.offers:
        yield "Nothing to keep: the setlist has what these nights came to."
    for one in lesson.passed:
        yield f"  passing: {teller.passed(one)}"
    for note in lesson.notes:
        yield f"  note: {note}"
    if lesson.offers:
        yield f"  {CAUTION}"
