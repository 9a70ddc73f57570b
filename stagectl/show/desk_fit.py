"""Does the rig fit its desk? Every send's message is tried, and no two may share one."""

from __future__ import annotations

from collections.abc import Iterator

from stagectl.core.levels import text
from stagectl.errors import Fault, WireError
from stagectl.show.answers_fit import answers_faults, question_faults
from stagectl.show.names import WHOLE, ceiling_of
from stagectl.show.numbering import Numbering
from stagectl.show.profile import Place, ProfileModel, SendModel
from stagectl.show.rig import RigModel
from stagectl.show.signs import CODE, Sign, changes, kept_controls, may_meet, means_else, pattern_of, signs_of
from stagectl.show.source import Source


def desk_faults(rig: RigModel, profile: ProfileModel, source: Source) -> Iterator[Fault]:
    """Wrong end of the wire, numbers out of range, two sends on one message, ceilings that the desk cannot reach."""
    if (profile.over == "osc") != (rig.desk.host is not None):
        needs = "`host` (HOST:PORT)" if profile.over == "osc" else "`port` (part of a MIDI port's name)"
        over = "OSC" if profile.over == "osc" else "MIDI"
        yield source.fault(f"the profile `{profile.name}` speaks {over}: the `desk` needs {needs}", "desk")
    sends = _Sends(rig, profile, source)
    wrong = list(sends.faults()) or list(sends.meeting())
    yield from wrong
    if not wrong:
        yield from question_faults(
            rig, profile, source, lambda packet: changes(profile, sends.taken, sends.kept, packet)
        )
    for at in range(len(rig.listeners)):
        yield from _reach(rig, at, profile.send, [one.name for one in rig.inputs], source)
        if profile.whole_mix is not None:
            yield from _reach(rig, at, profile.whole_mix, [WHOLE], source)


def profile_faults(profile: ProfileModel, source: Source) -> Iterator[Fault]:
    """Numbers of the profile that are out of range on any rig."""
    for part, send in (("send", profile.send), ("whole mix", profile.whole_mix)):
        if send is not None and (wrong := _never(send.say)) is not None:
            key = "channel" if wrong.startswith("channel") else send.say.word
            yield source.fault(f"`{key}`: {wrong}", part, "say", key)
    yield from answers_faults(profile, source)


def _never(place: Place) -> str | None:
    """Why no input of any mix can be said there; None where one can, or where numbers fall from input to input.
    Numbers that only rise are too high from the start, or no longer too low in the next input and mix."""
    numbers = [number for _, number in place if isinstance(number, Numbering)]
    if not all(number.rises for number in numbers):
        return None
    wrong = None
    for socket, mix in ((2, 2), (2, 1), (1, 2), (1, 1)):
        try:
            place.packets(socket, mix, CODE)
        except WireError as error:
            wrong = str(error)
        else:
            return None
    return wrong


