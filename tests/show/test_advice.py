"""What `check` warns of beyond faults: pedals that look for one port, and what is so only at a venue."""

from __future__ import annotations

from pathlib import Path

from demo_copies import RIG, Copy

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
