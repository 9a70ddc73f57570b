"""Taking the desk from where it is to where it should be, within the link's budget.

A fade is a list of glides and a number of frames. In frame k (from 0) of n, each glide stands at the
fraction (k+1)/n of its way, linear in dB, so that the first message leaves at once and the last frame is
the target itself. A nudge in mid-fade makes a new plan with the same end, in which every glide keeps its
way and the time that is gone of it (the *lead*), so that no amount of nudging hurries or holds up the
others. Within a frame everything that goes down goes first, the presser's mix before the
others. The frames are as far apart as the wire needs to carry one whole frame, and never closer than
`FRAME_NS`; a cut is one frame.

Nothing is queued: the fade stands in the core's state, its messages leave when their time has come, and a
new press replaces the plan, from the levels that the desk was last asked for. The times are nominal: late
wake-ups give the same levels and the same state, only later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.plan import Link

FRAME_NS: Final = 20_000_000
"""The shortest time between two frames of a fade: 50 a second is smoother than an ear can tell."""

FRAMES_MAX: Final = 3_000
"""A minute of frames; longer fades have frames further apart."""


class Glide(NamedTuple):
    """One send's way, exact levels. `start` None: the desk's level is not known, so it is cut to the target."""

    send: int
    start: Level | None
    end: Level


@dataclass(frozen=True, slots=True, kw_only=True)
class Fade:
    """What is still to be told. `lead_ns`: how much of the way, in time, is gone in the first frame.
    `done`: messages whose time has passed, counted over all frames."""

    begun: int
    frame_ns: int
    frames: int
    lead_ns: int
    burst: int
    message_ns: int
    press: int
    glides: tuple[Glide, ...]
    done: int = 0

    @property
    def due(self) -> int:
        """When the next messages leave, ns."""
        frame, at = divmod(self.done, len(self.glides))
        return self.begun + frame * self.frame_ns + (at // self.burst) * self.burst * self.message_ns

    @property
    def ends(self) -> int:
        """When the last message leaves, ns."""
        last = len(self.glides) - 1
        return self.last_frame + (last // self.burst) * self.burst * self.message_ns

    @property
    def last_frame(self) -> int:
        """When the last frame begins, ns."""
        return self.begun + (self.frames - 1) * self.frame_ns

    def exact(self, glide: Glide, frame: int, floor: int) -> Level:
        """Where a glide stands in a frame."""
        gone = self.lead_ns + frame * self.frame_ns
        return along(glide, gone, self.lead_ns + (self.frames - 1) * self.frame_ns, floor)

    @property
    def over(self) -> bool:
        """Whether everything was told."""
        return self.done >= self.frames * len(self.glides)

    def without(self, send: int) -> Fade | None:
        """The same fade without one send; None where nothing is left of it."""
        kept = tuple(glide for glide in self.glides if glide.send != send)
        frame, at = divmod(self.done, len(self.glides))
        before = sum(glide.send != send for glide in self.glides[:at])
        less = replace(self, glides=kept, done=frame * len(kept) + before)
        return None if not kept or less.over else less


def plan_fade(
    glides: Sequence[Glide],
    *,
    at: int,
    fade_ns: int,
    link: Link,
    press: int,
    width: int,
    first: int | None,
    leading: int | None = None,
    lead_ns: int | None = None,
) -> Fade:
    """A fade over about `fade_ns` from time `at`, in as many frames as the link can carry.

    `lead_ns`: for a fade that goes on, how much of its way is gone; its last frame begins `fade_ns` from
    `at`.

    `width`: sends of one listener. `first`: the listener whose mix leads. `leading`: a send that goes before
    everything (the one nudged).
    """

    def order(glide: Glide) -> tuple[bool, bool, bool, int]:
        rises = glide.start is None or height(glide.end) > height(glide.start)
        return (glide.send != leading, rises, glide.send // width != first, glide.send)

    ordered = tuple(sorted(glides, key=order))
    frame_ns = max(FRAME_NS, len(ordered) * link.message_ns, fade_ns // FRAMES_MAX)
    frames = max(1, fade_ns // frame_ns)
    if lead_ns is not None:
        frames = fade_ns // frame_ns + 1
        frame_ns = fade_ns // max(1, frames - 1)
    return Fade(
        begun=at,
        frame_ns=frame_ns,
        frames=frames,
        lead_ns=frame_ns if lead_ns is None else lead_ns,
        burst=link.burst,
        message_ns=link.message_ns,
        press=press,
        glides=ordered,
    )


def along(glide: Glide, gone: int, way: int, floor: int) -> Level:
    """The exact level of a glide when `gone` of the `way` is gone, linear in dB. From `off` it starts at
    `floor`; to `off` it ends there."""
    if gone >= way or glide.start is None:
        return glide.end
    start = min(floor, glide.end) if isinstance(glide.start, Off) and not isinstance(glide.end, Off) else glide.start
    end = min(floor, start) if isinstance(glide.end, Off) and not isinstance(start, Off) else glide.end
    if isinstance(start, Off) or isinstance(end, Off):
        return OFF
    return start + (end - start) * gone // way
