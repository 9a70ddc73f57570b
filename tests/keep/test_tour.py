"""A tour of six nights in two rooms on the real core, with planted wishes: `keep` finds these and nothing else, writes
them once, and the next night then sounds as the nights came to sound."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import pytest
from msgspec.structs import replace

from keep.judge import judged, lesson, read_nights
from keep.tour import PLANTS, SONG_S, VENUES, Feet, Noise, feet_of, journal, play, record, stop_of, tour, write_show
from stagectl.core.actions import ClearNudges, FallBack, Hush, Lasts, Nudge, Undo
from stagectl.core.events import DeskCame, DeskSaid
from stagectl.core.levels import Level
from stagectl.core.plan import Plan
from stagectl.errors import FileFaults
from stagectl.keep.again import played_again
from stagectl.keep.nights import Lesson, proved_text
from stagectl.keep.steady import STEP, TOLERANCE
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.show.proof import proof_of
from stagectl.story.replay import Chapter
from stagectl.story.rows import Row


def accept(show: Show, taught: Lesson) -> Show:
    """The show with everything accepted, read anew."""
    new = proved_text(show, [offer for offer in taught.offers if offer.can_be_written])
    show.sources["setlist"].path.write_bytes(new)
    return load_show(show.folder)


@pytest.mark.parametrize("seed", [0, 2])
def test_exactly_what_was_planted_is_found(tmp_path: Path, seed: int) -> None:
    one = judged(*tour(tmp_path, seed))
    assert (one.wrong, one.missed) == ((), ())
    assert one.right == one.said == one.planted == 8


def test_a_second_time_nothing_is_left(tmp_path: Path) -> None:
    show, paths = tour(tmp_path, 5)
    taught = lesson(show, paths)
    assert len(taught.offers) >= 8
    again = lesson(accept(show, taught), paths)
    assert [(offer.path, offer.written) for offer in again.offers] == []
    assert any("edited since" in note for note in again.notes)


def test_without_noise_the_medians_are_the_plants(tmp_path: Path) -> None:
    quiet = Noise(off=0, forgets=0, strays=0)
    kept = {(offer.listener, offer.input, offer.kept.by) for offer in lesson(*tour(tmp_path, 1, noise=quiet)).offers}
    assert kept == {(one.listener, one.input, one.by) for one in PLANTS if one.kind in ("base", "venue", "song")}


def song_ends(plan: Plan, rows: list[Row]) -> list[dict[tuple[str, str], Level | None]]:
    """The levels that rows come to whenever a stop is left, by listener and input: arithmetic of the test's own."""
    now: dict[tuple[str, str], Level | None] = {}
    out = []
    for row in rows:
        if row.kind in ("arrival", "end"):
            out.append(dict(now))
        elif row.kind == "change" and row.what != "read":
            now[str(row.listener), str(row.input)] = row.after
    return out[1:]


def test_the_next_night_sounds_as_the_nights_came_to(tmp_path: Path) -> None:
    """The feet walk the set again over the new text, and nobody nudges: at the ends of songs, what was kept stands
    where the nights had it, within the noise."""
    show, paths = tour(tmp_path, 7)
    nights = read_nights(show, paths)
    taught = lesson(show, paths)
    after = accept(show, taught)
    compared = 0
    for number, path in enumerate(paths):
        venue = VENUES[number % 2]
        plan = compile_show(after, venue).plan
        walk = Feet(plan)
        ended = song_ends(plan, play(plan, walk.events, walk.end()).rows)
        before = song_ends(plan, rows_of(path))
        first = nights[number].told.first
        for offer in taught.offers:
            is_here = offer.key.venue in (None, venue) and path.stem in offer.kept.grounds.nights
            stops = [stop_of(plan, after.setlist.songs[offer.key.song].name)] if offer.key.song >= 0 else range(1, 11)
            for stop in stops if is_here else ():
                song = plan.stops[stop].song
                if song < first.get(offer.kept.send, 99) or (stop == 4 and offer.key.song < 0):
                    continue
                levels = [some[stop - 1][offer.listener, offer.input] for some in (before, ended)]
                assert isinstance(levels[0], int) and isinstance(levels[1], int)
                assert abs(levels[0] - levels[1]) <= TOLERANCE + STEP // 2, (offer, stop)
                compared += 1
    assert compared > 100


