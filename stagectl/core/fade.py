"""Taking the desk from where it is to where it should be, within the link's budget.

A fade is a list of glides and a number of frames. In frame k (from 0) of n, each glide stands at the
fraction (k+1)/n of its way, linear in dB, so that the first message leaves at once and the last frame is
the target itself. Within a frame everything that goes down goes first, the presser's mix before the
others; whole mixes whose levels are not known go before all that may rise. The frames are spread evenly over the
fade, as many as the wire can carry, and never closer than `FRAME_NS`; a cut is one frame. Within a frame the messages
leave in bunches, each as soon as the wire has carried what went before it; a bunch is what may be handed over at once,
and never less than one message.

A nudge in mid-fade makes a new plan with the same end, in which every glide keeps its way, the time that is gone of
it (the *lead*) and its turn: after what was nudged, the frame goes on with the glides that it had not come to yet. So
no amount of nudging hurries, holds up or starves the others. Of a treadle that says more than the wire can carry,
every other message goes to somebody else.

A glide whose level stays within one of the desk's steps has nothing to tell. So each bunch that was told knows the
next frame in which one of its glides may have something (the bunch's *turn*), and until the first of the turns time
goes by without anybody being woken. A turn may come too early, and then nothing is told; it never comes too late. The
last bunch of all always has its turn, since there the fade ends.

Nothing is queued: the fade stands in the core's state, its messages leave when their time has come, and a
new press replaces the plan, from the levels that the desk was last asked for. The times are nominal: late
wake-ups give the same levels and the same state, only later.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.plan import Plan

FRAME_NS: Final = 20_000_000
"""The shortest time between two frames of a fade: 50 a second is smoother than an ear can tell."""

FRAMES_MAX: Final = 3_000
"""A minute of frames; longer fades have frames further apart."""

NOTHING: Final[Mapping[int, Level]] = MappingProxyType({})


class Glide(Struct, frozen=True):
    """One send's way, exact levels. `start` None: the desk's level is not known, so it is cut to the target. `waits`:
    it stays where it is until the fade is over, and goes up then."""

    send: int
    start: Level | None
    end: Level
    waits: bool = False


class Bunch(Struct, frozen=True):
    """Glides that are told at once, as a range of their places, and how long after the frame's begin, ns."""

    first: int
    end: int
    after_ns: int


