"""What the check of the files passes, the desk can be spoken to with: nothing is found out only in the night."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from stagectl.desk.speak import Speaker
from stagectl.desk.talk import DeskTalk
from stagectl.desk.virtual import VirtualDesk
from stagectl.errors import WireError
from stagectl.show.desk_fit import desk_faults, profile_faults
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import RigModel
from stagectl.show.source import Source
from stagectl.show.yamltext import Text

SOURCE = Source(path=Path("some.yaml"), text=Text({}, {}, []))

CHANNEL = st.one_of(
    st.integers(1, 3),
    st.just({"first": 1, "per mix": 1}),
    st.just({"table": [1, 2, 3], "by": "mix"}),
)
FEW = st.sampled_from([0, 0, 1, 1, 2, 16, -1, 31])


@st.composite
def numbers(draw: st.DrawFn) -> Any:
    """A number on the wire, near those that mean something else."""
    first = draw(st.one_of(st.integers(0, 40), st.integers(90, 125), st.just(16_380)))
    if draw(st.integers(0, 4)) == 0:
        return {"table": draw(st.lists(st.integers(0, 127), min_size=1, max_size=4)), "per mix": draw(FEW)}
    return {"first": first, "per input": draw(FEW), "per mix": draw(FEW)}


WORDS = st.lists(
    st.sampled_from(["10", "11", "{mix}", "{mix}", "{input}", "{input}", "00"]), min_size=1, max_size=4
).map(" ".join)
PATHS = st.lists(st.sampled_from(["/a", "/{mix}", "/{input}", "/b"]), min_size=1, max_size=3).map("".join)
ARGUMENTS = st.lists(st.sampled_from([1, "{mix}", "{input}", "yes", "x"]), max_size=3)


@st.composite
def sends(draw: st.DrawFn, over: str) -> dict[str, Any]:
    """How one kind of level is said."""
    values: dict[str, Any] = {"law": "points", "points": [[0, "off"], [1, -60], [127, 0]]}
    if over == "osc":
        arguments = [*draw(ARGUMENTS), "{value}", *draw(ARGUMENTS)]
        return {"say": {"osc": draw(PATHS), "arguments": arguments}, "values": values}
    kind = draw(st.sampled_from(["control change", "control change pair", "nrpn", "rpn", "sysex"]))
    if kind == "sysex":
        return {"say": {"sysex": f"F0 7D {draw(WORDS)} {{value}} {draw(WORDS)} F7"}, "values": values}
    return {"say": {"channel": draw(CHANNEL), kind: draw(numbers())}, "values": values}


@st.composite
def questions(draw: st.DrawFn, over: str) -> dict[str, Any]:
    """A question for a level."""
    if over == "osc":
        return {"osc": draw(PATHS), "arguments": draw(ARGUMENTS)}
    return {"sysex": f"F0 7D {draw(WORDS)} F7"}


@st.composite
def messages(draw: st.DrawFn, over: str) -> dict[str, Any]:
    """A message that asks or subscribes."""
    if over == "osc":
        return {"osc": draw(st.sampled_from(["/a", "/1", "/a/1"])), "arguments": draw(st.lists(st.just(1), max_size=2))}
    control = {"control change": draw(st.integers(0, 119)), "value": 3, "channel": draw(st.integers(1, 3))}
    return draw(st.sampled_from([control, {"program": 1, "channel": 2}, {"sysex": "F0 7D 10 00 00 F7"}]))


@st.composite
def profiles(draw: st.DrawFn) -> dict[str, Any]:
    """A profile that may well be at odds with itself."""
    over = draw(st.sampled_from(["midi", "osc"]))
    made: dict[str, Any] = {"name": "invented", "over": over, "send": draw(sends(over))}
    if draw(st.booleans()):
        made["whole mix"] = draw(sends(over))
    if over == "midi" and draw(st.booleans()):
        made["stored scene"] = {"channel": draw(st.integers(1, 3)), "banks": draw(st.sampled_from(["yes", "no"]))}
    answers: dict[str, Any] = {"reports": "yes"}
    for key, strategy in (
        ("ask", questions(over)),
        ("ask whole mix", questions(over)),
        ("ask all", st.lists(messages(over), min_size=1, max_size=2)),
        ("subscribe", st.lists(messages(over), min_size=1, max_size=2)),
    ):
        if draw(st.booleans()):
            answers[key] = draw(strategy)
    return made | ({"answers": answers} if draw(st.booleans()) else {})


@settings(max_examples=examples(200))
@given(profiles(), st.lists(st.integers(1, 40), min_size=1, max_size=4, unique=True), st.integers(1, 3))
def test_what_is_passed_can_be_spoken_to(typed: dict[str, Any], sockets: list[int], mixes: int) -> None:
    try:
        profile = ProfileModel.model_validate(typed)
    except ValidationError:
        return
    end = {"host": "127.0.0.1:9"} if profile.over == "osc" else {"port": "desk"}
    rig = RigModel.model_validate(
        {
            "inputs": [{"name": f"input {at}", "socket": at} for at in sockets],
            "listeners": [{"name": f"listener {at}", "mix": at} for at in range(1, mixes + 1)],
            "desk": {"profile": "x"} | end,
        }
    )
    faults = [*profile_faults(profile, SOURCE), *desk_faults(rig, profile, SOURCE)]
    numbers = range(1, mixes + 1)
    if faults:
        return
    talk = DeskTalk(profile, sockets, numbers)
    desk = VirtualDesk(profile, sockets, numbers)
    speaker = Speaker(profile, sockets, numbers)
    width = len(sockets) + 1
    columns = width if profile.whole_mix is not None else width - 1
    for send in (listener * width + column for listener in range(mixes) for column in range(columns)):
        (heard,) = {one.send: one for packet in speaker.say(send, -6_000) for one in talk.hear(packet)}.values()
        assert heard == (send, -6_000)
        for question in talk.ask(send):
            assert talk.hear(question) == []
            before = desk.levels()
            assert desk.hear(question) == []
            assert desk.levels() == before


def test_many_of_these_profiles_are_sound() -> None:
    """The property above is not empty: by chance alone, sound ones turn up."""
    sound = 0

    @settings(max_examples=75, database=None, derandomize=True)
    @given(profiles())
    def count(typed: dict[str, Any]) -> None:
        nonlocal sound
        try:
            profile = ProfileModel.model_validate(typed)
            DeskTalk(profile, [1, 2], [1, 2])
        except (ValidationError, WireError):
            return
        sound += 1

    count()
    assert sound >= 10