def rows_of(path: Path) -> list[Row]:
    from contextlib import closing

    from stagectl.journal.read import open_read, rows

    with closing(open_read(path)) as connection:
        return [row for _, _, row in rows(connection)]


# -- single nights ----------------------------------------------------------------------------------------


class Stage:
    """One show, and nights on it that a test writes by hand."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.show = load_show(write_show(folder))
        self.paths: list[Path] = []

    def feet(self, venue: str | None = None) -> Feet:
        return Feet(compile_show(self.show, venue).plan)

    def played(self, feet: Feet, venue: str | None = None, name: str | None = None) -> None:
        number = len(self.paths)
        path = self.folder / f"{number if name is None else name}.night"
        self.paths.append(journal(path, self.show, venue, play(feet.plan, feet.events, feet.end()), number))

    def said(self) -> Mapping[tuple[str, str, str], str]:
        """What is offered: by layer, listener and input, what would be written."""
        offers = lesson(self.show, self.paths).offers
        return {(offer.key.layer, offer.listener, offer.input): offer.written for offer in offers}


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path)


def test_one_night_s_early_nudge_goes_into_the_base(stage: Stage) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(3, 30), "singer", "keys", 200)
    stage.played(feet)
    assert stage.said() == {("base", "singer", "keys"): "-14"}


def test_what_is_written_is_rounded_to_half_a_db(stage: Stage) -> None:
    feet = stage.feet()
    feet.press(feet.at(1, 20), Nudge(by=133, column=feet.plan.inputs.index("keys")), "singer")
    stage.played(feet)
    assert stage.said() == {("base", "singer", "keys"): "-14.5"}


def test_a_late_nudge_speaks_of_the_songs_that_it_stood_in_only(stage: Stage) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(9, 30), "singer", "keys", 200)
    stage.played(feet)
    offers = lesson(stage.show, stage.paths).offers
    assert [(stage.show.setlist.songs[one.key.song].name, one.written) for one in offers] == [
        ("Owl Post", "up 2"),
        ("Home Field", "up 2"),
    ]


def test_silence_that_repeats_is_a_word(stage: Stage) -> None:
    """Always first in the fifth song, on four nights: the songs before were right as they were."""
    for _ in range(4):
        feet = stage.feet()
        feet.nudge(feet.at(6, 30), "singer", "bass", 200)
        stage.played(feet)
    offers = lesson(stage.show, stage.paths).offers
    assert {one.key.layer for one in offers} == {"song"}
    assert [one.key.song for one in offers] == [4, 5, 6, 7, 8]


def test_a_nudge_in_the_last_seconds_of_a_song_is_not_yet_a_word_on_it(stage: Stage) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(2, SONG_S - 3), "singer", "keys", 200, Lasts.SONG)
    feet.nudge(feet.at(9, SONG_S - 20), "singer", "guitar", 200, Lasts.SONG)
    stage.played(feet)
    assert stage.said() == {("song", "singer", "guitar"): "up 2"}


def test_both_ways_from_song_to_song_on_one_night_is_a_passing_wish(stage: Stage) -> None:
    feet = stage.feet()
    for stop, by in ((1, 300), (2, -600), (5, 300)):
        feet.nudge(feet.at(stop, 30), "singer", "keys", by)
    stage.played(feet)
    taught = lesson(stage.show, stage.paths)
    assert (taught.offers, [one.why for one in taught.passed]) == ((), ["it went both ways"])


@pytest.mark.parametrize("back", [ClearNudges(), Undo()], ids=["cleared", "undone"])
def test_what_is_taken_back_in_the_next_song_was_a_passing_wish(stage: Stage, back: object) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(1, 30), "singer", "keys", 100)
    feet.press(feet.at(2, 10), back, "singer")
    stage.played(feet)
    taught = lesson(stage.show, stage.paths)
    assert (taught.offers, [one.why for one in taught.passed]) == (
        (),
        ["taken back, or left too soon, or in the setlist already"],
    )


def test_what_stood_in_several_songs_counts_for_them_whatever_ended_it(stage: Stage) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(1, 30), "singer", "keys", 100)
    feet.press(feet.at(6, 10), ClearNudges(), "singer")
    stage.played(feet)
    offers = lesson(stage.show, stage.paths).offers
    assert [(one.key.layer, one.key.song, one.kept.by) for one in offers] == [("song", at, 100) for at in range(4)]


def test_room_hush_and_fall_back_are_no_wishes(stage: Stage) -> None:
    feet = stage.feet()
    for press in range(3):
        action = Nudge(by=100, column=feet.plan.inputs.index("lead"), room=True)
        feet.press(feet.at(1, 20 + press), action, "drummer")
    feet.press(feet.at(2, 30), Hush(), "singer")
    feet.nudge(feet.at(3, 30), "guitarist", "keys", 300)
    feet.press(feet.at(3, 50), FallBack(), "stage")
    stage.played(feet)
    assert feet.plan.limits.hush == 2000
    # The fall back ended what was wished until then; the song in which it came says nothing.
    offers = lesson(stage.show, stage.paths).offers
    assert [(one.key.song, one.listener, one.input, one.written) for one in offers] == [
        (0, "drummer", "lead", "up 3"),
        (1, "drummer", "lead", "up 3"),
    ]


def test_room_alone_leaves_the_others_be(stage: Stage) -> None:
    feet = stage.feet()
    for press in range(3):
        action = Nudge(by=100, column=feet.plan.inputs.index("lead"), room=True)
        feet.press(feet.at(1, 20 + press), action, "drummer")
    stage.played(feet)
    moved = {row.input for row in rows_of(stage.paths[0]) if row.what == "nudge" and row.kind == "change"}
    assert len(moved) > 3
    assert stage.said() == {("base", "drummer", "lead"): "-11"}


def test_a_hand_at_the_desk_is_a_wish_of_the_mix_s_owner(tmp_path: Path) -> None:
    plan = compile_show(load_show(write_show(tmp_path))).plan
    plan = replace(plan, answers=replace(plan.answers, each=False, all=False, reports=True, echoes=False))
    send = plan.send(2, plan.inputs.index("bass"))
    feet = Feet(plan)
    feet.events.append((0, DeskCame()))
    feet.events.append((feet.at(2, 40), DeskSaid(send=send, level=-1100)))
    played = play(plan, feet.events, feet.end())
    assert [row.what for row in played.rows if row.who == "desk" and row.kind == "change"] == ["hand"]
    told = played_again(record([Chapter(0, plan)], played.lines))
    assert [visit.stood[visit.last][send].shift for visit in told.visits if send in visit.stood[visit.last]] == [
        400
    ] * 8


def without(path: Path, what: str) -> None:
    """Take some lines out of a journal. `what`: as SQL deletes it."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"DELETE FROM {what}")


