"""The shows, mappings and profiles that ship are sound, and compile to the levels that their author meant.

Levels are worked out by hand below: base, then venue, then song, then section.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from demo_copies import RIG, SETLIST, Copy

from stagectl.core.levels import OFF, Level
from stagectl.core.plan import Plan
from stagectl.show.compile import compile_show
from stagectl.show.load import Loading, load_profile, load_show
from stagectl.show.mapping import MappingModel
from stagectl.where import shipped

DEMOS = sorted(path.name for path in shipped("setlists").iterdir() if path.is_dir())
MAPPINGS = sorted((shipped("mappings") / "pedals").glob("*.yaml"))
PROFILES = sorted((shipped("mappings") / "desks").glob("*.yaml"))


@pytest.mark.parametrize("demo", DEMOS)
def test_a_demo_show_compiles_for_every_venue(demo: str) -> None:
    show = load_show(shipped("setlists") / demo)
    for venue in (None, *show.setlist.venues):
        compiled = compile_show(show, venue)
        sections = sum(len(song.sections) for song in show.setlist.songs)
        assert len(compiled.plan.stops) == 1 + len(show.setlist.songs) + sections
        assert len(compiled.packets) == len(compiled.plan.messages)
        assert all(packets for packets in compiled.packets)


@pytest.mark.parametrize("path", MAPPINGS, ids=lambda path: str(path.stem))
def test_a_shipped_mapping_is_sound(path: Path) -> None:
    loading = Loading()
    assert loading.read(path, MappingModel, "mapping") is not None
    assert loading.faults == []


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: str(path.stem))
def test_a_shipped_profile_is_sound(path: Path) -> None:
    profile = load_profile(path.stem)
    assert profile == load_profile(str(path))
    law = profile.send.law()
    for step in (law.grid.steps[0], law.grid.steps[-1]):
        assert law.level(law.code(step)) == step
        assert profile.send.say.packets(1, 1, law.code(step))


USUAL = "two-switch", "control-change"
"""The mapping of the drummer's pedal and the profile of the desk in the demo."""

TOGETHER = {
    *((mapping.stem, profile) for mapping in MAPPINGS for profile in (USUAL[1], "osc-decibels")),
    *((USUAL[0], profile.stem) for profile in PROFILES),
}
"""Each mapping with a desk over MIDI and with one over OSC, and each profile with a pedal."""


