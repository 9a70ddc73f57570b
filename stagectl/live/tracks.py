"""The track players of the night: over wires, and built in; what they say of themselves; and what goes along with the
track, by clock and time code.

The core decides; what it asks of a player goes out in `tell`, and what it knows of the track is passed on in `look`,
which is called after each event.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

from stagectl.core.effects import Cue, Tells
from stagectl.core.events import Event, PlayerCame, PlayerEnded, PlayerFailed, PlayerSaid, PlayerWent
from stagectl.core.plan import Plan
from stagectl.core.state import Running, State
from stagectl.errors import DeviceError, WireError
from stagectl.live.followed import Followed, FollowLink
from stagectl.live.links import Link, OutLink
from stagectl.live.stem_lengths import StemLengths
from stagectl.show.load import Show
from stagectl.show.tracks import song_tracks, sound_device
from stagectl.story.rows import Row
from stagectl.tracks.follow import Said
from stagectl.tracks.player import WirePlayer

if TYPE_CHECKING:
    from stagectl.live.pulse import Pulse
    from stagectl.live.sound import SoundPlayer

Chore: TypeAlias = tuple[str, Callable[[], Coroutine[Any, Any, None]]]


class Tracks:
    """Every track player. `handle` takes events in the loop's thread, `says` lines for people, `warn` what is wrong."""

    def __init__(
        self,
        show: Show,
        plan: Plan,
        api: str,
        handle: Callable[[Event, int], None],
        says: Callable[[str], None],
        warn: Callable[[str], None],
    ) -> None:
        self._plan, self._tempos = plan, show.tempos
        self._code_at = [song.time_code_at for song in show.setlist.songs]
        self._handle, self._says, self._warn = handle, says, warn
        self._loop = asyncio.get_running_loop()
        self.lost: Callable[[OutLink], None] = lambda link: None
        """Lets go of a link that takes no bytes; whoever watches the ports puts its own way here."""
        self.outs: dict[int, OutLink] = {}
        self._wires: dict[int, WirePlayer] = {}
        self._followed: dict[int, Followed] = {}
        self._sounds: dict[int, SoundPlayer] = {}
        tracks = song_tracks(show.setlist.songs, show.rig, show.tempos, show.folder)
        self.lengths = StemLengths(track for some in tracks.values() for track in some.values())
        for at, model in enumerate(show.rig.players):
            if model.end is not None:
                self.outs[at] = OutLink(model.name, model.end)
                self._wires[at] = WirePlayer(model)
                if model.follow is not None:
                    self._followed[at] = Followed(model, partial(self._said, at), warn)
            elif model.sound is not None:
                from stagectl.live.sound import SoundHeard, SoundPlayer

                heard = SoundHeard(
                    changed=partial(self._sound_is, at),
                    said=partial(self._sound_said, at),
                    ended=partial(self._ended, at),
                    ready=partial(self._ready, at),
                    failed=partial(self._failed, at),
                    unready=partial(self._unready, at),
                    trouble=partial(self._trouble, model.name),
                )
                self._sounds[at] = SoundPlayer(sound_device(model.sound), tracks.get(at, {}), heard)
        driven = [one for one in show.rig.devices if one.clock or one.time_code is not None]
        self._pulse: Pulse | None = None
        if driven:
            from stagectl.live.pulse import Pulse, PulseOut

            outputs = [
                PulseOut(name=one.name, port=one.port or "", clock=one.clock, time_code=one.time_code) for one in driven
            ]
            self._pulse = Pulse(outputs, api, self._pulse_is, warn)
        self._here: set[int] = set()
        self._told: set[tuple[int, str]] = set()
        self._track: Running | None = None
        self._song: int | None = None

    @property
    def links(self) -> list[OutLink | FollowLink]:
        """The ports that are to be watched."""
        return [*self.outs.values(), *(one.link for one in self._followed.values())]

    @property
    def missing(self) -> list[str]:
        """The built-in players that are not here yet."""
        return [self._plan.players[at].name for at, sound in self._sounds.items() if not sound.here]

    @property
    def chores(self) -> list[Chore]:
        """What has to go on all night."""
        found: list[Chore] = [("playing tracks", sound.forever) for sound in self._sounds.values()]
        if self._pulse is not None:
            found.append(("sending the clock", self._pulse.forever))
        return [*found, ("looking at the stems", self.lengths.look)]

    # -- what comes and goes ------------------------------------------------------------------------------

    def link_changed(self, link: Link, here: bool) -> bool:
        """A port came or went; whether it is one of a track player."""
        now = time.monotonic_ns()
        for at, out in self.outs.items():
            if link is out:
                self._handle(PlayerCame(player=at) if here else PlayerWent(player=at), now)
                return True
        for followed in self._followed.values():
            if link is followed.link:
                followed.gone()
                self._says(f"{link.name} is {'heard' if here else 'heard no more'}")
                return True
        return False

    def _sound_is(self, at: int, here: bool, sentence: str) -> None:
        name, was_here = self._plan.players[at].name, at in self._here
        if here:
            self._here.add(at)
            self._handle(PlayerCame(player=at), time.monotonic_ns())
            self._says(f"  {name}: {sentence}")
            self._prepare()
            return
        self._here.discard(at)
        if was_here:
            self._handle(PlayerWent(player=at), time.monotonic_ns())
        self._warn(f"{name}: {sentence}")

    def _pulse_is(self, name: str, here: bool) -> None:
        self._says(f"{name}: its clock is {'sent' if here else 'sent no more, its port is gone'}")

    # -- what players say ---------------------------------------------------------------------------------

    def _said(self, at: int, said: Said) -> None:
        now = time.monotonic_ns()
        if not said.heard:
            # It stands, wherever it got to meanwhile.
            track = self._track
            position = 0 if track is None or track.player != at else track.position(said.at)
        else:
            position = said.position + (now - said.at if said.runs else 0)
        self._handle(PlayerSaid(player=at, position=position, runs=said.runs), now)

    def _sound_said(self, at: int, position: int, when: int, runs: bool) -> None:
        # While its track is taken to run, it stands only because it has ended, or went away: each says so itself.
        if runs or self._track is None or self._track.player != at or self._track.paused is not None:
            self._said(at, Said(position, when, runs))

    def _ended(self, at: int, song: int) -> None:
        self._handle(PlayerEnded(player=at, song=song), time.monotonic_ns())

    def _ready(self, at: int, song: int, length: int) -> None:
        self.lengths.learn(song, length)
        first = self._plan.first_of(song)
        self._told = {one for one in self._told if one[0] != song}
        if first is not None:
            self._says(f"  {self._plan.players[at].name}: {self._plan.song_name(first)} is ready to play")

    def _failed(self, at: int, song: int, sentence: str) -> None:
        self._unready(at, song, sentence)
        self._handle(PlayerFailed(player=at, song=song), time.monotonic_ns())

    def _unready(self, at: int, song: int, sentence: str) -> None:
        """Once for each song, and not again when it is to start."""
        first = self._plan.first_of(song)
        if (song, sentence) not in self._told and first is not None:
            self._told.add((song, sentence))
            self._trouble(self._plan.players[at].name, f"{self._plan.song_name(first)}: {sentence}")

    def _trouble(self, name: str, sentence: str) -> None:
        self._warn(f"{name}: {sentence}")

    # -- what they are told -------------------------------------------------------------------------------

    def tell(self, cue: Cue) -> None:
        """Tell a player what the core asks for."""
        at = cue.player
        if at in self._sounds:
            self._tell_sound(self._sounds[at], cue)
            return
        link = self.outs[at]
        try:
            for packet in self._wires[at].packets(cue, self._tempos.get(cue.song), self._code_at[cue.song]):
                link.send(packet)
        except (DeviceError, WireError) as error:
            self._warn(f"{link.name}: {error}")
            if isinstance(error, DeviceError):
                self.lost(link)
                self._soon(PlayerWent(player=at))
            if cue.starts:
                self._soon(PlayerFailed(player=at, song=cue.song))
            return
        if at in self._followed:
            self._followed[at].was_told(self._tempos.get(cue.song), starts=cue.starts)

    def _soon(self, event: Event) -> None:
        """An event of its own, when the present one is done with."""
        self._loop.call_soon(self._handle, event, time.monotonic_ns())

    @staticmethod
    def _tell_sound(sound: SoundPlayer, cue: Cue) -> None:
        if cue.starts:
            sound.start(cue.song, cue.position)
        elif cue.tells is Tells.PAUSE:
            sound.pause()
        else:
            sound.stop()

    def look(self, state: State) -> None:
        """What the state has become is passed on: which songs may be needed next, and where the track is."""
        song = self._plan.stops[state.place.stop].song
        if song != self._song:
            self._song = song
            for followed in self._followed.values():
                followed.is_in(self._tempos.get(song), self._code_at[song] if song >= 0 else 0)
            self._prepare()
        if self._pulse is not None and state.track is not self._track:
            self._follow(self._pulse, self._track, state.track)
        self._track = state.track

    def _prepare(self) -> None:
        song = -1 if self._song is None else self._song
        for sound in self._sounds.values():
            # By need: a foot takes the songs one by one, and one that went too far goes back.
            sound.prepare([song, song + 1, song - 1, song + 2])

    def _follow(self, pulse: Pulse, was: Running | None, track: Running | None) -> None:
        """Have the clock go along."""
        ran = was is not None and was.paused is None
        if track is None or track.paused is not None:
            if ran:
                pulse.halt()
        elif was is None or not ran or (was.song, was.since) != (track.song, track.since):
            pulse.run(self._tempos.get(track.song), track.zero, track.since - track.zero, self._code_at[track.song])
        elif was.zero != track.zero:
            pulse.moved(track.zero)

    def counts(self, at: int) -> list[Row]:
        """Rows for everything that was counted since the last time. `at`: ns since the night began."""
        return [row for followed in self._followed.values() for row in followed.counts(at)]

    def close(self) -> None:
        """Everything falls silent, and ends."""
        for sound in self._sounds.values():
            sound.close()
        for followed in self._followed.values():
            followed.close()
        if self._pulse is not None:
            self._pulse.close()