def test_what_a_journal_lacks_is_told_and_left_out(stage: Stage) -> None:
    """Without the event of a nudge, without its change (which the next songs bear out), and without all events."""
    both = {("base", "singer", "bass"): "-16", ("base", "singer", "keys"): "-15"}
    one = {("base", "singer", "bass"): "-16"}
    differs, strays = "1 level would not be what the journal says", "it goes another way than its journal after base"
    for number, (said, note) in enumerate([(one, differs), (both, differs), ({}, strays)]):
        feet = stage.feet()
        feet.nudge(feet.at(1, 20), "singer", "keys", 100)
        feet.nudge(feet.at(1, 30), "singer", "bass", 200)
        stage.paths.clear()
        stage.played(feet, name=f"damaged {number}")
        (path,) = stage.paths
        first = "(SELECT min(id) FROM story WHERE kind = 'press' AND what = 'nudge')"
        some = (f"heard WHERE id = {first} - 1", f"story WHERE id = {first} + 1", "heard")
        without(path, some[number])
        assert stage.said() == said
        (told,) = lesson(stage.show, stage.paths).notes
        assert f"damaged {number}: played again, " in told and note in told


def test_an_edit_since_the_night_is_newer_than_the_wish(stage: Stage) -> None:
    """Half of the wish was written by hand: the other half is offered. Written past it, or against it, it stays."""
    feet = stage.feet()
    feet.nudge(feet.at(1, 30), "singer", "keys", 200)
    feet.nudge(feet.at(1, 40), "singer", "bass", 200)
    feet.nudge(feet.at(1, 50), "drummer", "lead", 200)
    feet.nudge(feet.at(1, 60), "singer", "harmony", 200)
    stage.played(feet)
    path = stage.folder / "setlist.yaml"
    text = path.read_text("utf-8")
    for old, new in (("keys: -16, kick", "keys: -15, kick"), ("bass: -18,", "bass: -15,"), ("lead: -14", "lead: -18")):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, "utf-8")
    stage.show = load_show(stage.folder)
    assert stage.said() == {("base", "singer", "keys"): "-14", ("base", "singer", "harmony"): "-10"}


