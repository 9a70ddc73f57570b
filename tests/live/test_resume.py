"""Which night is played: one that was broken off is taken up again where it was, and nothing else is."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from nights import ROOT

import stagectl
from stagectl.core.events import DeskCame, DeskSaid, DeskWent, Event, Moved, PedalCame, PedalWent
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.errors import DeviceError, JournalError, NightInUse
from stagectl.journal.claim import holder_of
from stagectl.journal.paths import nights
from stagectl.journal.read import files, open_read
from stagectl.journal.record import Recorder
from stagectl.journal.schema import Night as Head
from stagectl.journal.schema import packed
from stagectl.journal.spool import bring_home, lived_until
from stagectl.live import record as recording
from stagectl.live.broken_off import BrokenOff, broken_off, goes_on
from stagectl.live.going import Going
from stagectl.live.record import Record, desk_claim, record, venue_again
from stagectl.live.resume import AGREE_NS, is_as_kept, zero_again
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.files import Files
from stagectl.show.load import Show, load_show
from stagectl.show.sent_to import ports_sent_to
from stagectl.story.heard import heard
from stagectl.story.rows import Row, Teller
from stagectl.story.words import lines, resumed

MORE, LESS, HUSH = "more", "less", "hush"
WARNED: list[str] = []


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: tmp_path / "spare")
    # Another test may claim a desk of the same name at the same time.
    monkeypatch.setattr(recording, "running", lambda: tmp_path / "running")
    WARNED.clear()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT / "setlists" / "three-songs", tmp_path / "show"))


def loaded(folder: Path) -> tuple[Show, Compiled]:
    show = load_show(folder)
    return show, compile_show(show)


def begun(folder: Path, path: Path | None = None, *, venue: str | None = None, fresh: bool = False) -> Record:
    show, compiled = loaded(folder)
    return record(show, compiled.plan, venue, path, fresh=fresh, tell=lambda _: None, warn=WARNED.append)


class Player:
    """Plays a record as the daemon does, on a clock of its own."""

    def __init__(self, folder: Path, of: Record) -> None:
        self.plan: Plan = loaded(folder)[1].plan
        self.of = of
        self.state: State = begin(self.plan, of.zero) if of.state is None else of.state
        self.at = of.zero if of.taken_up is None else self.state.now
        self._teller = Teller(self.plan, of.zero)
        for event in () if of.taken_up is None else of.taken_up.goes:
            self.happens(event, 0)

    def happens(self, event: Event, after: int = 10**9) -> None:
        self.at += after
        self.state, effects = step(self.plan, self.state, event, self.at)
        self.of.recorder.write(
            self._teller.rows(effects), time.time_ns() // 1000, heard(event, self.state.now - self.of.zero)
        )

    def press(self, *controls: str) -> None:
        for name in controls:
            [(at, top)] = [(at, one.top) for at, one in enumerate(self.plan.pedals[0].controls) if one.name == name]
            for value in (top, 0):
                self.happens(Moved(pedal=0, control=at, value=value))

    def killed(self) -> State:
        """The process is gone; what was on its way was written by the one that came next."""
        drop(self.of.recorder)
        return self.state

    def ends(self) -> None:
        self.of.recorder.write([Row(self.at - self.of.zero, "end")], time.time_ns() // 1000)
        self.of.recorder.close()


def drop(recorder: Recorder) -> None:
    recorder.go()
    recorder.close()


def playing(folder: Path, of: Record) -> Player:
    player = Player(folder, of)
    player.happens(PedalCame(pedal=0))
    player.happens(DeskCame())
    return player


def test_a_night_that_was_broken_off_goes_on_at_the_same_place_with_the_same_wishes(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on", MORE, MORE, "on", HUSH, LESS)
    was = player.killed()
    path = player.of.recorder.path
    again = begun(folder)
    assert again.recorder.path == path
    taken = again.taken_up
    assert taken is not None and taken.warnings() == ["still hushed: fiddler"]
    assert was.place.stop == 2 and was.nudges and was.hushed
    assert taken.state.wishes == was.wishes
    assert (taken.state.wanted, taken.state.steps, taken.state.asked) == (was.wanted, was.steps, was.asked)
    assert {*taken.goes} == {PedalWent(pedal=0), DeskWent(broken_off=True)}
    assert "taken up again after 0 s, at Seven Gates" in resumed(taken.row(time.monotonic_ns()))
    on = playing(folder, again)
    assert on.state.wishes == was.wishes and on.state.wanted == was.wanted
    on.press("on")
    on.ends()
    # After a clean end another night begins.
    new = begun(folder)
    assert new.taken_up is None and new.recorder.path != path
    drop(new.recorder)


def going_on(folder: Path, of: Record) -> tuple[Going, State]:
    """How far the set has got, as the daemon follows it from where the night is taken up."""
    show, compiled = loaded(folder)
    going = Going(show, compiled.plan)
    assert of.taken_up is not None
    going.take_up(of.taken_up.state, of.zero, of.recorder.path)
    return going, of.taken_up.state


def test_who_was_hushed_is_said_and_what_a_new_night_is_not_begun_with(folder: Path) -> None:
    setlist = (folder / "setlist.yaml").resolve()
    assert goes_on(setlist, None, time.time_ns() // 1000) is None
    player = playing(folder, begun(folder))
    player.press("on", HUSH)
    says = goes_on(setlist, None, time.time_ns() // 1000)
    assert says is not None and says.startswith("this night is being played by process")
    player.killed()
    says = goes_on(setlist, None, time.time_ns() // 1000)
    assert says is not None and re.match(r"`run` takes up the night of \d\d:\d\d again, broken off 0 s ago, and", says)
    again = begun(folder)
    assert again.taken_up is not None and again.taken_up.warnings() == ["still hushed: fiddler"]
    drop(again.recorder)


def test_a_song_goes_on_from_where_it_was_when_the_night_was_broken_off(folder: Path) -> None:
    """By what a night that was never broken off says at the same time."""
    show, compiled = loaded(folder)
    player, never = playing(folder, begun(folder)), Going(show, compiled.plan)
    before_it = Going(show, compiled.plan)
    happens = player.happens

    def watched(event: Event, after: int = 10**9) -> None:
        happens(event, after)
        never.look(player.state)

    player.happens = watched  # type: ignore[method-assign]
    player.press("on", MORE, "on", MORE, LESS, "on", MORE, MORE)
    # An arrival at another section of the song, and a nudge, are no beginning.
    path = player.of.recorder.path
    was = player.killed()
    again = begun(folder)
    going, state = going_on(folder, again)
    # The test's clock is ahead of the computer's, so that the night's zero is another.
    since, away = again.zero - player.of.zero, 40 * 10**9
    assert state.now == was.now + since
    before_it.look(state)
    to_go = never.to_go(was, was.now + away)
    assert to_go is not None and to_go != before_it.to_go(state, state.now + away)
    assert never.began is not None and going.began == never.began + since
    assert going.to_go(state, state.now + away) == to_go
    # And where the journal cannot tell, from then on.
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM story WHERE kind = 'arrival'")
    assert going_on(folder, again)[0].began == state.now
    drop(again.recorder)


def test_before_the_first_song_nothing_is_counted(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.killed()
    again = begun(folder)
    assert going_on(folder, again)[0].began is None
    drop(again.recorder)


def test_a_show_in_a_folder_whose_name_is_no_text_is_taken_up_too(tmp_path: Path) -> None:
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))
    try:
        shutil.copytree(ROOT / "setlists" / "three-songs", folder)
    except OSError:
        pytest.skip("this file system takes UTF-8 alone")
    player = playing(folder, begun(folder))
    player.press("on", MORE)
    was = player.killed()
    again = begun(folder)
    assert again.recorder.path == player.of.recorder.path and not WARNED
    assert again.taken_up is not None and again.taken_up.state.wishes == was.wishes
    drop(again.recorder)


def test_killed_again_and_again(folder: Path) -> None:
    player = playing(folder, begun(folder))
    for press in ("on", MORE, LESS, "on", MORE, HUSH, "back"):
        player.press(press)
        was = player.killed()
        player = playing(folder, begun(folder))
        assert player.of.taken_up is not None
        assert player.state.wishes == was.wishes
    drop(player.of.recorder)
    assert len([*nights().iterdir()]) == 1


def test_a_fresh_one_can_be_asked_for(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    new = begun(folder, fresh=True)
    assert new.taken_up is None and new.recorder.path != player.of.recorder.path
    drop(new.recorder)


ROOMS = """
venues:
  The Old Sluice:
    singer: {fiddle: up 1}
  The Tin Chapel: {}
