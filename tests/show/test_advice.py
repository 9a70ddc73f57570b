"""What `check` warns of beyond faults: pedals that look for one port, and what is so only at a venue."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_copies import RIG, SETLIST, Copy

from stagectl.errors import Advice
from stagectl.show.advice import advice_on
from stagectl.show.compile import compile_show


def test_two_pedals_that_look_for_one_port(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    copy.plant(RIG, "    port: vocal pedal", "    port: Drum pedal  #!")
    show = copy.show()
    found = [one for one in advice_on(show, compile_show(show).plan) if "looks for a port" in one.text]
    assert [(Path(one.file).name, one.line) for one in found] == copy.all_marks()
    assert found[0].text.startswith(
        "`vocal pedal` looks for a port with `Drum pedal` in its name, as `drum pedal` does"
    )


def test_two_pedals_that_look_for_one_keyboard(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    foot = "  - {name: NAME foot, keyboard: PAGE turner, mapping: page-turner, listener: singer}"
    left, right = foot.replace("NAME", "left").replace("PAGE", "Page"), foot.replace("NAME", "right")
    # A port of that name is none of theirs.
    copy.plant(RIG, "    port: drum pedal", "    port: page turner")
    copy.plant(RIG, "pedals:\n", f"pedals:\n{left}\n{right.replace('PAGE', 'page')}  #!\n")
    show = copy.show()
    found = [one for one in advice_on(show, compile_show(show).plan) if "looks for a" in one.text]
    assert [(Path(one.file).name, one.line) for one in found] == copy.all_marks()
    assert found[0].text == (
        "`right foot` looks for a keyboard with `page turner` in its name, as `left foot` does: which of two such "
        "keyboards is whose is up to the system, so say more of each name, or, where the names are the same, try both "
        "before the show"
    )


def test_what_is_so_at_some_venues_alone_says_at_which(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    show = copy.show()
    base, *venues = [(name, compile_show(show, name).plan) for name in (None, *show.setlist.venues)]
    here = advice_on(show, base[1])
    assert not any("stands" in one.text for one in here)
    told = advice_on(show, base[1], elsewhere=[(name or "", plan) for name, plan in venues])
    assert set(here) < set(told)
    [more] = set(told) - set(here)
    [there] = [one for one in advice_on(show, venues[0][1]) if "stands" in one.text]
    assert more == there._replace(text=f"{there.text} (at `Tidewater Hall`)")
    # At both of them it is said once, with both names; and not again where it is so here, too.
    twice = advice_on(show, base[1], elsewhere=[("one", venues[0][1]), ("other", venues[0][1])])
    assert set(twice) - set(here) == {there._replace(text=f"{there.text} (at `one`, at `other`)")}
    assert advice_on(show, venues[0][1], elsewhere=[("here", venues[0][1])]) == advice_on(show, venues[0][1])
    assert told == sorted(told, key=lambda one: (one.file != str(show.sources["setlist"].path), one.line))


OTHERWISE = {
    (SETLIST, "  - name: Slow Tram Home\n", "  - name: Slow Tram #2 #!\n"): (
        "`#2 #!` behind `Slow Tram` is a comment: put quotes around a text that holds a `#`"
    ),
    (SETLIST, "title: nine songs\n", "title: “nine songs” #!\n"): (
        "the quotes of `“nine songs”` are a part of it: write straight ones, or straight ones around it"
    ),
    (SETLIST, "      - name: whisper\n", "      - name: ‘whisper’ #!\n"): (
        "the quotes of `‘whisper’` are a part of it: write straight ones, or straight ones around it"
    ),
    (SETLIST, "  - name: Slow Tram Home\n", "  - name: lanterns at LOW tide #!\n"): (
        "the song `lanterns at LOW tide` differs from `Lanterns at Low Tide` in line 89 by capital letters alone; call "
        "one of them otherwise"
    ),
    (RIG, "{name: click, socket: 15}", "{name: click, socket: 15}\n  - {name: Kick, socket: 20} #!"): (
        "the input `Kick` differs from `kick` in line 3 by capital letters alone; call one of them otherwise"
    ),
    (RIG, "ceiling: 0   ", "ceiling: 12 #!"): ("a ceiling of +12 dB bounds nothing: the desk goes no higher than 0 dB"),
    (RIG, "    ceiling: -1\n", "    ceiling: 0.01 #!\n"): (
        "a ceiling of +0.01 dB bounds nothing: the desk goes no higher than 0 dB"
    ),
    (RIG, "ceilings: {click: -12}", "ceilings: {click: -12, own: 20} #!"): (
        "a ceiling of +20 dB bounds nothing: the desk goes no higher than 0 dB"
    ),
}


@pytest.mark.parametrize("plant", OTHERWISE, ids=lambda plant: plant[2].strip()[:40])
def test_what_may_be_meant_otherwise(plant: tuple[str, str, str], tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    before = {one.text for one in _advice(copy)}
    copy.plant(*plant)
    found = [one for one in _advice(copy) if one.text == OTHERWISE[plant]]
    assert OTHERWISE[plant] not in before
    assert [(Path(one.file).name, one.line) for one in found] == copy.all_marks()


@pytest.mark.parametrize(
    "plant",
    [
        (SETLIST, "  - name: Slow Tram Home\n", '  - name: "Slow Tram #2"\n'),
        (SETLIST, "  - name: Slow Tram Home\n", '  - name: "“Slow Tram”"\n'),
        (SETLIST, "  - name: Slow Tram Home\n", "  - name: Don’t Slow Trams’ Home\n"),
        (SETLIST, "  - name: Slow Tram Home\n", "  - name: Slow Tram#2 # two\n"),
        (SETLIST, "    kick: -22\n", "    kick: -22 #louder\n"),
        (RIG, "ceilings: {click: -12}", "ceilings: {click: -12, own: 0}"),
    ],
    ids=lambda plant: plant[2].strip()[:40],
)
def test_what_is_meant_as_it_is_typed(plant: tuple[str, str, str], tmp_path: Path) -> None:
    copy = Copy(tmp_path, "nine-songs")
    before = len(_advice(copy))
    copy.plant(*plant)
    assert len(_advice(copy)) == before


def _advice(copy: Copy) -> list[Advice]:
    show = copy.show()
    return advice_on(show, compile_show(show).plan)