class _Sends:
    """The message of every send. `failed`: why a send (listener, input) has none; `taken`: whose each message is.
    Sockets and mixes that stand twice in the rig are the rig's own fault, and only the first overlap is told: all
    come of the same numbering."""

    def __init__(self, rig: RigModel, profile: ProfileModel, source: Source) -> None:
        self.rig, self.profile, self.source = rig, profile, source
        self.failed: dict[tuple[int, int], str] = {}
        self.taken: dict[Sign, str] = {}
        self.overlaps = False
        self.kept = kept_controls(profile, [one.socket for one in rig.inputs], [one.mix for one in rig.listeners])

    def faults(self) -> Iterator[Fault]:
        """One fault for each socket and each mix that the desk cannot be told, and one where messages overlap."""
        for at, listener in enumerate(self.rig.listeners):
            yield from self._listener(at, listener.mix)
        mixes, lines = range(len(self.rig.listeners)), range(len(self.rig.inputs))
        odd = [line for line in lines if all((at, line) in self.failed for at in mixes) and not self._in_mix_1(line)]
        if len(odd) == len(lines):
            says = f"the desk profile `{self.profile.name}` can say none of these sends: {self.failed[0, 0]}"
            yield self.source.fault(says, "desk", "profile")
            return
        for line in odd:
            says = f"the desk cannot be told `{self.rig.inputs[line].name}`: {self.failed[0, line]}"
            yield self.source.fault(says, "inputs", line, "socket")
        for at in mixes:
            bad = next((line for line in lines if line not in odd and (at, line) in self.failed), None)
            if bad is not None:
                name, mix = self.rig.inputs[bad].name, self.rig.listeners[at].mix
                says = f"the desk cannot be told `{name}` in mix {mix}: {self.failed[at, bad]}"
                yield self.source.fault(says, "listeners", at, "mix")

    def _listener(self, at: int, mix: int) -> Iterator[Fault]:
        who, shared = self.rig.listeners[at].name, ""
        again = [one.mix for one in self.rig.listeners].index(mix) < at
        sockets = [one.socket for one in self.rig.inputs]
        for line, input_ in enumerate(self.rig.inputs):
            try:
                fault = self._share(self.profile.send.say, input_.socket, mix, f"`{input_.name}` for `{who}`")
            except WireError as error:
                self.failed[at, line] = str(error)
            else:
                shared = shared or (fault if sockets.index(input_.socket) == line else "")
        if self.profile.whole_mix is not None and not any(mix_at == at for mix_at, _ in self.failed):
            try:
                fault = self._share(self.profile.whole_mix.say, 1, mix, f"the whole mix of `{who}`")
            except WireError as error:
                yield self.source.fault(f"the desk cannot be told the whole mix {mix}: {error}", "listeners", at, "mix")
            else:
                shared = shared or fault
        if shared and not again and not self.overlaps:
            self.overlaps = True
            yield self.source.fault(shared, "desk", "profile")

    def meeting(self) -> Iterator[Fault]:
        """A whole mix whose message, with some value, is that of an input with another value."""
        send, whole = self.profile.send.say, self.profile.whole_mix
        if whole is None or type(whole.say) is not type(send):
            return
        inputs = [
            (pattern, f"`{one.name}` for `{listener.name}`")
            for listener in self.rig.listeners
            for one in self.rig.inputs
            if (pattern := pattern_of(send, one.socket, listener.mix)) is not None
        ]
        for listener in self.rig.listeners:
            mixed = pattern_of(whole.say, 1, listener.mix)
            other = None if mixed is None else next((who for pattern, who in inputs if may_meet(pattern, mixed)), None)
            if other is not None:
                says = f"the whole mix of `{listener.name}` may be said by the same message as {other}"
                hint = "the value stands in another place, so the two cannot be told apart"
                yield self.source.fault(f"{says}: {hint}", "desk", "profile")
                return

    def _share(self, place: Place, socket: int, mix: int, who: str) -> str:
        """The fault of two levels on one message, or of one on a controller that means something else; an empty text
        where there is none. Raises WireError where the level cannot be said."""
        for sign in signs_of(place, socket, mix):
            other = self.taken.setdefault(sign, who)
            if other != who:
                return f"{who} is said by the same message as {other}: the numbering of the desk profile overlaps"
        else_ = means_else(place, socket, mix, self.kept)
        return else_ and f"{who} is said by {else_}"

    def _in_mix_1(self, line: int) -> bool:
        try:
            self.profile.send.say.packets(self.rig.inputs[line].socket, 1, CODE)
        except WireError:
            return False
        return True


def _reach(rig: RigModel, at: int, send: SendModel, names: list[str], source: Source) -> Iterator[Fault]:
    """A desk that cannot say `off` has a lowest level, which no ceiling may be below."""
    grid = send.law().grid
    if grid.has_off:
        return
    for name in names:
        ceiling = ceiling_of(rig, rig.listeners[at], name)
        if grid.steps[0] > ceiling:
            lowest = f"the lowest that the desk can do, {text(grid.steps[0])}"
            yield source.fault(f"the ceiling of `{name}`, {text(ceiling)}, is below {lowest}", "listeners", at)