"""


def test_another_setlist_is_another_night(folder: Path, tmp_path: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    another = begun(other)
    assert another.taken_up is None
    drop(another.recorder)


def at_the_sluice(folder: Path, path: Path | None = None) -> Path:
    """A night that was broken off at The Old Sluice; the journal of it."""
    with (folder / "setlist.yaml").open("a") as file:
        file.write(ROOMS)
    player = playing(folder, begun(folder, path, venue="The Old Sluice"))
    player.press("on")
    player.killed()
    return player.of.recorder.path


def test_a_night_that_was_broken_off_elsewhere_is_not_lost(folder: Path) -> None:
    path = at_the_sluice(folder)
    says = r"was broken off at The Old Sluice: `--venue \"The Old Sluice\"` goes on with it, `--fresh` begins a new one"
    for venue in (None, "The Tin Chapel"):
        with pytest.raises(JournalError, match=says):
            begun(folder, venue=venue)
    assert [*nights().glob("*.night")] == [path]
    # Where none is named, it is the night's own.
    show, _ = loaded(folder)
    assert venue_again(show, None) == "The Old Sluice"
    again = begun(folder, venue="The Old Sluice")
    assert again.taken_up is not None and again.recorder.path == path
    with pytest.raises(NightInUse):
        venue_again(show, None)
    drop(again.recorder)
    new = begun(folder, venue="The Tin Chapel", fresh=True)
    assert new.taken_up is None
    drop(new.recorder)


@pytest.mark.parametrize(
    "name", ["The Old Sluice", 'Café "Zum Anker"', "Moby's Cellar", "50 $HOME", "`id`", "a\\b", "Hey!"]
)
def test_the_venue_to_go_on_at_can_be_typed_as_it_is_said(folder: Path, name: str) -> None:
    """By a POSIX shell: `sh` prints the word that it was given."""
    path = folder / "setlist.yaml"
    path.write_text(f"{path.read_text()}\nvenues: {json.dumps({name: {}})}\n")
    player = playing(folder, begun(folder, venue=name))
    player.press("on")
    player.killed()
    with pytest.raises(JournalError) as refused:
        begun(folder)
    found = re.search(r": `--venue (.*)` goes on with it", str(refused.value))
    assert found is not None
    said = subprocess.run(["sh", "-c", f"printf %s {found[1]}"], capture_output=True, text=True, check=True)
    assert said.stdout == name


def test_a_night_at_no_venue_goes_on_at_none(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    with pytest.raises(JournalError, match=r"at no venue: without `--venue` goes on with it, `--fresh` begins"):
        begun(folder, venue="The Tin Chapel")
    assert venue_again(loaded(folder)[0], None) is None


def test_files_that_were_read_in_another_order_have_not_changed(folder: Path) -> None:
    """What opens ports early reads the mappings first; whoever looks for the venue of a broken night reads anew."""
    files = Files()
    ports_sent_to(folder, files)
    early, now = load_show(folder, files), load_show(folder)
    assert early.files == now.files and [*early.files] != [*now.files]
    compiled = compile_show(early)
    of = record(early, compiled.plan, None, None, fresh=False, tell=lambda _: None, warn=WARNED.append)
    player = playing(folder, of)
    player.press("on")
    player.killed()
    again = begun(folder)
    assert again.taken_up is not None and not again.taken_up.changed and not again.taken_up.warnings()
    drop(again.recorder)


def test_files_that_were_edited_have_changed_whatever_their_order(folder: Path) -> None:
    kept = load_show(folder).files
    first, second = [*kept][1:3]
    swapped = {**kept, first: kept[second], second: kept[first]}
    assert is_as_kept(load_show(folder), {0: swapped, 1: dict(kept)})
    assert not is_as_kept(load_show(folder), {0: dict(kept), 1: swapped})
    assert not is_as_kept(load_show(folder), {0: dict(kept), 1: dict([*kept.items()][:-1])})


def test_a_journal_that_was_asked_for_has_its_venue_too(folder: Path, tmp_path: Path) -> None:
    path = at_the_sluice(folder, tmp_path / "mine.night")
    assert venue_again(loaded(folder)[0], path) == "The Old Sluice"
    with pytest.raises(JournalError, match=r"goes on with it, another `--journal` begins a new one"):
        begun(folder, path)


def test_a_venue_that_is_gone_is_said(folder: Path) -> None:
    at_the_sluice(folder)
    setlist = folder / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("The Old Sluice", "The New Sluice"))
    with pytest.raises(JournalError, match="which the setlist does not have; did you mean `The New Sluice`"):
        venue_again(loaded(folder)[0], None)


def test_an_old_night_elsewhere_keeps_nobody_from_playing(folder: Path) -> None:
    path = at_the_sluice(folder)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE story SET wall = wall - 3 * 3600 * 1000000")
    assert venue_again(loaded(folder)[0], None) is None
    new = begun(folder, venue="The Tin Chapel")
    assert new.taken_up is None and "a new one is begun" in WARNED[0]
    drop(new.recorder)


def test_a_journal_that_was_mistyped_begins_nothing_silently(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "tour" / "sluice.night"
    path.parent.mkdir()
    player = playing(folder, begun(folder, path))
    assert [f"a new night is begun in {path}"] == WARNED
    player.killed()
    WARNED.clear()
    drop(begun(folder, path).recorder)
    assert not WARNED
    wrong = tmp_path / "tour" / "sluice" / "sluise.night"
    with pytest.raises(JournalError, match=f"there is no folder {wrong.parent} for .*did you mean `{path}`"):
        begun(folder, wrong)
    assert not wrong.parent.exists()


def test_a_night_of_yesterday_is_not_taken_up_and_it_says_so(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    with closing(sqlite3.connect(player.of.recorder.path)) as connection, connection:
        connection.execute("UPDATE story SET wall = wall - 3 * 3600 * 1000000")
    new = begun(folder)
    assert new.taken_up is None
    assert "has no end, but is 2 h 59 min" in WARNED[0] and WARNED[0].endswith("old: a new one is begun")
    drop(new.recorder)


def test_a_desk_that_only_answered_for_hours_was_a_night_all_the_same(folder: Path) -> None:
    """What comes in without a row counts as life, and the time without rows is no outage."""
    player = playing(folder, begun(folder))
    player.press("on")
    with closing(sqlite3.connect(player.of.recorder.path)) as connection, connection:
        connection.execute("PRAGMA wal_checkpoint")
    player.happens(DeskSaid(send=0, level=-300), 3 * 3_600 * 10**9)
    player.killed()
    with closing(sqlite3.connect(player.of.recorder.path)) as connection, connection:
        connection.execute("UPDATE story SET wall = wall - 3 * 3600 * 1000000")
    again = begun(folder)
    taken = again.taken_up
    assert taken is not None and taken.away < 60 * 10**9
    assert taken.state.place.stop == 1
    drop(again.recorder)


LIVES = """
import json, os, sys, time
from pathlib import Path
from stagectl.journal import record
from stagectl.live.record import record as begun
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.rows import Row

