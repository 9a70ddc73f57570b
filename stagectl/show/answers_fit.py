"""Do a profile's answers fit its wire, its levels and the rig? Every question is tried, and none may change a level."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress

from stagectl.errors import Fault, WireError
from stagectl.show.answers import AnswersModel
from stagectl.show.places import AskByOsc, AskBySysEx
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import RigModel
from stagectl.show.signs import Sign, changes, kept_controls, signs_of
from stagectl.show.source import Source
from stagectl.wire.midi import hex_text
from stagectl.wire.osc import parse


def answers_faults(profile: ProfileModel, source: Source) -> Iterator[Fault]:
    """Answers that fit the profile on no rig."""
    answers = profile.answers
    if answers is None:
        return
    wrong = list(answers.wrong_wire(profile.over))
    for place in wrong:
        other = "MIDI" if profile.over == "osc" else "OSC"
        says = f"`{place[0]}`: this is said over {other}, but the file says `over: {profile.over}`"
        yield source.fault(says, "answers", *place)
    if answers.ask_whole_mix is not None and profile.whole_mix is None:
        says = "`ask whole mix` asks for the level of a whole mix, but the profile has no `whole mix`"
        yield source.fault(says, "answers", "ask whole mix")
    if not wrong:
        yield from _changing(profile, answers, source)


def _changing(profile: ProfileModel, answers: AnswersModel, source: Source) -> Iterator[Fault]:
    """Questions and subscriptions that would themselves set a level, the first on any rig, or recall a scene."""
    places = [send.say for send in (profile.send, profile.whole_mix) if send is not None]
    taken: set[Sign] = set()
    for place in places:
        with suppress(WireError):
            taken.update(signs_of(place, 1, 1))
    kept = kept_controls(profile, [1], [1])
    for key, question in (("ask", answers.ask), ("ask whole mix", answers.ask_whole_mix)):
        if question is None:
            continue
        try:
            packet = question.packet(1, 1)
        except WireError as error:
            yield source.fault(f"`{key}`: {error}", "answers", key)
            continue
        if changes(profile, taken, kept, packet):
            yield source.fault(f"`{key}`: this message sets a level in place of asking for it", "answers", key)
    for key, messages in (("ask all", answers.ask_all), ("subscribe", answers.subscribe)):
        for at, message in enumerate(messages or ()):
            try:
                packets = message.packets()
            except WireError as error:
                yield source.fault(f"`{key}`: {error}", "answers", key, at)
                continue
            if any(changes(profile, taken, kept, packet) for packet in packets):
                says = f"`{key}`: this message changes levels or recalls a scene in place of asking for it"
                yield source.fault(says, "answers", key, at)


def question_faults(
    rig: RigModel, profile: ProfileModel, source: Source, sets: Callable[[bytes], bool]
) -> Iterator[Fault]:
    """Levels of this rig that cannot be asked for, whose questions are the same, or that a question would set (`sets`).
    The first is told: all come of the same template."""
    answers = profile.answers
    if answers is None or any(True for _ in answers_faults(profile, source)):
        return
    asked: dict[bytes, str] = {}
    for who, packet in _questions(rig, answers):
        if isinstance(packet, WireError):
            yield source.fault(f"the desk cannot be asked for {who}: {packet}", "desk", "profile")
            return
        if sets(packet):
            yield source.fault(f"the question for {who} would set a level", "desk", "profile")
            return
        other = asked.setdefault(packet, who)
        if other != who:
            shown = hex_text(packet) if profile.over == "midi" else parse(packet)[0].address
            says = (
                f"{who} is asked for by the same question as {other}, `{shown}`: the desk's answer could be for either"
            )
            yield source.fault(says, "desk", "profile")
            return
    for key, messages in (("ask all", answers.ask_all), ("subscribe", answers.subscribe)):
        if any(sets(packet) for message in messages or () for packet in message.packets()):
            yield source.fault(
                f"what the desk profile says under `{key}` would set a level of this rig", "desk", "profile"
            )


def _questions(rig: RigModel, answers: AnswersModel) -> Iterator[tuple[str, bytes | WireError]]:
    """Every question for a level of the rig, or why there is none. What stands twice in the rig is its own fault."""
    seen: set[tuple[int, int]] = set()
    for at, listener in enumerate(rig.listeners):
        if answers.ask is not None:
            for one in rig.inputs:
                if (one.socket, listener.mix) not in seen:
                    seen.add((one.socket, listener.mix))
                    yield f"`{one.name}` for `{listener.name}`", _packet(answers.ask, one.socket, listener.mix)
        if answers.ask_whole_mix is not None and listener.mix not in [before.mix for before in rig.listeners[:at]]:
            yield f"the whole mix of `{listener.name}`", _packet(answers.ask_whole_mix, 1, listener.mix)


def _packet(question: AskByOsc | AskBySysEx, socket: int, mix: int) -> bytes | WireError:
    try:
        return question.packet(socket, mix)
    except WireError as error:
        return error
