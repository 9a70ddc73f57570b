"""`stagectl run`: everything joined, in the foreground, until it is told to stop."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.events import Event, LampsCame, LampsWent
from stagectl.errors import DeviceError
from stagectl.live.clock import ClockWatch
from stagectl.live.desk import DeskSide
from stagectl.live.edited import Edited
from stagectl.live.followed import FollowLink
from stagectl.live.going import Going
from stagectl.live.hearing import Hearing
from stagectl.live.links import KeyboardLink, LampLink, Link, OutLink, PedalLink, VoiceLink, lamp_links
from stagectl.live.loop import set_by_signals
from stagectl.live.night import Night, Outs
from stagectl.live.notify import Notify
from stagectl.live.osc_ports import OscPorts
from stagectl.live.page_keys import KeptKeys
from stagectl.live.printer import Printer
from stagectl.live.record import DeskClaim, desk_claim, record
from stagectl.live.sweep import Sweep
from stagectl.live.timetable import night_jobs
from stagectl.live.tracks import Tracks
from stagectl.live.watch import Watch
from stagectl.live.whole_mixes import WholeMixes
from stagectl.service.ahead import go_ahead
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.show.reminders import stepped_text
from stagectl.story.rows import Row, stop_names
from stagectl.story.words import lines, place, resumed

if TYPE_CHECKING:
    from stagectl.live.page import NightPage, Served
    from stagectl.ports.midi import MidiSystem

ANSWER_S: Final = 0.5
"""Seconds that a desk has for its first answer before everything is said to be ready."""

OPENS_S: Final = 1.5
"""Seconds that the sound devices have to be opened before everything is said to be ready."""

LOOK_S: Final = 0.02

COUNT_S: Final = 1.0
"""Seconds between two times that what was counted is recorded."""


async def run(
    show: Show,
    compiled: Compiled,
    venue: str | None,
    api: str,
    journal: Path | None,
    *,
    fresh: bool = False,
    page: Served | None = None,
    early: MidiSystem | None = None,
) -> None:
    """Play the night until SIGINT or SIGTERM; one that was broken off is taken up again, unless `fresh`.
    `page`: where its stage page is served. `early`: the MIDI system, where it was reached before; it is closed here.
    Raises DeviceError where it cannot even begin, JournalError where another process plays it."""
    with ExitStack() as ends, ExitStack() as not_begun:
        if early is not None:
            not_begun.callback(early.close)
        claim = desk_claim(show)
        ends.callback(claim.give_up)
        daemon = _Daemon(show, compiled, venue, api, journal, fresh, page, claim, early)
        not_begun.pop_all()
        await daemon.play()


class _Daemon:
    def __init__(
        self,
        show: Show,
        compiled: Compiled,
        venue: str | None,
        api: str,
        journal: Path | None,
        fresh: bool,
        page: Served | None,
        claim: DeskClaim,
        early: MidiSystem | None = None,
    ) -> None:
        self.show = show
        self.claim = claim
        self._claim_trouble: str | None = None
        self.venue = venue
        self.printer = Printer()
        self.page: NightPage | None = None
        record_ = record(
            show, compiled.plan, venue, journal, fresh=fresh, tell=self._journal_is, warn=self.printer.warn
        )
        self.zero, self.journal, self.taken_up = record_.zero, record_.recorder, record_.taken_up
        self.keys = KeptKeys(self.journal.path)
        self.side = DeskSide(show, self._event, self.printer.warn)
        self.desk = self.side.link
        self.desk.claim = claim.found_at
        outs = Outs(self.desk, [OutLink(model.name, model) for model in show.rig.devices])
        self.tracks = Tracks(show, compiled.plan, api, self._event, self._say, self._warn)
        outs.cue = self.tracks.tell
        self.night = Night(show, compiled, self.journal, self.printer, outs, self.side.talk, self.zero, record_.state)
        self.side.asked = lambda send: self.night.state.asked[send]
        self.going = Going(show, compiled.plan)
        self.tracks.lengths.tellers.append(self.going.know)
        if self.taken_up is not None:
            self.going.take_up(self.taken_up.state, self.zero, self.journal.path)
        self.whole_mixes = WholeMixes(compiled.plan, self._warn, show.rig)
        self.night.watchers += [self.tracks.look, self.going.look, self.whole_mixes.look]
        self.jobs = night_jobs(
            show,
            compiled.plan,
            venue,
            journal=self.journal.path,
            state=lambda: self.night.state,
            remind=self._remind,
            trouble=self.printer.warn,
            to_go=lambda: self.going.to_go(self.night.state, time.monotonic_ns()),
        )
        self.clock = ClockWatch(self._stepped)
        self.sweep = Sweep(lambda: self.night.state)
        self.edited = Edited(show.files, self._say)
        self.hearing = Hearing(show, self.night.handle, self.printer.warn)
        self.osc_ports = OscPorts(self.hearing, [one.name for one in show.rig.pedals], self._event, self._warn)
        self.pedals = {pedal.name: at for at, pedal in enumerate(show.rig.pedals)}
        self.links: list[PedalLink | KeyboardLink | OutLink] = []
        for at, pedal in enumerate(show.rig.pedals):
            if pedal.port is not None:
                self.links.append(PedalLink(pedal.name, pedal.port, self.hearing.put_from(at)))
            elif pedal.keyboard is not None:
                heard = self.hearing.heard_keys(at, self._keyboard_gone)
                self.links.append(KeyboardLink(pedal.name, pedal.keyboard, heard))
        self.lamps = outs.lamps = lamp_links(show, self.links)
        self.links += [*outs.all, *self.tracks.links]
        if self.side.voice is not None:
            self.links.append(self.side.voice)
        self.notify = Notify(lambda: place(*stop_names(compiled.plan, self.night.state.place.stop)))
        self.watch = Watch(self.links, api, self._changed, self.printer.warn, early)
        outs.lost = self.tracks.lost = self.watch.lost
        if page is not None:
            self.page = self._page(compiled, page)

    def _page(self, compiled: Compiled, served: Served) -> NightPage:
        """The stage page, which then looks at every state and hears what people are told."""
        from stagectl.live.page import Around, Connections, NightPage, set_clock

        connections = Connections(
            list(self.pedals),
            self.links,
            lambda: self.side.waits and self.desk.here,
            lambda: self.journal.trouble,
        )
        around = Around(
            state=lambda: self.night.state,
            handle=self._event,
            clock=lambda state, now: set_clock(self.going, state, now, self.jobs.curfew_ms),
            known=connections.known,
            say=self.printer.say,
            warn=self._warn,
            zero=self.zero,
        )
        open_ = served.opened(self.show.setlist.title, self.keys.keys(self._warn))
        page = NightPage(self.show, compiled, self.venue, open_, around)
        self.tracks.lengths.tellers.append(page.know)
        self.night.watchers.append(page.look)
        self.night.tellers.append(page.told)
        return page

    def _event(self, event: Event, at: int) -> None:
        self.night.handle(event, at)

    def _remind(self, sentence: str) -> None:
        """A reminder is told, and kept."""
        row = Row(time.monotonic_ns() - self.zero, "reminder", what=sentence)
        self.journal.write([row], time.time_ns() // 1000)
        self.printer.say(lines([row]))
        self._show([row])

    def _show(self, rows: Sequence[Row]) -> None:
        """What did not come from the core is shown, too."""
        if self.page is not None:
            self.page.told(rows)

    def _stepped(self, by_s: float) -> None:
        """The clock on the wall was set."""
        self._remind(stepped_text(by_s))
        self.jobs.stepped(by_s)

    def _warn(self, sentence: str) -> None:
        """What is wrong is told, and kept."""
        self.printer.warn(sentence)
        self._keep_trouble(sentence)

    def _keep_trouble(self, sentence: str) -> None:
        row = Row(time.monotonic_ns() - self.zero, "trouble", what=sentence)
        self.journal.write([row], time.time_ns() // 1000)
        self._show([row])

    def _say(self, line: str) -> None:
        self.printer.say([line])

    # -- the journal --------------------------------------------------------------------------------------

    def _go_on(self) -> str | None:
        """What was connected when the night was broken off has gone since. Says where it goes on."""
        taken = self.taken_up
        if taken is None:
            return None
        # What was connected went then, by both clocks; from the row on they belong together anew.
        self.journal.back_at(taken.wall_us)
        for event in taken.goes:
            self.night.handle(event, self.zero + taken.at, quietly=True)
        self.journal.back_at(None)
        row, *edits = taken.rows(time.monotonic_ns())
        self.journal.write([row, *edits], time.time_ns() // 1000)
        self.printer.say(lines(taken.edits))
        for line in taken.warnings():
            self._warn(line)
        return resumed(row)

    def _journal_is(self, trouble: str | None) -> None:
        """Told by the recorder's thread."""
        self.printer.warn(trouble or "the journal is written again")

    async def _again_and_again(self, name: str, chore: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Keep a chore going until it is done: whatever it stumbles over is said, and never ends the night."""
        while True:
            try:
                await chore()
                return
            except Exception as error:  # noqa: BLE001 - a fault in one part stops no other
                self.printer.warn(f"{name}: {type(error).__name__}: {error}; it is begun again")
                await asyncio.sleep(COUNT_S)

    async def _keep_counting(self) -> None:
        while True:
            await asyncio.sleep(COUNT_S)
            self._write_counts()
            self._keep_claim()
            for trouble in self.hearing.troubles(time.monotonic_ns()):
                self._warn(trouble)

    def _keyboard_gone(self, pedal: int) -> None:
        """A keyboard-type pedal's device says no more."""
        name = self.show.rig.pedals[pedal].name
        for link in self.links:
            if link.name == name and isinstance(link, KeyboardLink):
                self.watch.lost(link)
                self._changed(link, False)

    def _write_counts(self) -> None:
        """What was counted instead of recorded, where it has changed."""
        at = time.monotonic_ns() - self.zero
        counts = [*self.hearing.counts(at), *self.side.counts(at), *self.tracks.counts(at)]
        self.journal.write(counts, time.time_ns() // 1000)
        self.journal.go()

    def _keep_claim(self) -> None:
        """What the desk is claimed by may have been taken away."""
        trouble = self.claim.again()
        if trouble is not None and trouble != self._claim_trouble:
            self._warn(trouble)
        self._claim_trouble = trouble

    # -- what comes and goes ------------------------------------------------------------------------------

    def _changed(self, link: Link, here: bool) -> None:
        if isinstance(link, VoiceLink):
            self.printer.say([f"the desk is {'heard' if here else 'heard no more'}"])
            return
        if isinstance(link, FollowLink):
            self.tracks.link_changed(link, here)
        elif isinstance(link, PedalLink | KeyboardLink):
            self.hearing.port_changed(self.pedals[link.name], here)
        elif isinstance(link, LampLink):
            pedal = self.lamps.index(link)
            self.night.handle(LampsCame(pedal=pedal) if here else LampsWent(pedal=pedal), time.monotonic_ns())
            self.printer.say([f"{link.name} are {f'at `{link.port_name}`' if here else 'gone'}"])
            return
        elif link is self.desk:
            self.side.link_changed(here)
        elif not self.tracks.link_changed(link, here):
            self.printer.say([f"{link.name} is {'here' if here else 'gone'}"])
        if here and link.is_midi:
            self.printer.say([f"  {link.name} is at `{link.port_name}`"])

    # -- the night ----------------------------------------------------------------------------------------

    async def play(self) -> None:
        stop = asyncio.Event()
        goes_on = self._go_on()
        set_by_signals(stop)
        tasks: list[asyncio.Future[None]] = []
        try:
            await self.osc_ports.begin()
            # From here on it is seen that the clock is set: what is planned now goes by it.
            self.clock.look()
            # What loads a library comes before anything is heard: meanwhile nothing is.
            self.printer.say(self.jobs.begin())
            # Sound devices take the longest to open, and so come first.
            tasks = [asyncio.ensure_future(self._again_and_again(name, chore)) for name, chore in self.tracks.chores]
            await self.watch.look()
            # Meanwhile the desk is read, and asked on.
            tasks.append(asyncio.ensure_future(self._again_and_again("hearing the desk", self.side.forever)))
            await self._for_tracks()
            if self.side.waits and self.desk.here:
                with suppress(TimeoutError):
                    await asyncio.wait_for(self.side.answering.wait(), ANSWER_S)
            await self._for_whole_mixes()
            self.sweep.begin()
            go_ahead()
            self.edited.begin()
            self.printer.begin(self._ready(goes_on))
            self.notify.ready()
            chores = (
                ("watching the ports", self.watch.forever),
                ("opening OSC ports", self.osc_ports.forever),
                ("counting", self._keep_counting),
                ("watching the clock", self.clock.forever),
                ("collecting garbage", self.sweep.forever),
            )
            more = (*(() if self.page is None else self.page.chores), *self.notify.chores)
            tasks += [asyncio.ensure_future(self._again_and_again(name, chore)) for name, chore in (*chores, *more)]
            await stop.wait()
        finally:
            self.edited.end()
            self.sweep.end()
            self.notify.close()
            self.tracks.close()
            if self.page is not None:
                self.page.close()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await self.jobs.close()
            self.osc_ports.close()
            self.hearing.close()
            self.side.close()
            self.watch.drop()
            self.night.end()
            self._write_counts()
            if stop.is_set():
                # A night that could not be begun is not over.
                ends = [Row(time.monotonic_ns() - self.zero, "end")]
                self.journal.write(ends, time.time_ns() // 1000)
                self.printer.say(lines(ends))
                self.keys.forget()
            self.journal.close()
            unwritten = self.journal.unwritten
            if stop.is_set() and not unwritten:
                self.printer.say(["`stagectl log` tells it"])
            self.printer.close()
            # The last of all: whatever a driver does while it lets go, the night is kept and told.
            self.watch.close()
        if unwritten:
            why = self.journal.trouble or "the disk takes too long"
            raise DeviceError(f"{unwritten} lines of the night are not in the journal: {why}")

    async def _for_tracks(self) -> None:
        """Wait for the sound devices, but not for long."""
        limit = time.monotonic() + OPENS_S
        while self.tracks.missing and time.monotonic() < limit:
            await asyncio.sleep(LOOK_S)

    async def _for_whole_mixes(self) -> None:
        """Wait until the desk is read, but not for long: what is off there is said with the rest."""
        limit = time.monotonic() + ANSWER_S
        while self.whole_mixes.can_read and self.side.answering.is_set() and time.monotonic() < limit:
            if self.night.state.desk_here:
                return
            await asyncio.sleep(LOOK_S)

    def _ready(self, goes_on: str | None) -> str:
        where = f", {self.venue}" if self.venue else ""
        where += "" if goes_on is None else f"; {goes_on}"
        away = [link for link in self.links if not (link.here or isinstance(link, VoiceLink))]
        missing = [*map(self.watch.waited_for, away), *self.osc_ports.missing, *self.tracks.missing]
        if self.side.waits and self.desk.here:
            missing.append(f"the desk at `{self.desk.wants}` to answer")
        waits = f"; waiting for {', '.join(missing)}" if missing else "; everything is here"
        if any(link.is_midi and not link.here for link in self.links):
            waits += "; `stagectl ports` lists what there is"
        off = self.whole_mixes.begin(self.night.state)
        if off is not None:
            self._keep_trouble(off)
            waits += f"; {off}"
        return f"ready: {self.show.setlist.title}{where}{waits}"