record.SYNC_S = 0.0
show = load_show(Path(sys.argv[1]))
night = begun(show, compile_show(show).plan, None, None, fresh=False, tell=print, warn=print).recorder
wall = time.time_ns() // 1000 - 3 * 3_600 * 10**6
night.write([Row(10**9, "arrival", song="Seven Gates")], wall)
lives = []
spool = night._spool
spool.live = lambda was=spool.live: (was(), lives.append(1))
os.utime(spool._claim.file, (0, 0))
while not lives:
    pass
print(night.path, flush=True)
os.kill(os.getpid(), 9)
"""


def test_a_night_that_was_quiet_for_hours_and_was_killed_just_now_is_taken_up(folder: Path) -> None:
    """Between soundcheck and show nothing is recorded: its process lived all the same, and that was seen."""
    ran = subprocess.run([sys.executable, "-c", LIVES, str(folder)], capture_output=True, text=True, check=False)
    path = Path(ran.stdout.splitlines()[-1])
    lived = lived_until(path)
    assert lived is not None and abs(lived - time.time()) < 60
    # Whoever reads the night meanwhile takes nothing away of that.
    for _ in range(2):
        assert bring_home(path) is None
        found = broken_off(path)
        assert found is not None and found.ago_s(time.time_ns() // 1000) < 60
        assert replace(found, lived_us=None).ago_s(time.time_ns() // 1000) > 3 * 3_600 - 60
    again = begun(folder)
    assert again.recorder.path == path and again.taken_up is not None and not WARNED
    playing(folder, again).ends()
    assert lived_until(path) is None


def test_the_journal_that_is_asked_for_is_taken_up_or_left_alone(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "mine.night"
    player = playing(folder, begun(folder, path))
    player.press("on", MORE)
    was = player.killed()
    player = playing(folder, begun(folder, path))
    assert player.state.wishes == was.wishes
    with pytest.raises(JournalError, match=r"this night is being played by process \d+: its journal is .*mine\.night"):
        begun(folder, path)
    player.ends()
    with pytest.raises(JournalError, match=r"There is a file at .* already"):
        begun(folder, path)


def test_levels_that_another_version_left_otherwise_are_told(folder: Path) -> None:
    """By the same version, presses played again come to the levels that were; by another, maybe to others."""
    player = playing(folder, begun(folder))
    player.press("on", MORE, "on", MORE)
    player.killed()
    path = player.of.recorder.path
    again = begun(folder)
    assert again.taken_up is not None and not again.taken_up.warnings()
    drop(again.recorder)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE night SET program = '0.0.9'")
    again = begun(folder)
    assert again.taken_up is not None and not again.taken_up.warnings()
    drop(again.recorder)
    with closing(sqlite3.connect(path)) as connection, connection:
        last = "SELECT max(id) FROM story WHERE kind = 'change' AND what = 'nudge'"
        connection.execute(f"UPDATE story SET level_after = level_after - 300 WHERE id = ({last})")
    again = begun(folder)
    assert again.taken_up is not None and again.taken_up.warnings() == [
        "another version of the program played this night, and left other levels: fiddle in the mix of fiddler"
    ]
    drop(again.recorder)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE night SET program = ?", (stagectl.__version__,))
    again = begun(folder)
    assert again.taken_up is not None and not again.taken_up.warnings()
    drop(again.recorder)


def test_edited_files_are_taken_up_by_their_names_and_it_says_so(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on", MORE, MORE, "on", MORE)
    player.killed()
    setlist = folder / "setlist.yaml"
    text = setlist.read_text()
    assert "Seven Gates" in text
    # A new first song, another base: the place and the nudges are those of the feet.
    one = text.index("songs:") + len("songs:\n")
    setlist.write_text(text[:one] + "  - name: An Opener\n" + text[one:].replace("Seven Gates", "Eight Gates"))
    again = begun(folder)
    taken = again.taken_up
    assert taken is not None and taken.changed
    assert taken.warnings() == [
        "the show's files have changed since the night was broken off: it goes on by the new ones"
    ]
    # Where the files say other levels, that is recorded, and told.
    assert taken.edits and all(row.what == "edit" and row.before != row.after for row in taken.edits)
    assert lines(taken.edits)[0].split("  ")[-1].startswith("the edited files: ")
    on = Player(folder, again)
    assert on.plan.stops[on.state.place.stop].name == "The Ferry Waltz"
    assert on.state.nudges
    drop(again.recorder)
    with closing(open_read(again.recorder.path)) as connection:
        kept = files(connection)
    assert len(kept) == 2 and b"An Opener" in b"".join(kept[max(kept)].values())
    assert b"An Opener" not in b"".join(kept[0].values())
    # And once more, through both.
    third = begun(folder)
    assert third.taken_up is not None and not third.taken_up.changed
    assert third.taken_up.state.wishes == on.state.wishes
    drop(third.recorder)


def test_what_cannot_be_taken_up_begins_anew_and_says_why(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    with closing(sqlite3.connect(player.of.recorder.path)) as connection, connection:
        connection.execute("UPDATE heard SET kind = 77 WHERE id = (SELECT max(id) FROM heard)")
    new = begun(folder)
    assert new.taken_up is None
    assert (
        "is not taken up again: an event of the journal cannot be played again: there is no kind of event 77"
        in WARNED[0]
    )
    drop(new.recorder)


def test_a_night_that_a_journal_takes_no_more_of_goes_on_in_a_copy(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = playing(folder, begun(folder))
    player.press("on", MORE)
    was = player.killed()
    monkeypatch.setattr(recording, "unwritable", lambda path: "no more" if path == player.of.recorder.path else None)
    again = begun(folder)
    copy = tmp_path / "spare" / player.of.recorder.path.name
    assert again.recorder.path == copy and f"no more. The journal is kept in {copy} instead" in WARNED[0]
    on = playing(folder, again)
    assert on.state.wishes == was.wishes
    on.press("on")
    on.killed()
    # The copy counts from now on, wherever the first one is looked for.
    third = begun(folder)
    assert third.recorder.path == copy and len(WARNED) == 1
    playing(folder, third).ends()
    assert begun(folder).taken_up is None


def test_a_night_of_which_only_the_end_was_on_its_way_is_over(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    path = player.of.recorder.path
    player.killed()
    end = [packed(Row(player.at - player.of.zero, "end"), 10_000, time.time_ns() // 1000)]
    monkeypatch.setattr(recording, "unwritable", lambda _: "no more")
    monkeypatch.setattr("stagectl.journal.elsewhere.on_its_way", lambda _: end)
    new = begun(folder)
    assert new.taken_up is None and new.recorder.path != path
    assert [one.name for one in (tmp_path / "spare").iterdir()] == [path.name]
    drop(new.recorder)


def test_a_night_that_began_by_a_clock_that_was_behind_is_taken_up(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A computer without a clock of its own, away from every network, begins where it was switched off."""
    playing(folder, begun(folder)).ends()
    yesterday = time.time_ns() - 24 * 3_600 * 10**9
    monkeypatch.setattr(time, "time_ns", lambda: yesterday)
    player = playing(folder, begun(folder))
    player.press("on")
    was = player.killed()
    again = begun(folder)
    assert again.recorder.path == player.of.recorder.path
    assert again.state is not None and again.state.wishes == was.wishes
    drop(again.recorder)