@pytest.mark.parametrize(("mapping", "profile"), sorted(TOGETHER))
def test_every_shipped_mapping_and_profile_fits_a_demo_show(mapping: str, profile: str, tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    over_osc = load_profile(profile).over == "osc"
    copy.plant(RIG, "profile: control-change", f"profile: {profile}")
    if over_osc:
        copy.plant(RIG, "  port: desk", "  host: 127.0.0.1:9000")
    copy.plant(RIG, "mapping: two-switch", f"mapping: {mapping}")
    ends = {"osc-buttons": "osc port: 9010", "page-turner": "keyboard: page turner"}
    if mapping in ends:
        copy.plant(RIG, "    port: drum pedal\n", f"    {ends[mapping]}\n")
    # That compiles it too, for every venue.
    assert copy.faults() == []


@cache
def plan(venue: str | None = None, demo: str = "nine-songs") -> Plan:
    return compile_show(load_show(shipped("setlists") / demo), venue).plan


def level(of: Plan, stop: str, listener: str, column: str) -> Level | None:
    """A level of a stop; `stop` is its own name, which no two stops of the demo share."""
    (found,) = [one for one in of.stops if one.name == stop]
    columns = [*of.inputs, "whole mix"]
    return found.levels[of.send(of.listeners.index(listener), columns.index(column))]


HALL, CELLAR = "Tidewater Hall", "The Brick Cellar"


@pytest.mark.parametrize(
    ("venue", "stop", "listener", "column", "expected"),
    [
        # The base as it stands; `rest` is what is not named, and the whole mix is not driven where nobody says so.
        (None, "base", "singer", "lead vocal", -300),
        (None, "base", "singer", "hi-hat", OFF),
        (None, "base", "drummer", "rack tom", -2_400),
        (None, "base", "drummer", "guitar", -1_600),
        (None, "base", "drummer", "whole mix", None),
        # Venue: everyone's talkback up 2, the drummer's bass up 2; a shift leaves `off` alone.
        (HALL, "base", "bassist", "talkback", -1_000 + 200),
        (HALL, "base", "drummer", "bass", -800 + 200),
        (CELLAR, "base", "singer", "snare", OFF),
        (CELLAR, "base", "singer", "kick", -2_200 - 300),
        (CELLAR, "base", "keys player", "kick", -1_600 - 400),
        # Song up 2 for the singer, then section up 2 for everyone, and up 1 for the singer's own voice.
        (None, "Lanterns at Low Tide", "singer", "tracks", -1_800 + 200),
        (None, "last chorus", "singer", "tracks", -1_800 + 200 + 200),
        (None, "last chorus", "drummer", "tracks", -1_000 + 200),
        (None, "last chorus", "singer", "lead vocal", -300 + 100),
        # The venue's kick down 3 is overruled by the song's `off`; the guitarist's stands.
        (CELLAR, "Slow Tram Home", "singer", "kick", OFF),
        (CELLAR, "Slow Tram Home", "guitarist", "kick", -1_400 - 400),
        (None, "Slow Tram Home", "guitarist", "guitar", -500 - 600),
        (None, "Slow Tram Home", "guitarist", "acoustic", -500),
        (None, "Slow Tram Home", "drummer", "hi-hat", -2_400 + 400),
        # Song up 4 for the guitarist, section up 3 for everyone. The next section builds on the song again.
        (None, "organ break", "guitarist", "keys", -1_800 + 400 + 300),
        (None, "organ break", "keys player", "keys", -600 + 300),
        (None, "out", "guitarist", "keys", -1_800 + 400),
        (None, "out", "guitarist", "guitar", -500 + 200),
        # The song sets the click to -2, the section takes 6 off that; the hall's bass stands.
        (HALL, "half time", "drummer", "click", -200 - 600),
        (HALL, "half time", "drummer", "tracks", -1_000 + 400),
        (HALL, "half time", "drummer", "bass", -800 + 200),
        # `own` of the singer is the lead vocal; what the song turned off, the section sets.
        (None, "A Kettle in the Rain", "singer", "lead vocal", -300 + 100),
        (None, "A Kettle in the Rain", "singer", "bass", OFF),
        (None, "band comes in", "singer", "bass", -2_000),
        (None, "band comes in", "guitarist", "guitar", -700),
        (HALL, "band comes in", "drummer", "click", OFF),
        (None, "Eleven Tin Buttons", "guitarist", "guitar", -500 + 200),
        # Everyone's lead vocal up 4, then the singer's own set to -2, which goes over it.
        (None, "whisper", "singer", "lead vocal", -200),
        (None, "whisper", "drummer", "lead vocal", -1_200 + 400),
        (None, "whisper", "guitarist", "guitar", -500 - 800),
        (None, "everything", "drummer", "lead vocal", -1_200),
        # Everyone up 4, then the singer up 2 more; the bassist's keys vocal is off, and a shift leaves it there.
        (None, "all voices", "singer", "guitar vocal", -1_400 + 400 + 200),
        (None, "all voices", "drummer", "lead vocal", -1_200 + 200),
        (None, "all voices", "bassist", "keys vocal", OFF),
        (None, "Left at the Lighthouse", "bassist", "keys vocal", -1_400),
    ],
)
def test_a_level_is_what_its_layers_come_to(
    venue: str | None, stop: str, listener: str, column: str, expected: Level | None
) -> None:
    assert level(plan(venue), stop, listener, column) == expected


def test_the_ceilings_of_the_demo() -> None:
    found = plan()
    singer, drummer, bassist, guitarist, keys = (
        found.ceilings[at * found.width : (at + 1) * found.width] for at in range(5)
    )
    click = found.inputs.index("click")
    assert singer == tuple(-1_200 if at == click else 0 for at in range(found.width))
    assert drummer == tuple(-100 if at == click else 0 for at in range(found.width))
    # Their ceilings are of sends: the whole mix of each, which the show lets be, counts as 0 dB.
    assert bassist == (*(-100,) * (found.width - 1), 0)
    assert guitarist == (0,) * found.width
    assert keys == (*(-200,) * (found.width - 1), 0)


def test_the_ceiling_of_a_listener_is_that_of_the_whole_mix_where_the_show_moves_it(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "three-songs")
    own = "accordionist: {own: -5, "
    for planted, ceiling in ((own, 0), (f"{own}whole mix: -6, ", -300)):
        copy.plant(SETLIST, own, planted)
        found = compile_show(copy.show()).plan
        assert found.ceilings[2 * found.width :] == (-300, -300, -300, -300, ceiling)


def test_the_lower_ceiling_counts_where_own_and_its_input_both_have_one(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "three-songs")
    old = "{name: accordionist, mix: 3, own input: accordion, ceiling: -3}"
    copy.plant(RIG, old, old.replace("ceiling: -3", "ceilings: {own: -4, accordion: -5, whole mix: -6, voice: -7}"))
    copy.plant(RIG, "own input: fiddle}", "own input: fiddle, ceilings: {own: -1, fiddle: 2}}")
    found = compile_show(copy.show()).plan
    assert found.ceilings[2 * found.width :] == (-700, 0, -500, 0, -600)
    assert found.ceilings[found.width : 2 * found.width] == (0, -100, 0, 0, 0)


def test_fades_are_the_section_s_else_the_song_s_else_the_setlist_s() -> None:
    found = {stop.name: stop.fade_ns for stop in plan().stops}
    second = 1_000_000_000
    assert found["base"] == found["Lanterns at Low Tide"] == found["last chorus"] == 1.5 * second
    assert found["Slow Tram Home"] == 3 * second
    assert found["organ break"] == 0.5 * second
    assert found["half time"] == 0
    assert found["all voices"] == 2.5 * second
    assert plan().scenes[0].fade_ns == 0.5 * second


def test_cues_and_messages_of_the_demo() -> None:
    found = plan()
    cues = {stop.name: stop.cue for stop in found.stops}
    assert cues["base"] is None and cues["Slow Tram Home"] is None
    by_press = cues["Ten Past Never"]
    assert by_press is not None and (by_press.number, by_press.by_press) == (3, True)
    assert cues["half time"] == by_press
    names = [message.name for message in found.messages]
    assert names == ["piano", "organ", "strings", "program 89"]
    told = {stop.name: [names[at] for at in stop.messages] for stop in found.stops}
    assert told["Slow Tram Home"] == ["strings"]
    assert told["The Long Corridor"] == ["program 89"]
    assert told["whisper"] == []


def test_the_packets_of_the_demo() -> None:
    compiled = compile_show(load_show(shipped("setlists") / "nine-songs"))
    piano, organ, strings, other = compiled.packets
    assert piano == (bytes((0xC2, 0)),)
    assert organ == (bytes((0xC2, 16)),)
    assert strings == (bytes((0xB2, 0, 0)), bytes((0xB2, 32, 1)), bytes((0xC2, 48)))
    assert other == (bytes((0xC2, 89)),)


def test_how_long_a_message_takes_on_each_link(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    # Three bytes of ten bits each at 31,250 baud.
    assert compile_show(copy.show()).plan.link.message_ns == 3 * 10 * 32_000
    copy.plant(RIG, "  link: din", "  link: usb")
    assert compile_show(copy.show()).plan.link.message_ns == 100_000
    copy.plant(RIG, "  link: usb", "  link: din")
    copy.plant(RIG, "profile: control-change", "profile: nrpn")
    assert compile_show(copy.show()).plan.link.message_ns == 4 * 3 * 10 * 32_000


def test_own_everyone_rest_and_whole_mix(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "three-songs")
    copy.plant(
        SETLIST,
        "  singer: {own: -3, fiddle: -12, accordion: -12, stomp: -18}\n",
        "  singer: {rest: -20, own: -3, whole mix: -2}\n",
    )
    copy.plant(RIG, ", own input: fiddle}", "}")
    copy.plant(SETLIST, "  fiddler: {own: -4, voice: -10,", "  fiddler: {voice: -10,")
    copy.plant(
        SETLIST, "      fiddler: {own: up 2}\n", "      everyone: {own: up 2}\n".replace("everyone", "accordionist")
    )
    copy.plant(
        SETLIST, "      everyone: {voice: up 2}\n", "      everyone: {own: up 1}\n      singer: {whole mix: down 1}\n"
    )
    copy.plant(RIG, "mapping: osc-buttons\n    listener: fiddler", "mapping: osc-buttons\n    listener: singer")
    assert copy.faults() == []
    found = compile_show(copy.show()).plan
    last = "Morning, Mrs Finch"
    # `rest` is every input but the singer's own, and not the whole mix.
    assert [level(found, "base", "singer", name) for name in (*found.inputs, "whole mix")] == [
        -300,
        *[-2_000] * 3,
        -200,
    ]
    # Nothing said is off; a mix whose level nobody says is not driven.
    assert [level(found, "base", "fiddler", name) for name in (*found.inputs, "whole mix")] == [
        *(-1_000, OFF, -1_400, -1_400, None)
    ]
    # Everyone's own: the fiddler has none, so nothing of theirs moves.
    assert level(found, last, "singer", "voice") == -300 + 100
    assert level(found, last, "accordionist", "accordion") == -500 + 100
    assert level(found, last, "fiddler", "voice") == -1_000
    assert level(found, last, "singer", "whole mix") == -200 - 100
    assert found.own == (0, None, 2)


def test_an_unknown_venue_is_named() -> None:
    show = load_show(shipped("setlists") / "nine-songs")
    with pytest.raises(
        ValueError, match="`The Brick Celler` is not a venue of this setlist; did you mean `The Brick Ce"
    ):
        compile_show(show, "The Brick Celler")
