"""The desk profile that says what was learned, with the evidence as comments, and the proof that it hears the desk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from pydantic import ValidationError

from stagectl.desk.hear import ear_for
from stagectl.desk.meaning import Spot as DeskSpot
from stagectl.desk.meaning import Told
from stagectl.errors import FileFaults, WireError
from stagectl.learn.desk_analyse import LearnedDesk, Said
from stagectl.learn.desk_moves import Part, Spot
from stagectl.learn.verdict import count
from stagectl.learn.write import comment, counted, plain, quoted
from stagectl.show.profile import ProfileModel
from stagectl.show.yamltext import read_text

_SECOND: Final = 1_000_000_000


def profile_text(name: str, port: str, learned: LearnedDesk, proof: str = "") -> str:
    """The profile. `name`: the desk's; `port`: where it was heard; `proof`: what it understood of what was heard. Only
    where `learned.cannot` is empty."""
    assert learned.send is not None
    lines = list(_head(port, learned, proof))
    lines += [f"name: {quoted(name)}", f"over: {learned.over}", "send:", *_level(learned.send)]
    if learned.whole is not None and learned.whole.usable:
        lines += ["whole mix:", *_level(learned.whole)]
    elif learned.whole is not None:
        why = "; ".join((*learned.whole.placed.cannot, learned.whole.no_law)).strip("; ")
        lines += comment(f"Whole mixes are left out: {why}.", "")
    lines += _answers(learned)
    return "\n".join(lines) + "\n"


def _head(port: str, learned: LearnedDesk, proof: str) -> Iterator[str]:
    heard = f"{count(learned.heard, 'message')} in {learned.span_ns / _SECOND:.0f} s, {count(learned.moves, 'move')}"
    yield from comment(f"Learned from `{plain(port)}`: {heard}.", "")
    yield from comment("Try it on a send that nobody is listening to.", "")
    if proof:
        yield from comment(proof, "")
    for line in summary(learned):
        yield from comment(line, "")


def summary(learned: LearnedDesk) -> Iterator[str]:
    """What contradicts, what is wanted and what was left out, a sentence each."""
    for line in learned.against:
        yield f"Contradicts: {line}."
    for line in learned.wanted:
        yield f"To be sure: {line}."
    for line in learned.anyway:
        yield f"Sent whatever was moved: {line}."
    if learned.background:
        yield f"Sent without a hand: {counted(learned.background)}."
    if learned.odd:
        yield f"Left out: {counted(learned.odd)}."


def verdicts(learned: LearnedDesk) -> Iterator[str]:
    """What each kind of level was found to be, a line each."""
    for what, said in (("send", learned.send), ("whole mix", learned.whole)):
        if said is None:
            continue
        yield f"{what}: {'; '.join(said.placed.typed)} ({said.placed.sure.value}; {said.placed.why})"
        for line in said.placed.cannot:
            yield f"{what}: a profile cannot say it: {line}"
        if said.fitted is not None:
            yield f"{what}: law {said.fitted.typed['law']} ({said.fitted.sure.value}; {said.fitted.why})"
        elif said.no_law:
            yield f"{what}: no value law: {said.no_law}"


def _level(said: Said) -> Iterator[str]:
    assert said.fitted is not None
    where = ", ".join(map(str, said.voices))
    yield from comment(f"Moved: {where}; {said.placed.why} ({said.placed.sure.value}).", "  ", "  ")
    yield "  say:"
    yield from (f"    {line}" for line in said.placed.typed)
    yield from comment(_resolution(said), "  ", "  ")
    yield from comment(f"Law ({said.fitted.sure.value}): {said.fitted.why}.", "  ", "  ")
    for note in said.fitted.notes:
        yield from comment(f"{note[:1].upper()}{note[1:]}.", "  ", "  ")
    yield "  values:"
    yield from _values(said.fitted.typed)


def _answers(learned: LearnedDesk) -> Iterator[str]:
    """What listening alone shows of what the desk tells of itself: it says what a hand moves. It was told nothing."""
    said = [one for one in (learned.send, learned.whole) if one is not None and one.usable]
    levels, values = sum(len(one.voices) for one in said), sum(one.heard for one in said)
    yield "answers:"
    heard = f"A hand was heard on {count(levels, 'level')}, {count(values, 'value')} while it moved."
    yield from comment(heard, "  ", "  ")
    if learned.over == "osc":
        yield from comment(
            "What the desk was told to make it report belongs under `subscribe` and `renew`.", "  ", "  "
        )
    more = "Nothing was sent to it: whether it can be asked (`ask`) or says back what it is told (`echoes`) is open."
    yield from comment(more, "  ", "  ")
    yield "  reports: yes"


def _resolution(said: Said) -> str:
    bits = said.placed.shape.bits
    width = "real numbers" if bits is None else f"{bits} bits"
    finest = f", at least {said.finest:.4g} apart" if said.values > 1 else ""
    low, high = sorted(said.ends)
    return f"Resolution: {width}; {count(said.values, 'different value')} heard{finest}, from {low:.7g} to {high:.7g}."


def _values(typed: Mapping[str, Any]) -> Iterator[str]:
    for key, value in typed.items():
        if isinstance(value, list):
            yield f"    {key}:"
            yield from (f"      - [{code}, {level}]" for code, level in value)
        else:
            yield f"    {key}: {value}"


# -- the proof --------------------------------------------------------------------------------------------


def read_profile(text: str) -> ProfileModel:
    """The profile that a text is. Raises FileFaults or ValueError where it is none."""
    return ProfileModel.model_validate(read_text(text.encode(), "profile").data)


def prove(text: str, parts: Sequence[Part]) -> str:
    """What the profile understands of what was heard, in a sentence: whose voice was heard during whose move. Raises
    ValueError where it is not a sound profile."""
    try:
        profile = read_profile(text)
    except (FileFaults, ValidationError) as error:
        raise ValueError(f"the profile that was learned is not sound: {error}") from error
    spots = list(dict.fromkeys(move.spot for move, _ in parts if move.spot is not None))
    if profile.whole_mix is None:
        spots = [spot for spot in spots if spot.input is not None]
    try:
        ear = ear_for(profile, [DeskSpot(spot.mix, spot.input) for spot in spots], Counter())
    except WireError as error:
        raise ValueError(f"the profile that was learned cannot say what was moved: {error}") from error
    own = other = 0
    deaf = list(spots)
    for move, packets in parts:
        for _, data in packets:
            for meaning in ear.hear(data):
                if isinstance(meaning, Told):
                    spot = Spot(meaning.spot.socket, meaning.spot.mix)
                    own += spot == move.spot
                    other += spot != move.spot
                    deaf = [one for one in deaf if one != spot or spot != move.spot]
    said = f"With this profile {count(own, 'value')} {'is' if own == 1 else 'are'} heard during the moves of their own "
    said += f"level, {other:,} during another's."
    return said + (f" Not heard: {', '.join(map(str, deaf))}." if deaf else "")