def test_a_journal_of_an_earlier_version_begins_anew(folder: Path) -> None:
    player = playing(folder, begun(folder))
    player.press("on")
    player.killed()
    with closing(sqlite3.connect(player.of.recorder.path)) as connection, connection:
        connection.execute("DELETE FROM files")
    new = begun(folder)
    assert new.taken_up is None and "an earlier version of stagectl, which kept no events" in WARNED[0]
    drop(new.recorder)


def test_one_process_drives_a_desk(folder: Path) -> None:
    show, _ = loaded(folder)
    claim = desk_claim(show)
    with pytest.raises(
        DeviceError, match=r"the desk at `127\.0\.0\.1:9000` is driven by process \d+ already; end that"
    ):
        desk_claim(show)
    claim.give_up()
    desk_claim(show).give_up()


OWN_NAMES = ["localhost", "LOCALHOST", "127.0.0.1", "::1", "0.0.0.0", "::ffff:127.0.0.1", socket.gethostname()]


@pytest.mark.parametrize("name", OWN_NAMES)
def test_a_desk_is_the_same_by_each_of_its_names(folder: Path, name: str) -> None:
    """Of this machine: RFC 6761, 6.3 (`localhost`), RFC 1122, 3.2.1.3 (127/8), RFC 4291, 2.5.3 and 2.5.5.2."""
    claim = desk_claim(loaded(folder)[0])
    try:
        show = at_host(folder, f"[{name}]:9000" if ":" in name else f"{name}:9000")
        with pytest.raises(DeviceError, match="is driven by process"):
            desk_claim(show)
    finally:
        claim.give_up()