def test_nothing_is_offered_above_a_ceiling(stage: Stage) -> None:
    """The guitarist's own ceiling is -1 dB: in most songs there was less room than in others."""
    path = stage.folder / "setlist.yaml"
    path.write_text(
        path.read_text("utf-8").replace("Gravel\n", "Gravel\n    levels: {guitarist: {own: up 4.5}}\n"), "utf-8"
    )
    stage.show = load_show(stage.folder)
    feet = stage.feet()
    feet.nudge(feet.at(2, 30), "guitarist", "guitar", 400)
    stage.played(feet)
    (offer,) = lesson(stage.show, stage.paths).offers
    assert (offer.kept.by, offer.written) == (400, "-5.5")
    assert "in Gravel it would pass its ceiling, -1 dB" in offer.bounded
    stage.show = accept(stage.show, lesson(stage.show, stage.paths))
    assert proof_of(stage.show).faults == ()
    # What is left of the wish has no room: it is told, and cannot be accepted.
    (left,) = lesson(stage.show, stage.paths).offers
    assert (left.held, left.can_be_written) == (True, False)


def test_nothing_is_offered_that_takes_a_mix_above_its_sum(tmp_path: Path) -> None:
    """The sum by the formula of uncorrelated signals, 10 log10 of the sum of 10^(L/10), worked out here."""
    import math

    stage = Stage(tmp_path)
    rig = stage.folder / "rig.yaml"
    rig.write_text(rig.read_text("utf-8").replace("{name: singer, ", "{name: singer, mix ceiling: -3.4, "), "utf-8")
    stage.show = load_show(stage.folder)
    feet = stage.feet()
    feet.nudge(feet.at(1, 30), "singer", "guitar", 400)
    stage.played(feet)
    # The nudge had its room from the others in the night; written down, there is none to make it.
    offers = [one for one in lesson(stage.show, stage.paths).offers if one.listener == "singer"]
    accepted = [one for one in offers if one.can_be_written]
    assert any("the mix would pass its ceiling, -3.4 dB" in one.bounded for one in offers)
    new = proved_text(stage.show, accepted)
    (stage.folder / "setlist.yaml").write_bytes(new)
    for venue in (None, *VENUES):
        plan = compile_show(load_show(stage.folder), venue).plan
        for stop in plan.stops:
            row = [level for level in plan.bound(stop.levels)[: len(plan.inputs)] if isinstance(level, int)]
            assert 10 * math.log10(sum(10 ** (level / 1000) for level in row)) <= -3.4 or not accepted


def test_what_was_off_gets_the_level_that_it_was_lifted_to(stage: Stage) -> None:
    feet = stage.feet()
    feet.nudge(feet.at(1, 20), "singer", "click", 500)
    stage.played(feet)
    # Nudging up from off begins at the nudge floor, -40 dB; the next four presses give 4 dB.
    assert stage.said() == {("base", "singer", "click"): "-36", ("song", "singer", "click"): "-36"}
    after = accept(stage.show, lesson(stage.show, stage.paths))
    plan = compile_show(after).plan
    two_gates = plan.stops[stop_of(plan, "Two Gates")]
    # A song that turns it off for everyone had it lifted, too.
    assert [plan.stops[0].levels[7], two_gates.levels[7]] == [-3600, -3600]


