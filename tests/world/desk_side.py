"""Rules 1, 2, 3, 8 and 10 where they are about the desk: what it is told, what it says, where it stands.

The desk's own levels are kept here from the bytes that have arrived at it, read by `judge.py`, and from hands.
"""

from __future__ import annotations

import math
from typing import Any, Final

from stagectl.core.doubt import GRACE_NS
from stagectl.core.effects import Arrived, Changed, Pressed, Tracked
from stagectl.core.events import DeskCame
from stagectl.desk.meaning import Spot
from stagectl.live.desk import HALF_S

from .clock import MS, SECOND
from .desk_memory import RESTS_NS, DeskMemory
from .inputs import Broken
from .judge import OFF, Judge, Says, Strange

CLOSE: Final = 0.03
"""How far apart two readings of one level may be, dB: steps are told in hundredths."""

EXACT: Final = 0.012
"""How far above its ceiling a level may read, dB: half a hundredth for the step, as much for the reading."""

SUM_CLOSE: Final = 0.05

NEAR: Final = 0.25
"""A hand that leaves a level so near to where the night has it, dB, is none: no hand is that fine, and desks round."""

BYTE_NS: Final = 320_000
"""A byte on a DIN link (MIDI 1.0: 31,250 baud, ten bits a byte)."""

BACKLOG_NS: Final = 30 * MS
"""How much may be handed over to a DIN link before it is carried, ns."""

AT_ONCE_DB: Final = 3.0
"""How much of a rise comes at once, at 50 dB a second (60 ms of it)."""

FLOOR_DB: Final = -40.0
"""Where a rise from off begins to count."""

PROBE_NS: Final = 600 * MS
"""The most between two questions of a desk that is silent, ns."""

APART_NS: Final = 700 * MS
"""How long after a message of its own the program can tell a hand on the way of it from a late message, ns."""


HALF_NS: Final = round(HALF_S * SECOND)
"""So long the program waits for a value's second half, and knows of no hand, ns."""