@pytest.mark.parametrize("host", ["127.0.0.1:9001", "192.0.2.7:9000", "no-such-desk.invalid:9000"])
def test_other_desks_are_others(folder: Path, host: str) -> None:
    """Addresses for documentation (RFC 5737), and a name that never is one (RFC 6761, 6.4)."""
    claim = desk_claim(loaded(folder)[0])
    try:
        other = desk_claim(at_host(folder, host))
        with pytest.raises(DeviceError, match="is driven by process"):
            desk_claim(at_host(folder, host.upper()))
        other.give_up()
    finally:
        claim.give_up()


def at_host(folder: Path, host: str) -> Show:
    """The show with its desk elsewhere."""
    rig = folder / "rig.yaml"
    rig.write_text(re.sub(r"host: .*:900\d\"?", f'host: "{host}"', rig.read_text()))
    show = load_show(folder)
    assert show.rig.desk.host is not None
    return show


def test_a_claim_that_is_taken_away_is_claimed_again(folder: Path) -> None:
    """The end of a user's session may delete what the user has in memory."""
    show, _ = loaded(folder)
    claim = desk_claim(show)
    [path] = [one.path for one in claim._claims]
    assert claim.again() is None and path.exists()
    path.unlink()
    assert claim.again() is None and holder_of(path) == os.getpid()
    path.unlink()
    other = desk_claim(show)
    assert claim.again() == f"the desk at `127.0.0.1:9000` is driven by process {os.getpid()} as well"
    claim.give_up()
    assert holder_of(path) == os.getpid(), "what is another's is not taken away"
    other.give_up()


@pytest.mark.parametrize(
    ("now", "wall_us", "zero"),
    [
        # The process was started again: the clock has gone on.
        (60 * 10**9, 1_020_000_000, 5 * 10**9),
        # So was the computer: the clock on the wall says how long that took.
        (8 * 10**9, 1_300_000_000, 8 * 10**9 - 35 * 10**9 - 300 * 10**9),
        # It has no battery for that clock, and was never told the time: at what came in last, which is never ahead.
        (8 * 10**9, 77, 8 * 10**9 - 36 * 10**9),
        # The clock on the wall was set in between: nothing else says how long it was.
        (60 * 10**9, 1_700_000_000, 60 * 10**9 - 35 * 10**9 - 700 * 10**9),
    ],
)
def test_time_goes_on(now: int, wall_us: int, zero: int) -> None:
    head = Head(setlist="a", begun_us=0, program="test")
    night = BrokenOff(
        path=Path("a.night"), head=head, at=35 * 10**9, wall_us=1_000_000_000, heard_at=36 * 10**9, zero=5 * 10**9
    )
    assert zero_again(night, now, wall_us) == zero
    assert AGREE_NS < 5 * 10**9