def test_what_was_turned_off_is_written_off(stage: Stage) -> None:
    feet = stage.feet()
    feet.press(feet.at(1, 20), Nudge(by=-3000, column=feet.plan.inputs.index("kick")), "singer")
    stage.played(feet)
    assert stage.said() == {("base", "singer", "kick"): "off"}


def test_a_group_stays_for_the_others(stage: Stage) -> None:
    """The keys player's base says `voices`: the lead gets a line of its own, the harmony keeps what it had."""
    feet = stage.feet()
    feet.nudge(feet.at(1, 20), "keys player", "lead", 200)
    stage.played(feet)
    assert stage.said() == {("base", "keys player", "lead"): "-11"}
    before = compile_show(stage.show).plan
    after = compile_show(accept(stage.show, lesson(stage.show, stage.paths))).plan
    lead = before.send(3, before.inputs.index("lead"))
    changed = [one for one in range(before.width * 4) if before.stops[0].levels[one] != after.stops[0].levels[one]]
    assert changed == [lead]


def test_a_nudge_goes_over_what_everyone_gets_wherever_that_stands(stage: Stage) -> None:
    path = stage.folder / "setlist.yaml"
    text = path.read_text("utf-8").replace(
        "  - name: Owl Post\n", "  - name: Owl Post\n    levels: {singer: {bass: up 1}, everyone: {keys: -15}}\n"
    )
    path.write_text(text, "utf-8")
    stage.show = load_show(stage.folder)
    feet = stage.feet()
    feet.nudge(feet.at(stop_of(feet.plan, "Owl Post"), 20), "singer", "keys", 200, Lasts.SONG)
    stage.played(feet)
    stop = stop_of(feet.plan, "Owl Post")
    send = feet.plan.sends_by_name["singer", "keys"]
    assert feet.plan.stops[stop].levels[send] == -1_500
    after = compile_show(accept(stage.show, lesson(stage.show, stage.paths))).plan
    assert after.stops[stop].levels[send] == -1_300


def test_what_check_would_not_pass_is_not_written(stage: Stage) -> None:
    """The rig allows no rise of more than 24 dB from place to place: a base that goes off takes a song's level out of
    reach."""
    rig = stage.folder / "rig.yaml"
    rig.write_text(rig.read_text("utf-8") + "limits: {jump: 24}\n", "utf-8")
    path = stage.folder / "setlist.yaml"
    path.write_text(path.read_text("utf-8").replace("lead: -10", "lead: -4"), "utf-8")
    stage.show = load_show(stage.folder)
    assert proof_of(stage.show).faults == ()
    feet = stage.feet()
    feet.press(feet.at(1, 20), Nudge(by=-1900, column=feet.plan.inputs.index("lead")), "guitarist")
    stage.played(feet)
    taught = lesson(stage.show, stage.paths)
    base = [offer for offer in taught.offers if offer.key.layer == "base"]
    assert [offer.written for offer in base] == ["-31"]
    with pytest.raises(FileFaults, match="accept fewer") as refused:
        proved_text(stage.show, base)
    assert any("the rig allows 24 dB" in fault.text for fault in refused.value.faults)


def test_feet_of_the_tour_are_what_they_are_said_to_be(tmp_path: Path) -> None:
    """The plants do what their names say: undone is undone, and each passing one leaves nothing at the end."""
    import random

    plan = compile_show(load_show(write_show(tmp_path)), VENUES[0]).plan
    some = [one for one in PLANTS if one.kind in ("undone", "cleared", "swung")]
    for number in range(6):
        feet = feet_of(plan, VENUES[0], some, Noise(off=0, forgets=0, strays=0), random.Random(number), number)
        last = play(plan, feet.events, feet.end()).states[-1]
        assert [one for kept in last.nudges for one in kept.values() if not one.nothing] == []