class Fade(Struct, frozen=True):
    """What is still to be told. `due`: when messages may leave next, ns; `lead_ns`: how much of the way, in time, is
    gone in the first frame. `turns`: of each bunch, when it may have something to tell next, as a number of bunches
    over all frames; `done`: bunches whose time has passed, counted in the same way. `last`: the send whose time passed
    last; `let_be`: sends that a hand has taken over; `catches_up`: it follows one in which some had to wait."""

    due: int
    begun: int
    frame_ns: int
    frames: int
    lead_ns: int
    press: int
    glides: tuple[Glide, ...]
    bunches: tuple[Bunch, ...]
    turns: tuple[int, ...]
    done: int = 0
    last: int | None = None
    let_be: frozenset[int] = frozenset()
    catches_up: bool = False

    @property
    def last_frame(self) -> int:
        """When the last frame begins, ns."""
        return self.begun + (self.frames - 1) * self.frame_ns

    @property
    def ends(self) -> int:
        """When the last messages leave, ns."""
        return self.last_frame + self.bunches[-1].after_ns

    @property
    def in_turn(self) -> tuple[Glide, ...]:
        """All glides: those that the frame has still to come to, then those that it has told."""
        at = self.bunches[self.done % len(self.bunches)].first
        return self.glides[at:] + self.glides[:at]

    def exact(self, glide: Glide, frame: int, floor: int) -> Level:
        """Where a glide stands in a frame."""
        lead, frame_ns = self.lead_ns, self.frame_ns
        return along(glide, lead + frame * frame_ns, lead + (self.frames - 1) * frame_ns, floor)

    def comes_to(self, start: Level, end: Level, edge: int, floor: int) -> int:
        """The first frame in which a glide between these levels that was not yet at a level has come to it, or passed
        it; the number of frames, where it does not. (It is `along`, solved for the time, in whole numbers.)"""
        # What ends `off` gets there at one go, in the last frame.
        never = self.frames - 1 if isinstance(end, Off) else self.frames
        start, end = _ends(start, end, floor)
        if isinstance(start, Off) or isinstance(end, Off) or start == end:
            return never
        if (edge > end) if end > start else (edge < end):
            return never
        way = self.lead_ns + (self.frames - 1) * self.frame_ns
        if end > start:
            gone = -((start - edge) * way // (end - start))
        else:
            gone = min((edge + 1 - start) * way // (end - start) + 1, way)
        return min(-((self.lead_ns - gone) // self.frame_ns), never)

    def joined(self, send: int, level: Level, end: int, at: int, floor: int) -> Glide:
        """A glide that is at a level at a time (ns) before the last frame, and at its end, further up, with the
        others."""
        way = self.lead_ns + (self.frames - 1) * self.frame_ns
        low = min(floor, end) if isinstance(level, Off) else level
        return Glide(send, end - (end - low) * way // (self.last_frame - at), end)

    def time_of(self, turn: int) -> int:
        """When the time of a bunch is, ns."""
        frame, at = divmod(turn, len(self.bunches))
        return self.begun + frame * self.frame_ns + self.bunches[at].after_ns

    def after_turn(self, turn: int, frame: int) -> Fade | None:
        """The fade when a bunch has had its turn, and has its next one in a frame (or, where there is none, at the end
        of all); None when that was all."""
        count = len(self.bunches)
        at, ends = turn % count, self.frames * count - 1
        if turn == ends:
            return None
        turns = (*self.turns[:at], min(frame * count + at, ends), *self.turns[at + 1 :])
        return replace(self, due=self.time_of(min(turns)), turns=turns, done=turn + 1, last=self._last(turn + 1))

    def passed(self, at: int) -> Fade:
        """The fade at a time (ns) before the next turn, when bunches have passed that have nothing to tell."""
        if at < self.time_of(self.done):
            return self
        gone = at - self.begun
        # The bunches of the only frame may take longer than it is said to.
        frame = min(gone // self.frame_ns, self.frames - 1) if self.frames > 1 else 0
        into = bisect_right(self.bunches, gone - frame * self.frame_ns, key=_after)
        done = frame * len(self.bunches) + into
        return replace(self, done=done, last=self._last(done))

    def _last(self, done: int) -> int:
        """The send whose time passed last when so many bunches have passed."""
        return self.glides[self.bunches[(done - 1) % len(self.bunches)].end - 1].send

    def without(self, send: int) -> Fade | None:
        """The same fade, in which one send is let be; None where nothing is left of it."""
        let_be = self.let_be | {send}
        return None if all(glide.send in let_be for glide in self.glides) else replace(self, let_be=let_be)


def plan_fade(
    glides: Sequence[Glide],
    *,
    plan: Plan,
    at: int,
    wire_free: int,
    fade_ns: int,
    press: int,
    first: int | None,
    leading: int | None = None,
    running: Fade | None = None,
    catches_up: bool = False,
    ahead: frozenset[int] = frozenset(),
    had: Mapping[int, Level] = NOTHING,
) -> Fade:
    """A fade over about `fade_ns` from time `at`, in as many frames as the plan's link can carry.

    `wire_free`: when the link has carried what it was given. `first`: the listener whose mix leads. `leading`: a send
    that goes before everything (the one nudged). `running`: the fade that goes on in this one; then its end counts, and
    not `fade_ns`. `ahead`: whole mixes whose levels are not known, which go before all that may rise; `had`: what the
    desk was told last of sends whose levels are not known now: those of them that fall by that go before those that
    rise.
    """
    ordered = _in_order(glides, plan.width, first, leading, running, ahead, had)
    takes, burst_ns = [plan.takes_ns[glide.send] for glide in ordered], plan.link.burst_ns
    bunches, most = _bunches(takes, burst_ns)
    # With any of its bunches, the link has no more to carry than may be handed over at once.
    begun = max(at, wire_free - max(0, burst_ns - most))
    if running is None:
        frames, frame_ns = frames_of(fade_ns, sum(takes))
        lead_ns = frame_ns
    else:
        # The last frame begins where that of the running fade does.
        left = max(0, running.last_frame - begun)
        frames = left // frames_of(left, sum(takes)).frame_ns + 1
        frame_ns = left // max(1, frames - 1)
        lead_ns = running.lead_ns + begun - running.begun
    return Fade(
        due=begun,
        begun=begun,
        frame_ns=frame_ns,
        frames=frames,
        lead_ns=lead_ns,
        press=press,
        glides=ordered,
        bunches=bunches,
        turns=tuple(range(len(bunches))),
        last=None if running is None else running.last,
        catches_up=catches_up,
    )


class Frames(NamedTuple):
    """How many frames a fade has, and how far they are apart, ns."""

    frames: int
    frame_ns: int


def frames_of(fade_ns: int, wire_ns: int) -> Frames:
    """The frames of a fade whose messages, told once each, take `wire_ns` on the wire."""
    frame_ns = max(FRAME_NS, wire_ns, fade_ns // FRAMES_MAX)
    frames = max(1, fade_ns // frame_ns)
    return Frames(frames, max(frame_ns, fade_ns // frames))


def _in_order(
    glides: Sequence[Glide],
    width: int,
    first: int | None,
    leading: int | None,
    running: Fade | None,
    ahead: frozenset[int],
    had: Mapping[int, Level],
) -> tuple[Glide, ...]:
    """The glides in the order in which a frame tells them. In a fade that goes on, what got another end goes ahead,
    and the others keep their turns."""
    if len(glides) == 1:
        return tuple(glides)
    turns = {} if running is None else {(one.send, one.end): turn for turn, one in enumerate(running.in_turn)}

    def rank(glide: Glide) -> int:
        # What is known to fall does no harm, whatever the whole mixes are.
        falls = glide.start is not None and height(glide.end) < height(glide.start)
        return 0 if falls or not ahead else 1 if glide.send in ahead else 2

    def order(glide: Glide) -> tuple[int, int, bool, bool, int]:
        send, start = glide.send, had.get(glide.send) if glide.start is None else glide.start
        rises = start is None or height(glide.end) > height(start)
        return (rank(glide), turns.get((send, glide.end), -1), rises, send // width != first, send)

    ordered = sorted(glides, key=order)
    lead = next((glide for glide in ordered if glide.send == leading), None)
    if lead is not None and rank(lead) != 1:
        ordered.remove(lead)
        before = sum(rank(glide) < rank(lead) for glide in ordered)
        ordered.insert(before + (running is not None and running.last == leading), lead)
    return tuple(ordered)


def _bunches(takes: Sequence[int], burst_ns: int) -> tuple[tuple[Bunch, ...], int]:
    """The bunches of messages that take so long on the wire, and how long the longest bunch takes, ns."""
    bunches, most = [], 0
    first, begins, now = 0, 0, 0
    for at, ns in enumerate(takes):
        if at > first and now + ns - begins > burst_ns:
            bunches.append(Bunch(first, at, begins))
            most = max(most, now - begins)
            first, begins = at, now
        now += ns
    bunches.append(Bunch(first, len(takes), begins))
    return tuple(bunches), max(most, now - begins)


def _after(bunch: Bunch) -> int:
    return bunch.after_ns


def along(glide: Glide, gone: int, way: int, floor: int) -> Level:
    """The exact level of a glide when `gone` of the `way` is gone, linear in dB. From `off` it starts at
    `floor`; to `off` it ends there."""
    start, end = glide.start, glide.end
    if gone >= way or start is None:
        return end
    if isinstance(start, Off) or isinstance(end, Off):
        start, end = _ends(start, end, floor)
        if isinstance(start, Off) or isinstance(end, Off):
            return OFF
    return start + (end - start) * gone // way


def _ends(start: Level, end: Level, floor: int) -> tuple[Level, Level]:
    """Between which levels a glide goes: `off` counts as `floor`, unless it is at both ends."""
    if isinstance(start, Off) and not isinstance(end, Off):
        return min(floor, end), end
    if isinstance(end, Off) and not isinstance(start, Off):
        return start, min(floor, start)
    return start, end