class DeskRules(DeskMemory):
    """Looks at the desk's end."""

    # -- lives ------------------------------------------------------------------------------------------------

    def begins(self) -> None:
        self._out, self._in = Judge(self.world.stage.profile), Judge(self.world.stage.profile)
        self._told.clear()
        self._asked.clear()
        self._read.clear()
        self._hands.clear()
        self._paid.clear()
        self._busy_until = 0
        self._unread_ok = False
        self._calm = None

    def killed(self, daemon: Any) -> None:
        """The process is about to be no more: what is at rest then has to stay."""
        state = daemon.night.state
        self._left = {}
        self._disturbed = not self._healthy() or self.world.stand_in.due is not None
        if not self._disturbed and state.fade is None and state.desk_here and not state.touches:
            for send, step in enumerate(state.steps):
                spot = self._spot(send)
                if step is not None and spot in self.stands and abs_(self.stands[spot], self._level(step)) <= CLOSE:
                    self._left[spot] = self.stands[spot]

    def taken_up(self, daemon: Any, whole: bool, *, other_files: bool) -> None:
        """The night goes on: until anybody does something, what was at rest stays. `other_files`: files were edited;
        then that is what hands have left, where the edit has moved nothing."""
        self._stirred = False
        left = self._left
        if other_files:
            mixes = self.world.stage.edited_mixes
            left = {spot: level for spot, level in left.items() if spot.mix not in mixes and self._by_hand(spot, level)}
        calm = daemon.taken_up is not None and (whole or other_files) and not self._disturbed
        self._calm = left if calm else None

    def _by_hand(self, spot: Spot, level: float) -> bool:
        """Whether it is a hand that has left a level where it is."""
        return spot in self._moved and abs_(self._moved[spot], level) <= CLOSE

    # -- the core ---------------------------------------------------------------------------------------------

    def stepped(self, event: Any, before: Any, after: Any, effects: Any) -> None:
        """A step was taken."""
        if before.fade is not None:
            # The desk is asked where it stands when the whole fade is over, and not before.
            self._faded_at = self.world.clock.world
        for one in effects:
            if isinstance(one, Tracked | Arrived | Pressed) or (
                isinstance(one, Changed) and one.cause not in ("read", "told again", "hand")
            ):
                self._hands.clear()
                self._over |= self._untold
                self._calm = None
        if isinstance(event, DeskCame):
            now = self.world.clock.world
            self._read = {spot: at for spot, at in self._read.items() if at >= now}
            self._unread_ok = False
            # What was told while nobody has noticed that it was away is not known to have arrived.
            self._told.clear()
            self._asked.clear()
            self._paid.clear()
        if after.desk_here and not before.desk_here:
            # What differs in many places is taken for another scene, and not for hands.
            self._hands.clear()
            # What nobody has answered for long is given up, and told without being read.
            self._unread_ok = any(getattr(one, "reason", None) is not None for one in effects)

    # -- bytes ------------------------------------------------------------------------------------------------

    def sent(self, packet: bytes) -> bool:
        """Bytes leave for the desk. Returns whether they move a level."""
        world = self.world
        try:
            says = self._out.read(packet)
        except (Strange, LookupError, ValueError) as error:
            raise Broken(3, f"the desk is told what is no level of a mix: {packet.hex(' ')} ({error})") from error
        self._budget(packet)
        for one in says:
            if one.kind == "stored":
                # What is behind a scene of the desk's own is not known: each level is asserted at once.
                self._told.clear()
                self._of_scene, self._scene_at = set(self.stands), world.clock.world
            if one.kind == "level":
                self._tells(Spot(one.mix, one.socket), one.level)
        return bool(world) and any(one.kind in ("level", "stored", "part") for one in says)

    def _budget(self, packet: bytes) -> None:
        """On a DIN link no more is handed over than it carries."""
        now = self.world.clock.world
        if not self.world.stage.budget or now < self._unwell:
            return
        self._busy_until = max(self._busy_until, now) + len(packet) * BYTE_NS
        if self._busy_until - now > BACKLOG_NS:
            raise Broken(8, f"the link has {(self._busy_until - now) / MS:.0f} ms of messages before it")

    def _tells(self, spot: Spot, level: float) -> None:
        most = self.world.stage.ceilings.get((spot.mix, spot.socket))
        if most is None:
            raise Broken(3, f"{spot} is no send of this rig")
        if level > most + EXACT:
            raise Broken(1, f"{spot} is asked for {level:.2f} dB; its ceiling is {most:g} dB")
        if spot in self._of_scene:
            self._of_scene.discard(spot)
            self._paid.pop(spot, None)
        elif level != self._asked.get(spot):
            # What the desk has lost is said again, wherever it stands now.
            self._rises(spot, level)
        self._asked[spot], self._told_at[spot] = level, self.world.clock.world
        reads = self.world.compiled.plan.answers.reads
        if reads and spot not in self._read and not self._unread_ok:
            raise Broken(2, f"{spot} is told a level before the desk was read")
        if self._calm is not None and spot in self._calm and abs_(level, self._calm[spot]) > CLOSE:
            raise Broken(10, f"{spot} stood at {self._calm[spot]:.2f} dB, and is told {level:.2f} by the restart alone")
        if self._calm is not None and spot in self._calm and spot in self._read and reads and not self._unread_ok:
            raise Broken(10, f"{spot} is told {level:.2f} dB again by the restart alone, and was read to stand there")
        known = self.world.clock.world - self._heard_at.get(spot, 0) > HALF_NS
        if known and spot in self._hands and abs_(level, self._hands[spot]) > CLOSE:
            raise Broken(2, f"a hand has left {spot} at {self._hands[spot]:.2f} dB, and it is told {level:.2f}")
        self._told[spot] = level
        self._sum(spot.mix)

    def _sum(self, mix: int) -> None:
        """The mix as a sum, as this process has told it: 10·log10 of the sum of powers, and the whole mix on top."""
        sockets = [Spot(mix, at + 1) for at in range(len(self.world.stage.inputs))]
        # A whole mix that the show drives counts once it was told, as the inputs do.
        all_of_it = [*sockets, Spot(mix, None)] if mix in self.world.stage.wholes else sockets
        if any(spot not in self._told for spot in all_of_it):
            return
        # What was heard last may be an answer that was on its way.
        told = {spot: min(level, self._asked.get(spot, level)) for spot, level in self._told.items() if spot.mix == mix}
        powers = sum(0.0 if told[spot] == OFF else 10 ** (told[spot] / 10) for spot in sockets)
        whole = self._whole(mix, told)
        most = self.world.stage.sums[mix]
        if (
            powers
            and whole != OFF
            and 10 * math.log10(powers) + whole > most + SUM_CLOSE
            and not self._loud_by_hand(mix)
        ):
            raise Broken(1, f"mix {mix} comes to {10 * math.log10(powers) + whole:.2f} dB; its ceiling is {most:g} dB")

    def _whole(self, mix: int, levels: dict[Spot, float]) -> float:
        """What a whole mix adds to the sum of its inputs, dB. One that the show does not drive makes no room below
        0 dB: a hand may bring it back up, and no input is taken down for that."""
        whole = levels.get(Spot(mix, None), 0.0)
        return whole if mix in self.world.stage.wholes else max(0.0, whole)

    def _has_room(self, spot: Spot, level: float) -> bool:
        """Whether a send may have this level under the ceiling of its mix, with the others as they stand."""
        sockets = [Spot(spot.mix, at + 1) for at in range(len(self.world.stage.inputs))]
        stand = [level if one == spot else self.stands.get(one, OFF) for one in sockets]
        powers = sum(0.0 if one == OFF else 10 ** (one / 10) for one in stand)
        whole = self._whole(spot.mix, self.stands)
        return not powers or whole == OFF or 10 * math.log10(powers) + whole <= self.world.stage.sums[spot.mix]

    def _loud_by_hand(self, mix: int) -> bool:
        """Whether somebody's hand has taken the mix there, which is let be."""
        return any(spot.mix == mix for spot in self._moved)

    def _rises(self, spot: Spot, level: float) -> None:
        """No level rises faster than the rig allows: what is over 3 dB at once has to have been waited for."""
        before, now = self._told.get(spot), self.world.clock.world
        by_hand = self._moved_at.get(spot, -APART_NS)
        if now - by_hand < APART_NS:
            return
        if before is not None and by_hand < self._told_at.get(spot, 0):
            # What was heard last may be an answer that was on its way.
            before = max(before, self._asked.get(spot, before))
        if before is None or level <= before or now < self._unwell:
            return
        start = min(FLOOR_DB, level) if before == OFF else before
        rise_ns = round((level - start) / self.world.stage.rise * SECOND)
        free = max(self._paid.get(spot, 0), now)
        slack = 60 * MS + self._step_ns(spot, start)
        self._paid[spot] = free + rise_ns
        if self._paid[spot] - now > slack + MS:
            raise Broken(1, f"{spot} rises to {level:.2f} dB {(self._paid[spot] - now - slack) / MS:.0f} ms too soon")

    def _step_ns(self, spot: Spot, start: float) -> int:
        """One step of the desk's, as time at the allowed rise: where steps are wide, one more may come at once."""
        grid = self.world.compiled.plan.grid if spot.socket is not None else self.world.compiled.plan.whole_grid
        beyond = None if grid is None else grid.beyond(round(100 * start), up=True)
        return 0 if beyond is None else round((beyond / 100 - start) / self.world.stage.rise * SECOND)

    @staticmethod
    def _what(judge: Judge, packet: bytes) -> list[Says]:
        """What a packet says that has arrived; nothing, where what it goes on from was lost."""
        try:
            return judge.read(packet)
        except Strange:
            return []

    def arrived(self, packet: bytes) -> None:
        """Bytes have arrived at the desk."""
        for one in self._what(self._there, packet):
            if one.kind == "level":
                spot = Spot(one.mix, one.socket)
                self.stands[spot] = one.level
                if spot in self._untold & self._over and abs_(one.level, self._moved[spot]) > CLOSE:
                    self._untold.discard(spot)
            elif one.kind == "stored":
                self.stands = {Spot(at.mix, at.socket): self._level(at.level) for at in self.world.desk.levels()}

    def heard(self, packet: bytes) -> None:
        """What the desk says has arrived at the program."""
        for one in self._what(self._in, packet):
            if one.kind == "level":
                spot = Spot(one.mix, one.socket)
                self._read[spot] = self.world.clock.world
                moved = self._moved.get(spot)
                if (
                    spot in self._untold
                    and moved is not None
                    and max(abs_(moved, one.level), abs_(moved, self.stands[spot])) <= CLOSE
                ):
                    now = self.world.clock.world
                    apart = now - max(self._told_at.get(spot, -APART_NS), self._faded_at) >= APART_NS
                    if apart or self.world.compiled.plan.answers.reads:
                        # Of one that cannot be asked, it may as well be what was on its way before the message.
                        self._untold.discard(spot)
                    if apart and now >= self._unwell and self.world.stand_in.inward.due is None:
                        self._hands[spot], self._heard_at[spot] = one.level, now
                self._told[spot] = one.level
                if self.world.clock.world - self._scene_at < GRACE_NS:
                    # It counts as what the scene has brought, whether a hand is on it or not.
                    self._of_scene.add(spot)
                self._paid.pop(spot, None)

    # -- at rest ----------------------------------------------------------------------------------------------

    def looks_until(self) -> int:
        """Until when a desk that can be asked may not have said what a hand has left, by the world's time, ns; 0 where
        it has said everything. It is asked for each of its levels in turn."""
        if not self._untold or not self.world.compiled.plan.answers.reads:
            return 0
        moved = max(self._moved_at[spot] for spot in self._untold)
        well = max(moved, self._unwell, self._lost, 0 if self.world.life is None else self.world.life.began)
        return well + RESTS_NS + len(self.world.stage.ceilings) * PROBE_NS

    def settled(self) -> None:
        """Nothing has happened for long: the desk stands where the night says, but for what hands have left."""
        life = self.world.life
        if life is None or not life.ready or not self._healthy() or self.world.clock.world - life.began < RESTS_NS:
            return
        state = life.daemon.night.state
        if not state.desk_here:
            raise Broken(9, "the desk is there, and counts as gone")
        if state.fade is not None:
            return
        for send, step in enumerate(state.steps):
            spot = self._spot(send)
            if step is None or send in state.left or send in state.touches or spot not in self.stands:
                continue
            if spot in self._untold:
                # The one report of a hand was lost on the way. A desk that cannot be asked never says it again.
                if self.looks_until() and self.world.clock.world >= self.looks_until():
                    raise Broken(2, f"a hand has left {spot} at {self._moved[spot]:.2f} dB, and it is never asked for")
                continue
            if self.stands[spot] < self._level(step) and not self._has_room(spot, self._level(step)):
                # A hand takes the room, or what was told in a second that nobody has kept: it waits for the next press.
                continue
            apart, by_hand = abs_(self.stands[spot], self._level(step)), self._by_hand(spot, self.stands[spot])
            if apart > (NEAR + CLOSE if by_hand else CLOSE):
                raise Broken(
                    2, f"{spot} stands at {self.stands[spot]:.2f} dB, and should be at {self._level(step):.2f}"
                )


def abs_(one: float, other: float) -> float:
    """How far apart two levels are, dB; two that are off are not."""
    return 0.0 if one == other else abs(one - other)
