"""What is heard between a rig and its desk: from bytes to values, questions and subscriptions, by a profile.

A message for no level is counted with its reason; nothing here raises.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from stagectl.desk.hear_midi import MidiEar
from stagectl.desk.hear_osc import OscEar
from stagectl.desk.meaning import Ear, Recalled, Spot, Told, phrases_of, question_packet
from stagectl.errors import WireError
from stagectl.show.profile import ProfileModel


def ear_for(profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> Ear:
    """The ear for a profile. `counted`: what was not understood, by reason.

    Raises WireError where a level does not fit on the wire, where two levels share a message or a question, or where a
    question would itself change something.
    """
    spots = tuple(spots)
    kind = OscEar if profile.over == "osc" else MidiEar
    _check_questions(profile, spots, kind(profile.model_copy(update={"answers": None}), spots, Counter()))
    return kind(profile, spots, counted)


def _check_questions(profile: ProfileModel, spots: Iterable[Spot], ear: Ear) -> None:
    asked = [(str(spot), packet) for spot in spots if (packet := question_packet(profile, spot)) is not None]
    asked += [("what is said to the desk", packet) for packets, _ in phrases_of(profile) for packet in packets]
    for what, packet in asked:
        if any(isinstance(meaning, Told | Recalled) for meaning in ear.hear(packet)):
            raise WireError(f"the question for {what} would change a level")
        ear.forget()
